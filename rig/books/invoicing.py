"""Invoices and credit notes, each issued under the next number of one series without a gap.

A number is the key of its record, so it is allotted in the commit that writes it: of two programs that take the same,
the second finds it taken and tries again. One series for both kinds, since EN 16931 treats a credit note (code 381 of
UNTDID 1001) as an invoice, whose number (BT-1) is unique. An invoice is valid until a credit note cancels it as a
whole. A restored book lacks what was issued after the backup: a person must first enter the last number on paper.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from rig.books.bill import job_bill
from rig.books.bill_paper import CREDIT
from rig.books.looks import looks_of
from rig.books.prices import shop_of
from rig.books.printing import prints_of
from rig.books.where import now
from rig.ledger.moment import says
from rig.run.session import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

Body = dict[str, object]
INVOICE, OLD_BILL = "invoice", "bill"
"""Kinds of records: an issued document; a bill of earlier versions, under the number of its record."""
DEBIT = "380"
"""Code of an invoice (UNTDID 1001)."""
RESTORED = "restored"
"""Kind of the record of a restore from a backup."""
_TRIES = 100
_SAME = ("currency", "lines", "net", "tax", "total")
"""Fields that must agree for two bills to be the same."""


def invoices(book: Book) -> list[Record]:
    """All issued documents, in the order of their numbers."""
    return sorted(book.valid(INVOICE, truck=book.own), key=number_in_series)


def number_in_series(record: Record) -> int:
    """The number of an invoice in its series."""
    number = record.document["number_in_series"]
    assert isinstance(number, int)
    return number


def invoice_named(book: Book, text: str) -> Record:
    """The invoice or credit note with a number, with or without prefix; Refused if unknown."""
    found = [
        each for each in invoices(book) if text.strip() in (str(each.document["invoice"]), str(number_in_series(each)))
    ]
    if not found:
        raise Refused(f"no invoice {text!r}: `rig invoice` lists them")
    return found[0]


def credit_of(book: Book, invoice: Record) -> Record | None:
    """The credit note that cancels an invoice; None if it is valid."""
    return next((each for each in invoices(book) if each.document.get("cancels") == number_in_series(invoice)), None)


def standing_invoice(book: Book, job: str) -> Record | None:
    """The invoice of a job that no credit note cancels; None if there is none."""
    issued = sorted(book.valid(INVOICE, job=job, truck=book.own), key=number_in_series)
    cancelled = {each.document.get("cancels") for each in issued}
    standing = (each for each in reversed(issued) if each.document["type_code"] == DEBIT)
    return next((each for each in standing if number_in_series(each) not in cancelled), None)


def old_bill(book: Book, job: str) -> Record | None:
    """The bill of a job printed by a version before invoices; None if there is none."""
    found = next(iter(book.valid(OLD_BILL, job=job, truck=book.own)), None)
    return found if found is not None and prints_of(book, f"bill {found.serial}") else None


def same_bill(document: Body, issued: Record) -> bool:
    """Whether a job's present bill equals the issued one: the same money, for the same customer."""
    kept = issued.document
    whose = "customer_number" if kept.get("customer_number") else "customer"
    return all(document.get(name) == kept.get(name) for name in (*_SAME, whose))


def issued_bill(book: WritableBook, job: str, last: int | None = None) -> Record:
    """The valid invoice of a job, or a new one; an unchanged old printed bill counts as issued.

    ``last`` is the last number on paper, for the first issue after a restore. Refused if the job has changed since
    a valid invoice: that must be cancelled first.
    """
    document = job_bill(book, job)
    before = old_bill(book, job)

    def standing() -> Record | None:
        found = standing_invoice(book, job)
        if found is not None and not same_bill(document, found):
            raise Refused(changed(found))
        return found or (before if before is not None and same_bill(document, before) else None)

    replaces: Body = {"replaces_bill": before.serial} if before is not None else {}
    return _issued(book, document | replaces | {"type_code": DEBIT}, standing, last)


def changed(invoice: Record) -> str:
    """Why no other bill of a job is issued, and what to do."""
    number = invoice.document["invoice"]
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
    kept = invoice.document
    if kept["type_code"] != DEBIT:
        raise Refused(f"{kept['invoice']} is a credit note: only an invoice is cancelled")

    def standing() -> Record | None:
        if (found := credit_of(book, invoice)) is not None:
            raise Refused(f"invoice {kept['invoice']} is cancelled by credit note {found.document['invoice']} already")
        return None

    own = ("issued_at", "invoice", "number_in_series", "due", "replaces_bill", "numbers_lost")
    body = {name: value for name, value in kept.items() if name not in own} | {
        "type_code": CREDIT,
        "cancels": number_in_series(invoice),
        "cancels_invoice": kept["invoice"],
        "cancels_date": kept["date"],
        "why": why,
        "by": by,
    }
    return _issued(book, body, standing, last)


def _issued(book: WritableBook, document: Body, standing: Callable[[], Record | None], last: int | None) -> Record:
    """Write a document under the next number, unless ``standing``, checked before each try, returns one."""
    for _ in range(_TRIES):
        # Read before the check: if another document is issued in between, it has this number, and the try fails.
        used = _last_in_book(book)
        found = standing()
        if found is not None:
            return found
        at, before = now(), _last_on_paper(book, used, last)
        lost: Body = {"numbers_lost": [used + 1, before]} if before > used else {}
        number = before + 1
        body = document | lost | numbered(document, number, at)
        record = book.append(INVOICE, str(number), at, body)
        if says(record, at, body):
            return record
    raise Refused("the book is written by others all the time: try again")


def numbered(document: Body, number: int, at: str) -> Body:
    """Fields added to a bill when issued: number, time, day, and due date."""
    shop = shop_of(document)
    looks, days = looks_of(shop), shop.due_days if shop else None
    due = looks.due(at, days).isoformat() if days is not None and document["type_code"] == DEBIT else None
    return {
        "invoice": f"{shop.invoice_prefix if shop else ''}{number}",
        "number_in_series": number,
        "issued_at": at,
        "date": looks.day(at).isoformat(),
        "due": due,
    }


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
            "this book came back from a backup, and what was issued after the backup is not in it: look at the last "
            f"invoice or credit note on paper and add `--last NUMBER` (`--last {used}` where none is newer)"
        )
    if last < used or (last > used and not restored):
        raise Refused(f"the last number of this book is {used}: leave `--last` out, or write `--last {used}`")
    return last
