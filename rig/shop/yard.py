"""Yard tanks that several trucks load from: one account over all their records, as the office has them.

A tank is identified by its name, in any spelling. Times are those of each truck's clock. A truck's own book has only
what it took itself; the office's last figure is kept there as one more dip of the tank.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.ledger.balance import Balance, Booked, Content, balances, contents
from rig.record.base import values_of
from rig.record.notes import Connect, Dip, ToteFacts
from rig.shop.posting import place_of
from rig.shop.totes import NOTED_KINDS, Tote, moves_of, tote_as_entered, totes_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

OFFICE_SAYS = "yard"
"""The kind of a truck's record of the office's figure for a yard tank's content."""
_DIFFERS_L = 0.05


@dataclass(frozen=True, slots=True)
class YardTank:
    """A yard tank over all trucks."""

    tote: Tote
    balance: Balance
    """Between its first and its last dip in the period."""
    taken_l: dict[str, float]
    """Litres that each truck loaded out of it in the period."""
    brought_l: float
    """Litres delivered into it in the period, by any truck's records."""


def yard_tanks(book: Book, since: str | None = None, until: str | None = None) -> list[YardTank]:
    """Every named yard tank of any truck; contents at ``until``, sums and balance over the period."""
    entered, moves = yard_account(book, until)
    found, asked = contents(moves), [move for move in moves if since is None or move.at >= since]
    balanced = balances(asked)
    return [
        YardTank(
            tote_as_entered(facts, found.get(name, Content()), connected=False),
            balanced.get(name, Balance(None, {})),
            _taken(move for move in asked if move.tote == name),
            sum(move.litres for move in asked if move.tote == name and move.move == "load"),
        )
        for name, facts in entered.items()
    ]


def yard_account(book: Book, until: str | None = None) -> tuple[dict[str, ToteFacts], list[Booked]]:
    """The data of each named yard tank of any truck, and all movements of these, under the tank's common name."""
    entered: dict[str, ToteFacts] = {}
    known: set[tuple[str, str]] = set()
    entries = _yard_entries(book)
    for record in entries:
        facts = ToteFacts.of(record)
        name = place_of(facts.tote)
        # The latest entry is valid; the name keeps its first spelling.
        given = {key: value for key, value in values_of(facts).items() if value is not None}
        entered[name] = replace(entered.get(name, facts), **given | {"tote": entered.get(name, facts).tote})
        known |= {(record.truck, name), (book.truck, name)}
    return entered, [move for move in _moves(book, entries, until) if (move.truck, move.tote) in known]


def _yard_entries(book: Book) -> list[Record]:
    # Truck by truck, because the book has an index for that.
    found = book.valid("tote", truck=tuple(book.heads()))
    return [each for each in found if (facts := ToteFacts.of(each)).yard and place_of(facts.tote)]


def _moves(book: Book, entries: Sequence[Record], until: str | None) -> list[Booked]:
    """Movements of these trucks' totes, in the order of the book, under the tank's common name."""
    # Fills draw from a yard tank only if one was connected; avoid reading a year's fills of all trucks.
    trucks = {book.truck, *(each.truck for each in entries)}
    yards = {(each.truck, ToteFacts.of(each).tote) for each in entries}
    connected = book.valid("connect", truck=trucks)
    pumping = {each.truck for each in connected if (each.truck, Connect.of(each).tote) in yards}
    noted = book.valid(NOTED_KINDS, until=until, truck=trucks)
    records = book.in_order([*noted, *(book.valid("fill", until=until, truck=pumping) if pumping else ())])
    moves = (move for record in records for move in moves_of(record))
    return [replace(move, tote=place_of(move.tote)) for move in moves if move.move != "told"]


def _taken(moves: Iterator[Booked]) -> dict[str, float]:
    sums: dict[str, float] = {}
    for move in moves:
        if move.move == "out":
            sums[move.truck] = sums.get(move.truck, 0.0) + move.litres
    return sums


def note_yard(truck: WritableBook, office: Book, at: str) -> list[Tote]:
    """Enter the office's figures for the yard tanks into a truck's book; returns the tanks whose figure changed."""
    own = {place_of(tote.name): tote for tote in totes_of(truck) if tote.yard and tote.name}
    news = []
    for tank in yard_tanks(office):
        tote, content = own.get(place_of(tank.tote.name)), tank.tote.content
        if tote is None or content.left_l is None:
            continue
        if tote.content.left_l is not None and abs(tote.content.left_l - content.left_l) <= _DIFFERS_L:
            continue
        said = Dip(tote=tote.name, tote_l=round(content.left_l, 3))
        if len(content.fluids) == 1:
            said = replace(said, fluid=content.fluids[0], lot=content.lot_text)
        truck.note(OFFICE_SAYS, at, said.document())
        news.append(tank.tote)
    return news
