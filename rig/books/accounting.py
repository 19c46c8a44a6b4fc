"""Bills as a table for a spreadsheet or an accounting program, with the shop's own columns and accounts.

Every row is a line of a bill; if tax is rounded on the sum, each rate has a row of its own. So amounts and taxes of
the table add up to the totals of the bills, whatever its columns; amounts of a credit note are negative.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal

from rig.books.bill_paper import CREDIT
from rig.ledger.keeping import plain_cell
from rig.ledger.shop import Accounting
from rig.record.base import Document, values_of
from rig.record.papers import Bill, Invoice

_PLAIN = Accounting(
    columns=(
        ("bill", "invoice"), *((name, name) for name in (
            "date", "customer", "job", "text", "quantity", "unit", "price", "amount", "category", "tax_percent", "tax",
            "currency",
        )),
    )
)  # fmt: skip
"""The default columns."""
_FIGURES = ("quantity", "price", "amount", "tax_percent", "tax")
_SIGNED = ("quantity", "amount", "tax")


def table_of(bills: Iterable[Bill], wanted: Accounting | None) -> str:
    """The table of some bills, including drafts, as CSV text."""
    how = wanted or _PLAIN
    out = io.StringIO()
    table = csv.writer(out, delimiter=how.delimiter)
    table.writerow([heading for heading, _ in how.columns])
    for bill in bills:
        for row in _rows(bill, how):
            table.writerow([_cell(field, row.get(field), how) for _, field in how.columns])
    return out.getvalue()


def _cell(field: str, value: object, how: Accounting) -> object:
    if value is None or value == "":
        return ""
    if field in _FIGURES:
        # A number is no formula: its sign is kept.
        return str(value).replace(".", how.decimal)
    return plain_cell(date.fromisoformat(str(value)).strftime(how.date) if field in ("date", "due") else str(value))


def _rows(bill: Bill, how: Accounting) -> Iterator[Document]:
    issued = bill if isinstance(bill, Invoice) else None
    credit = issued is not None and issued.type_code == CREDIT
    head: Document = {
        "customer_number": bill.customer_number,
        "customer": bill.customer,
        "job": bill.job,
        "currency": bill.currency,
    }
    if issued is not None:
        head |= {"invoice": issued.invoice, "date": issued.date, "due": issued.due}
        head |= {"type": issued.type_code, "cancels": issued.cancels_invoice}
    for line in bill.lines:
        accounts = {"account": how.accounts.get(line.category), "tax_account": _tax_account(line.tax_percent, how)}
        yield head | _signed(values_of(line), credit=credit) | accounts
    for each in bill.taxes if any(line.tax is None for line in bill.lines) else ():
        account = _tax_account(each.percent, how)
        row: Document = {"text": f"{bill.tax_name or 'tax'} {each.percent} %", "category": "tax", "tax": each.tax}
        own: Document = {"tax_percent": each.percent, "account": account, "tax_account": account}
        yield head | _signed(row, credit=credit) | own


def _signed(line: Document, *, credit: bool) -> Document:
    return {
        name: -Decimal(str(value)) if credit and name in _SIGNED and value is not None else value
        for name, value in line.items()
    }


def _tax_account(percent: str, how: Accounting) -> str | None:
    """The tax account of a rate, compared as a number: 8.25 equals 8.250."""
    return next((name for rate, name in how.tax_accounts.items() if Decimal(rate) == Decimal(percent)), None)
