"""Quotes, bills, invoices and credit notes as they are kept. Money and quantities are decimal text.

A bill is priced by :mod:`rig.ledger.pricing`; ``shop`` and ``to`` are parties of :mod:`rig.ledger.shop`.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.record.base import Document, Sealed, left_out
from rig.record.notes import Place


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line, and the records that it is of."""

    text: str
    quantity: str
    unit: str
    price: str
    amount: str
    category: str
    tax_percent: str
    tax: str | None
    """None: the tax is rounded on the sum."""
    of: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class TaxSum:
    """The tax of one rate, in percent, of a net sum."""

    percent: str
    of: str
    tax: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced(Sealed):
    """Lines and their sums."""

    currency: str
    lines: tuple[BillLine, ...]
    net: str
    taxes: tuple[TaxSum, ...]
    tax: str
    total: str
    rounding: str
    """How tax is rounded, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bill(Priced):
    """What a job costs; ``bill``: one printed by a version before invoices."""

    job: str
    customer: str | None = None
    customer_number: str | None = None
    address: str | None = None
    site: str | None = None
    machine: str | None = None
    to: Document | None = None
    """The customer's address; None: by its name alone."""
    shop: Document | None = None
    tax_exempt: str | None = None
    tax_name: str | None = None
    device: str | None = None
    done_at: str | None = None
    prices: tuple[int, ...] | None = None
    """Serial numbers of the price lists."""
    prices_came_later: bool = False
    """The first list was handed in after the work."""
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Invoice(Bill):
    """``invoice``: an issued bill, or the credit note that cancels one."""

    type_code: str
    """380: invoice, 381: credit note (UNTDID 1001)."""
    invoice: str
    """The number on paper, with the shop's prefix."""
    number_in_series: int
    issued_at: str
    date: str
    due: str | None
    replaces_bill: int | None = left_out()
    numbers_lost: tuple[int, ...] | None = left_out()
    """First and last number that were issued after the backup that the book came from."""
    cancels: int | None = left_out()
    cancels_invoice: str | None = left_out()
    cancels_date: str | None = left_out()


@dataclass(frozen=True, slots=True)
class QuotedWheel:
    """A wheel of a quote; ``level`` in words."""

    position: str
    size: str
    fluid: str
    level: str
    planned_l: str
    mass_kg: str
    freeze_c: float | None
    """Of the mix in the wheel; None where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quote(Priced):
    """``quote``: what a job's wheels will cost."""

    job: str
    prices: tuple[int, ...]
    planned_l: str
    wheels: tuple[QuotedWheel, ...] | None = None
    """None: from before quotes listed them."""
    accepted_by: str | None
    accepted_at: str | None = left_out()
    to: Document | None = None
    shop: Document | None = None
    tax_name: str | None = None
    tax_exempt: str | None = None
    made_at: str | None = None
