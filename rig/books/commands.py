"""Puts every command about the book on the command line. Knows their modules; must not know what they do."""

from __future__ import annotations

from rig.books.ledger import add_ledger
from rig.books.where import Add


def add_book_commands(add: Add) -> None:
    """Add them all."""
    for each in (add_ledger,):
        each(add)
