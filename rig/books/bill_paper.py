"""Layout of a bill, a credit note or a quote on paper, from its stored document. Computes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.books.looks import Looks
from rig.books.paper import Block, Head, Paper, Rows, Table
from rig.books.wording import NOT_APPROVED, SIMULATED
from rig.ledger.shop import Shop, party_of

Document = Mapping[str, object]
CREDIT = "381"
"""Code of a credit note (UNTDID 1001, as in EN 16931 BT-3); an invoice is 380."""


def bill_paper(
    bill: Document, looks: Looks, head: Head | None, marks: Sequence[str], at: str, number: str = ""
) -> Paper:
    """A bill or a credit note; ``number`` is the one it was issued under, empty for a draft."""
    credit = bill.get("type_code") == CREDIT
    issued_at = str(bill.get("issued_at") or at)
    facts = [
        *_known(bill, ("customer_number", "customer no."), ("job", "job"), ("machine", "machine"), ("site", "site")),
        ("date", looks.day_of(bill, issued_at)),
        *([("work done", looks.day(str(bill["done_at"])).isoformat())] if bill.get("done_at") else []),
        *_known(bill, ("due", "due")),
    ]
    blocks = [
        *([Block("Cancels", _cancelled(bill))] if credit else []),
        Block("Work", (), lines_table(bill)),
        Block("", totals(bill, credit=credit), kind="sums"),
        *([] if credit else _payment(bill)),
    ]
    return Paper(
        title="CREDIT NOTE" if credit else "INVOICE" if number else "BILL",
        number=f"No. {number}" if number else "no number",
        at=at,
        marks=(*marks, *([SIMULATED] if bill.get("simulated") else [])),
        blocks=tuple(blocks),
        feet=(*_tax_feet(bill), f"Rounding: {bill['rounding']}.", *_prices_foot(bill), NOT_APPROVED,
              f"Printed {looks.moment(at)}"),
        head=head,
        to=addressed(bill),
        facts=tuple(facts),
        letter=looks.letter,
    )  # fmt: skip


def addressed(document: Document) -> tuple[str, ...]:
    """Name, address and tax number of the customer, also from a bill of an earlier version."""
    kept = document.get("to")
    if isinstance(kept, dict):
        to = party_of(kept)
        tax = [f"Tax number {to.tax_number}"] if to.tax_number else []
        return (to.name, *to.lines(), *tax)
    return tuple(str(document[name]) for name in ("customer", "address") if document.get(name))


def _known(document: Document, *names: tuple[str, str]) -> list[tuple[str, str]]:
    return [(label, str(document[name])) for name, label in names if document.get(name) is not None]


def _cancelled(bill: Document) -> Rows:
    return (("invoice", f"No. {bill['cancels_invoice']} of {bill['cancels_date']}"), ("because", str(bill["why"])))


def _payment(bill: Document) -> list[Block]:
    kept = bill.get("shop")
    if not isinstance(kept, dict):
        return []
    shop = Shop.model_validate(kept)
    rows = [
        (label, text) for label, text in (("terms", shop.terms), ("pay to", shop.bank), ("IBAN", shop.iban)) if text
    ]
    return [Block("Payment", tuple(rows))] if rows else []


def _tax_feet(bill: Document) -> list[str]:
    return [f"No tax: {bill['tax_exempt']}"] if bill.get("tax_exempt") else []


def _prices_foot(bill: Document) -> list[str]:
    numbers = bill.get("prices")
    if not isinstance(numbers, list):
        return []
    when = "handed in after the work" if bill.get("prices_came_later") else "in force when the work was done"
    return [f"Prices by the list in record {', '.join(map(str, numbers))} of this truck, {when}."]


def lines_of_bill(bill: Document) -> list[dict[str, object]]:
    """The lines of a bill in its document."""
    lines = bill["lines"]
    assert isinstance(lines, list)
    return lines


def lines_table(bill: Document) -> Table:
    """The lines, with their tax if it is rounded per line: every figure of the sums is printed."""
    lines = lines_of_bill(bill)
    each = [f"{line['tax']}" for line in lines if line["tax"] is not None]
    return (
        ("what", "quantity", "price", "rate", *(["tax"] if each else []), "amount"),
        *(
            (
                str(line["text"]),
                f"{line['quantity']} {line['unit']}",
                f"{line['price']}",
                f"{line['tax_percent']} %",
                *([each[number]] if each else []),
                str(line["amount"]),
            )
            for number, line in enumerate(lines)
        ),
    )


def totals(bill: Document, *, credit: bool = False) -> Rows:
    """The amount to pay, from sums that can be checked."""
    taxes, currency, name = bill["taxes"], bill["currency"], bill.get("tax_name") or "tax"
    assert isinstance(taxes, list)
    return (
        ("before tax", f"{bill['net']} {currency}"),
        *((f"{name} {each['percent']} % of {each['of']}", f"{each['tax']} {currency}") for each in taxes),
        ("CREDITED" if credit else "TOTAL", f"{bill['total']} {currency}"),
    )
