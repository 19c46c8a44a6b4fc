"""What the office's page says of money: unbilled work with its sums, bills issued, a month's bill per customer.

For owner and bookkeeper; money is decimal text, as it is kept.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from rig.books.bill import BILLED
from rig.books.month import month_bill, month_of, whose_of
from rig.books.unbilled import Unbilled, issued, price_of, unbilled
from rig.panel.office.figures import trucks_of
from rig.panel.office.kept import View
from rig.record.notes import OnWheel
from rig.run.refused import Refused
from rig.sentence import said_by

if TYPE_CHECKING:
    from rig.ledger.book import Book


def bills_view(book: Book, since: str) -> View:
    """Unbilled work with its sum, or why there is none, and the documents issued since a time, newest first."""
    names = trucks_of(book)
    documents = issued(book, since)
    sums: dict[tuple[str, str], Decimal] = {}
    for each in documents:
        if not each.state:
            whose = (each.invoice.customer or "", each.invoice.currency)
            sums[whose] = sums.get(whose, Decimal(0)) + Decimal(each.invoice.total)
    rows = [
        {
            "invoice": each.invoice.invoice, "date": each.invoice.date, "job": each.invoice.job, "state": each.state,
            "customer": each.invoice.customer or "", "truck": names.get(each.record.truck, each.record.truck),
            "total": each.invoice.total, "currency": each.invoice.currency,
        }
        for each in reversed(documents)
    ]  # fmt: skip
    return {
        "since": since,
        "unbilled": [_priced(book, each, names.get(each.truck, each.truck)) for each in unbilled(book, since)],
        "issued": rows,
        "sums": [{"customer": who, "currency": money, "total": str(total)} for (who, money), total in sums.items()],
    }


def _priced(book: Book, found: Unbilled, truck: str) -> View:
    about: View = {"truck": truck, "job": found.job, "customer": found.customer, "before": found.before}
    try:
        price = price_of(book, found)
    except Refused as error:
        return about | {"total": None, "currency": None, "why": said_by(error)}
    return about | {"total": price.total, "currency": price.currency, "why": ""}


def month_view(book: Book, month: str) -> View:
    """Each customer's bill of a month in one row."""
    since, until = month_of(month)
    work = book.valid(BILLED, truck=tuple(book.heads()), since=since, until=until)
    customers = sorted({said.customer for each in work if (said := OnWheel.of(each)).customer})
    rows: dict[str, View] = {}
    for name in customers:
        try:
            # Under a former name it is the same customer's.
            rows.setdefault(whose_of(book, name).names[0], _month_row(book, name, since, until))
        except Refused as error:
            rows[name] = {"customer": name, "total": None, "why": said_by(error)}
    nameless = sum(OnWheel.of(each).customer is None for each in work)
    return {"month": month, "bills": list(rows.values()), "nameless": nameless}


def _month_row(book: Book, name: str, since: str, until: str) -> View:
    bill = month_bill(book, name, since, until)
    return {each: bill[each] for each in ("customer", "fills", "jobs", "undated", "net", "tax", "total", "currency")}


def month_bill_view(book: Book, month: str, customer: str) -> View:
    """One customer's bill of a month, with its lines."""
    return month_bill(book, customer, *month_of(month))
