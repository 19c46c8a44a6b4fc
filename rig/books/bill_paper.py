"""Layout of a bill, a credit note or a quote on paper, from its stored document. Computes nothing."""

from __future__ import annotations

from collections.abc import Sequence

from rig.books.looks import Looks
from rig.books.paper import Block, Head, Paper, Rows, Table
from rig.books.wording import NOT_APPROVED, SIMULATED
from rig.ledger.shop import Shop, party_of
from rig.record.papers import Bill, Invoice, Priced, Quote

CREDIT = "381"
"""Code of a credit note (UNTDID 1001, as in EN 16931 BT-3); an invoice is 380."""


def bill_paper(
    bill: Bill, looks: Looks, head: Head | None, marks: Sequence[str], at: str, number: str = "", issued_at: str = ""
) -> Paper:
    """A bill or a credit note; ``number`` is the one it was issued under, and ``issued_at`` when, empty for a draft."""
    issued = bill if isinstance(bill, Invoice) else None
    credit = issued is not None and issued.type_code == CREDIT
    rows = (
        ("customer no.", bill.customer_number),
        ("job", bill.job),
        ("machine", bill.machine),
        ("site", bill.site),
        ("date", looks.day_of(bill.clock, issued.issued_at if issued else issued_at or at)),
        ("work done", looks.day(bill.done_at).isoformat() if bill.done_at else None),
        ("due", issued.due if issued else None),
    )
    blocks = [
        *([Block("Cancels", _cancelled(issued))] if issued and credit else []),
        Block("Work", (), lines_table(bill)),
        Block("", totals(bill, credit=credit), kind="sums"),
        *([] if credit else _payment(bill)),
    ]
    return Paper(
        title="CREDIT NOTE" if credit else "INVOICE" if number else "BILL",
        number=f"No. {number}" if number else "no number",
        at=at,
        marks=(*marks, *([SIMULATED] if bill.simulated else [])),
        blocks=tuple(blocks),
        feet=(*_tax_feet(bill), f"Rounding: {bill.rounding}.", *_prices_foot(bill), NOT_APPROVED,
              f"Printed {looks.moment(at)}"),
        head=head,
        to=addressed(bill),
        facts=tuple((label, text) for label, text in rows if text is not None),
        letter=looks.letter,
    )  # fmt: skip


def addressed(paper: Bill | Quote) -> tuple[str, ...]:
    """Name, address and tax number of the customer, also from a bill of an earlier version."""
    if paper.to is not None:
        to = party_of(paper.to)
        tax = [f"Tax number {to.tax_number}"] if to.tax_number else []
        return (to.name, *to.lines(), *tax)
    return tuple(text for text in (paper.customer, paper.address) if text) if isinstance(paper, Bill) else ()


def _cancelled(credit: Invoice) -> Rows:
    return (("invoice", f"No. {credit.cancels_invoice} of {credit.cancels_date}"), ("because", credit.why or ""))


def _payment(bill: Bill) -> list[Block]:
    if bill.shop is None:
        return []
    shop = Shop.model_validate(bill.shop)
    rows = [
        (label, text) for label, text in (("terms", shop.terms), ("pay to", shop.bank), ("IBAN", shop.iban)) if text
    ]
    return [Block("Payment", tuple(rows))] if rows else []


def _tax_feet(bill: Bill) -> list[str]:
    return [f"No tax: {bill.tax_exempt}"] if bill.tax_exempt else []


def _prices_foot(bill: Bill) -> list[str]:
    if bill.prices is None:
        return []
    when = "handed in after the work" if bill.prices_came_later else "in force when the work was done"
    return [f"Prices by the list in record {', '.join(map(str, bill.prices))} of this truck, {when}."]


def lines_table(bill: Priced) -> Table:
    """The lines, with their tax if it is rounded per line: every figure of the sums is printed."""
    taxed = any(line.tax is not None for line in bill.lines)
    return (
        ("what", "quantity", "price", "rate", *(["tax"] if taxed else []), "amount"),
        *(
            (
                line.text,
                f"{line.quantity} {line.unit}",
                line.price,
                f"{line.tax_percent} %",
                *([line.tax or ""] if taxed else []),
                line.amount,
            )
            for line in bill.lines
        ),
    )


def totals(bill: Bill | Quote, *, credit: bool = False) -> Rows:
    """The amount to pay, from sums that can be checked."""
    currency, name = bill.currency, bill.tax_name or "tax"
    return (
        ("before tax", f"{bill.net} {currency}"),
        *((f"{name} {each.percent} % of {each.of}", f"{each.tax} {currency}") for each in bill.taxes),
        ("CREDITED" if credit else "TOTAL", f"{bill.total} {currency}"),
    )
