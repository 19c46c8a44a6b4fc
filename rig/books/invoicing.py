"""Invoices and credit notes, each issued under the next number of one series without a gap.

A number is the key of its record, so it is allotted in the commit that writes it: of two programs that take the same,
the second finds it taken and tries again. One series for both kinds, since EN 16931 treats a credit note (code 381 of
UNTDID 1001) as an invoice, whose number (BT-1) is unique. An invoice is valid until a credit note cancels it as a
whole. A restored book lacks what was issued after the backup: a person must first enter the last number on paper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import TYPE_CHECKING

from rig.books.bill import job_bill
from rig.books.bill_paper import CREDIT
from rig.books.looks import looks_of
from rig.books.prices import shop_of
from rig.books.printing import prints_of
from rig.books.where import now
from rig.ledger.moment import says
from rig.record.base import Sealed, values_of
from rig.record.papers import Bill, Invoice
from rig.run.refused import Refused
from rig.sentence import Wording

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

INVOICE, OLD_BILL = "invoice", "bill"
"""Kinds of records: an issued document; a bill of earlier versions, under the number of its record."""
DEBIT = "380"
"""Code of an invoice (UNTDID 1001)."""
RESTORED = "restored"
"""Kind of the record of a restore from a backup."""
_TRIES = 100
_OF_A_BILL = {each.name for each in fields(Bill)} - {each.name for each in fields(Sealed)}
_SAME = ("currency", "lines", "net", "tax", "total")
"""Fields that must agree for two bills to be the same."""


def invoices(book: Book) -> list[Record]:
    """All issued documents, in the order of their numbers."""
    return sorted(book.valid(INVOICE, truck=book.own), key=number_in_series)


def number_in_series(record: Record) -> int:
    """The number of an invoice in its series."""
    return Invoice.of(record).number_in_series


def invoice_named(book: Book, text: str) -> Record:
    """The invoice or credit note with a number, with or without prefix; Refused if unknown."""
    found = [each for each in invoices(book) if text.strip() in (Invoice.of(each).invoice, str(number_in_series(each)))]
    if not found:
        raise Refused(f"no invoice {text!r}: `rig invoice` lists them")
    return found[0]


def credit_of(book: Book, invoice: Record) -> Record | None:
    """The credit note that cancels an invoice; None if it is valid."""
    return next((each for each in invoices(book) if Invoice.of(each).cancels == number_in_series(invoice)), None)


def standing_invoice(book: Book, job: str) -> Record | None:
    """The invoice of a job that no credit note cancels; None if there is none."""
    issued = sorted(book.valid(INVOICE, job=job, truck=book.own), key=number_in_series)
    cancelled = {Invoice.of(each).cancels for each in issued}
    standing = (each for each in reversed(issued) if Invoice.of(each).type_code == DEBIT)
    return next((each for each in standing if number_in_series(each) not in cancelled), None)


def old_bill(book: Book, job: str) -> Record | None:
    """The bill of a job printed by a version before invoices; None if there is none."""
    found = next(iter(book.valid(OLD_BILL, job=job, truck=book.own)), None)
    return found if found is not None and prints_of(book, f"bill {found.serial}") else None


def same_bill(bill: Bill, issued: Record) -> bool:
    """Whether a job's present bill equals the issued one: the same money, for the same customer."""
    kept = Bill.of(issued)
    whose = "customer_number" if kept.customer_number else "customer"
    return all(getattr(bill, name) == getattr(kept, name) for name in (*_SAME, whose))


def issued_bill(book: WritableBook, job: str, last: int | None = None) -> Record:
    """The valid invoice of a job, or a new one; an unchanged old printed bill counts as issued.

    ``last`` is the last number on paper, for the first issue after a restore. Refused if the job has changed since
    a valid invoice: that must be cancelled first.
    """
    bill = job_bill(book, job)
    before = old_bill(book, job)

    def standing() -> Record | None:
        found = standing_invoice(book, job)
        if found is not None and not same_bill(bill, found):
            raise Refused(changed(found))
        return found or (before if before is not None and same_bill(bill, before) else None)

    debit = replace(to_issue(bill, DEBIT), replaces_bill=before.serial if before else None)
    return _issued(book, debit, standing, last)


