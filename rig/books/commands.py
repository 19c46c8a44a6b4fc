"""Puts every command about the book on the command line. Knows their modules; must not know what they do."""

from __future__ import annotations

from rig.books.backing import add_backing
from rig.books.billing import add_billing
from rig.books.clock import add_clock
from rig.books.compare import add_compare
from rig.books.customers import add_customer
from rig.books.ledger import add_ledger
from rig.books.notes import add_notes
from rig.books.office import add_office
from rig.books.prices import add_prices
from rig.books.quote import add_quote
from rig.books.stock import add_stock
from rig.books.tag import add_tag
from rig.books.ticket import add_ticket
from rig.books.where import Add


def add_book_commands(add: Add) -> None:
    """Add them all."""
    for each in (
        add_ledger, add_backing, add_notes, add_customer, add_ticket, add_prices, add_billing, add_quote, add_compare,
        add_stock, add_tag, add_office, add_clock,
    ):  # fmt: skip
        each(add)
