"""The readings of every tote and yard tank beside its bookings, from a truck's book or from the office's.

Only reads records; what the readings mean is in :mod:`rig.ledger.explaining`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.ledger.balance import Booked, Content, contents
from rig.ledger.stocktaking import Reading, readings_of
from rig.record.notes import Dip, ToteFacts
from rig.sentence import Wording
from rig.shop.posting import called, place_of
from rig.shop.totes import NOTED_KINDS, Tote, movements, moves_of, totes_of
from rig.shop.yard import OFFICE_SAYS, yard_account

if TYPE_CHECKING:
    from rig.ledger.book import Book


@dataclass(frozen=True, slots=True)
class History:
    """One vessel and its readings in a period."""

    title: str
    """For use in a sentence."""
    tote: str
    truck: str
    """Name of the rig; of a yard tank over all trucks empty."""
    readings: tuple[Reading, ...]
    held: Content
    """Its content at the end of the period; not known where it was neither dipped nor loaded in it."""


def own_histories(book: Book, since: str, until: str) -> list[History]:
    """The totes of one truck, and the yard tanks that the office keeps no account of for it."""
    moves, name = movements(book, since, until), called(book, book.truck)
    accounted = {Dip.of(each).tote for each in book.valid(OFFICE_SAYS, truck=book.own)}
    return [
        History(tote.title, tote.name, name, _readings(moves, tote.name, tote.capacity_l), tote.content)
        for tote in totes_of(book)
        if tote.name not in accounted
    ]


def all_histories(office: Book, since: str, until: str) -> list[History]:
    """The yard tanks over all trucks, then the totes of each truck."""
    tanks, moves = yard_account(office, until)
    held = contents(moves)
    moves = [move for move in moves if move.at >= since]
    found = [
        History(
            Tote(facts.tote, yard=True).title,
            facts.tote,
            "",
            _readings(moves, name, facts.capacity_l),
            held.get(name, Content()),
        )
        for name, facts in tanks.items()
    ]
    for truck in office.heads():
        found += _of_truck(office, truck, since, until, set(tanks))
    return found


def _of_truck(office: Book, truck: str, since: str, until: str, yards: set[str]) -> list[History]:
    facts = {said.tote: said for said in map(ToteFacts.of, office.valid("tote", truck=truck))}
    records = office.valid((*NOTED_KINDS, "fill"), since=since, until=until, truck=truck)
    moves = [move for record in records for move in moves_of(record)]
    names = dict.fromkeys((*facts, *(move.tote for move in moves)))
    name, held = called(office, truck), contents(moves)
    return [
        History(
            Wording("tote.of", "{tote} of {name}")(tote=Tote(tote).title, name=name),
            tote,
            name,
            _readings(moves, tote, facts.get(tote, ToteFacts(tote=tote)).capacity_l),
            held.get(tote, Content()),
        )
        for tote in names
        if place_of(tote) not in yards
    ]


def _readings(moves: Iterable[Booked], tote: str, capacity_l: float | None) -> tuple[Reading, ...]:
    return tuple(readings_of((move for move in moves if move.tote == tote), capacity_l))