def to_issue(bill: Bill, type_code: str) -> Invoice:
    """A bill that has no number yet."""
    return Invoice(
        **values_of(bill), type_code=type_code, invoice="", number_in_series=0, issued_at="", date="", due=None
    )


def changed(invoice: Record) -> str:
    """Why no other bill of a job is issued, and what to do."""
    number = Invoice.of(invoice).invoice
    return (
        f"the job has changed since invoice {number}, which stands: cancel it first by "
        f'`rig credit {number} --why "…"`, then issue the new one'
    )


def credited(book: WritableBook, invoice: Record, why: str, by: str, last: int | None = None) -> Record:
    """Cancel an invoice by a credit note for its whole amount; Refused without a reason, or if it is no invoice.

    ``last`` as in :func:`issued_bill`.
    """
    if not why.strip():
        raise Refused('why? write for example `rig credit 17 --why "two wheels were billed twice"`')
    kept = Invoice.of(invoice)
    if kept.type_code != DEBIT:
        raise Refused(f"{kept.invoice} is a credit note: only an invoice is cancelled")

    def standing() -> Record | None:
        if (found := credit_of(book, invoice)) is not None:
            raise Refused(f"invoice {kept.invoice} is cancelled by credit note {Invoice.of(found).invoice} already")
        return None

    bill = Bill(**{name: value for name, value in values_of(kept).items() if name in _OF_A_BILL})
    credit = replace(
        to_issue(bill, CREDIT),
        cancels=kept.number_in_series,
        cancels_invoice=kept.invoice,
        cancels_date=kept.date,
        why=why,
        by=by,
    )
    return _issued(book, credit, standing, last)


def _issued(book: WritableBook, bill: Invoice, standing: Callable[[], Record | None], last: int | None) -> Record:
    """Write a document under the next number, unless ``standing``, checked before each try, returns one."""
    for _ in range(_TRIES):
        # Read before the check: if another document is issued in between, it has this number, and the try fails.
        used = _last_in_book(book)
        found = standing()
        if found is not None:
            return found
        at, before = now(), _last_on_paper(book, used, last)
        lost = (used + 1, before) if before > used else None
        said = replace(numbered(bill, before + 1, at), numbers_lost=lost)
        record = book.append(INVOICE, str(before + 1), at, said)
        if says(record, at, said.sealed()):
            return record
    raise Refused(Wording("refused.busy_book", "the book is written by others all the time: try again")())


def numbered(bill: Invoice, number: int, at: str) -> Invoice:
    """A bill as issued: with number, time, day, and due date."""
    shop = shop_of(bill)
    looks, days = looks_of(shop), shop.due_days if shop else None
    due = looks.due(at, days).isoformat() if days is not None and bill.type_code == DEBIT else None
    prefix, day = shop.invoice_prefix if shop else "", looks.day(at).isoformat()
    return replace(bill, invoice=f"{prefix}{number}", number_in_series=number, issued_at=str(at), date=day, due=due)


def _last_in_book(book: Book) -> int:
    return max((int(key) for key in book.keys(INVOICE)), default=0)


def _restored_since(book: Book) -> bool:
    """Whether the book was restored from a backup after its last invoice."""
    ordered = book.in_order(book.valid((INVOICE, RESTORED), truck=book.own))
    return bool(ordered) and ordered[-1].kind == RESTORED


def _last_on_paper(book: Book, used: int, last: int | None) -> int:
    """The last number of the series: the book's own; in a restored book the highest on paper.

    Refused in a restored book if it is not given, and for a number that leaves a gap or is already used.
    """
    restored = _restored_since(book)
    if last is None and not restored:
        return used
    if last is None:
        raise Refused(
            Wording(
                "invoice.restored",
                "this book came back from a backup, and what was issued after the backup is not in it: "
                "look at the last invoice or credit note on paper and add `--last NUMBER` (`--last "
                "{used}` where none is newer)",
            )(used=used)
        )
    if last < used or (last > used and not restored):
        raise Refused(
            Wording(
                "invoice.used", "the last number of this book is {used}: leave `--last` out, or write `--last {used}`"
            )(used=used)
        )
    return last
