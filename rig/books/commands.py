"""Puts every command about the book on the command line. Knows their modules; must not know what they do."""

from __future__ import annotations

from rig.books.backing import add_backing
from rig.books.bill import add_bill
from rig.books.clock import add_clock
from rig.books.compare import add_compare
from rig.books.ledger import add_ledger
from rig.books.notes import add_notes
from rig.books.office import add_office
from rig.books.quote import add_quote
from rig.books.stock import add_stock
from rig.books.ticket import add_ticket
from rig.books.where import Add


def add_book_commands(add: Add) -> None:
    """Add them all."""
    for each in (
        add_ledger,
        add_backing,
        add_notes,
        add_ticket,
        add_bill,
        add_quote,
        add_compare,
        add_stock,
        add_office,
        add_clock,
    ):
        each(add)
