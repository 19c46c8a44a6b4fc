"""Work of all trucks that no invoice has, by job, and the invoices that were issued; from the office's book.

A job is billed where its truck has issued an invoice that no credit note cancels, and nothing was written of the job
since. Reads; must not know how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.books.bill import BILLED, by_job, job_lines, refuse_copies, single
from rig.books.bill_paper import CREDIT
from rig.books.invoicing import INVOICE
from rig.books.prices import PRICES, PriceLists
from rig.ledger.pricing import priced
from rig.record.notes import Customer, Job, OnWheel
from rig.record.papers import Invoice, Priced
from rig.shop.customers import CUSTOMER
from rig.shop.filled import OF_A_FILL, Filled, filled
from rig.shop.posting import FILL

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record


@dataclass(frozen=True, slots=True)
class Issued:
    """An issued document; ``state`` is ``credit`` for a credit note, ``cancelled`` if one cancels it, else empty."""

    record: Record
    invoice: Invoice
    state: str


@dataclass(frozen=True, slots=True)
class Unbilled:
    """The work of one job on one truck that is still to be billed."""

    truck: str
    job: str
    """Empty for a single piece of work without a job."""
    customer: str
    work: tuple[Record, ...]
    """At least one."""
    litres: float
    unknown: int
    """Fills whose litres are not known until a person enters them; they are not in ``litres``."""
    before: str
    """The invoice after which there was more work; empty if there was none."""


def issued(book: Book, since: str) -> list[Issued]:
    """Invoices and credit notes of all trucks since a time, in the order of the book."""
    found = [(each, Invoice.of(each)) for each in book.valid(INVOICE, truck=tuple(book.heads()), since=since)]
    cancelled = {(record.truck, said.cancels) for record, said in found if said.type_code == CREDIT}
    return [
        Issued(record, said, _state(said, cancelled=(record.truck, said.number_in_series) in cancelled))
        for record, said in found
    ]


def _state(said: Invoice, *, cancelled: bool) -> str:
    if said.type_code == CREDIT:
        return "credit"
    return "cancelled" if cancelled else ""


def unbilled(book: Book, since: str) -> list[Unbilled]:
    """Work since a time that no invoice has, by truck and job, in the order of the book."""
    trucks = tuple(book.heads())
    standing = {(each.record.truck, each.invoice.job): each for each in issued(book, since) if not each.state}
    jobs = by_job(book.valid(BILLED, truck=trucks, since=since))
    fills = [each for work in jobs.values() for each in work if each.kind == FILL]
    litres = {each.record: each for each in filled(book, fills, book.valid(OF_A_FILL, truck=trucks, since=since))}
    found = []
    for (truck, job), work in jobs.items():
        bill = standing.get((truck, job))
        if bill is None or any(each.serial > bill.record.serial for each in work):
            found.append(_unbilled(truck, job, work, [litres[each] for each in work if each.kind == FILL], bill))
    return found


def _unbilled(truck: str, job: str, work: Sequence[Record], fills: Sequence[Filled], bill: Issued | None) -> Unbilled:
    customers = [said for each in work if (said := OnWheel.of(each).customer)]
    litres = sum(each.moved_l for each in fills if each.known)
    unknown = sum(not each.known for each in fills)
    own = "" if job == single(work[0]) else job
    before = "" if bill is None else bill.invoice.invoice
    return Unbilled(truck, own, customers[-1] if customers else "", tuple(work), litres, unknown, before)


def price_of(book: Book, found: Unbilled) -> Priced:
    """What the whole job of unbilled work costs at its truck's prices; Refused without a price or a person's figure."""
    work = book.valid(BILLED, job=found.job) if found.job else list(found.work)
    work = [each for each in work if each.truck == found.truck]
    refuse_copies(work)
    lists = PriceLists(book, book.valid(PRICES, truck=found.truck))
    noted = book.valid(OF_A_FILL, truck=found.truck, since=work[0].at)
    prices, lines = job_lines(book, lists, work, noted, exempt=_exempt(book, found))
    return priced(prices.currency, lines, prices.tax.rounding)


def _exempt(book: Book, found: Unbilled) -> bool:
    about = [Job.of(each) for each in book.valid("job", job=found.job, truck=found.truck)] if found.job else []
    number = about[-1].customer_number if about else OnWheel.of(found.work[-1]).customer_number
    customers = map(Customer.of, book.valid(CUSTOMER, truck=found.truck)) if number else ()
    return any(each.tax_exempt for each in about) or any(
        each.tax_exempt for each in customers if each.customer_number == number
    )
