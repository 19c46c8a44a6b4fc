"""Plausibility checks on what a person enters: each figure of a record in its range, its liquid a known one.

A figure outside its range may still be correct; the person is asked to confirm it. The module must not know how a
record is written, nor who asks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from rig.record.base import Sealed
from rig.record.notes import (
    Charge,
    Conversion,
    Dip,
    Figure,
    Finish,
    Holds,
    Load,
    Moved,
    OnWheel,
    Returned,
    Rinsed,
    Spilled,
    ToteFacts,
)  # fmt: skip
from rig.record.work import PumpWork
from rig.run.mistakes import closest
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording
from rig.shop.filled import filled_one
from rig.shop.posting import FILL, RETURN, posted_under, pumped
from rig.shop.ranges import FARM, FARM_PRESSURE, LARGEST_TANK, LARGEST_WHEEL, NUMBER, PRESSURE, Range
from rig.shop.totes import read_as, totes_of
from rig.shop.wheels import of_wheel
from rig.wheel import cavity_of, read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

Of = Literal["wheel", "tote", "pressure", "number"]


class Doubtful(Refused):
    """An entry failed its plausibility check; confirmed by its word (``--sure``), it is kept."""

    def __init__(self, doubts: Sequence[Sentence]) -> None:
        """Create it from one sentence per doubt."""
        super().__init__("; ".join(doubts) + ". If it is so, say it again with --sure")
        self.doubts = tuple(doubts)


_NAMES = ("water", "beet", "cacl2:20%", "methanol:33.6%", "pg:50%vol", "eg:50%vol")


def refuse_doubtful(
    book: Book, settings: Settings | None, said: Sealed, *, sure: bool, standing: Record | None = None
) -> None:
    """Raise Doubtful for an implausible record, unless a person is ``sure``; it is to replace ``standing``."""
    doubts = [] if sure else [*_of_figure(book, said, standing), *_of_liquid(settings, said)]
    if doubts:
        raise Doubtful(doubts)


def _figure_of(said: Sealed) -> tuple[float | None, Of]:
    """The figure of a record that is checked, and which range applies to it; None: nothing to check."""
    match said:
        case PumpWork(drawn_l=None, rinsed_l=None, valve=str()):
            return said.net_l, "wheel"
        case PumpWork(drawn_l=float()) | Returned():
            return said.drawn_l, "wheel"
        case PumpWork(rinsed_l=float()) | Rinsed():
            return said.rinsed_l, "tote"
        case Holds():
            return said.holds_l, "wheel"
        case Figure():
            return said.figure_l, "wheel"
        case Spilled():
            return said.spilled_l, "tote"
        case Load():
            return said.loaded_l, "tote"
        case Dip():
            return said.tote_l, "tote"
        case ToteFacts():
            return said.capacity_l, "tote"
        case Finish():
            return said.final_kpa, "pressure"
        case Charge():
            return float(said.quantity), "number"
    return None, "number"


def _of_figure(book: Book, said: Sealed, standing: Record | None) -> Iterator[Sentence]:
    value, of = _figure_of(said)
    if value is None:
        return
    found = _range(book, of, said, standing)
    if not found.low <= value <= found.high:
        yield _HARDLY[of](value=value, why=found.source)


_VOLUME = Wording("doubt.volume", "{value:volume} can hardly be: {why}")
_HARDLY: Mapping[Of, Wording] = {
    "wheel": _VOLUME,
    "tote": _VOLUME,
    "pressure": Wording("doubt.pressure", "{value:pressure} can hardly be: {why}"),
    "number": Wording("doubt.number", "{value:number} can hardly be: {why}"),
}


def _range(book: Book, of: Of, said: Sealed, standing: Record | None) -> Range:
    if of == "number":
        return NUMBER
    if of == "tote":
        return _of_tote(book, said, standing)
    size = size_of_wheel(book, said)
    if of == "wheel":
        return _of_cavity(size) if size else LARGEST_WHEEL
    farm = bool(size) and read_size(size).tyre_class in FARM
    return FARM_PRESSURE if farm else PRESSURE


def _of_cavity(size: str) -> Range:
    cavity = cavity_of(read_size(size))
    words = Wording("range.cavity", "a {size} holds {most:volume} at most ({basis})")
    return Range(0.0, cavity.high_l, words(size=size, most=cavity.high_l, basis=cavity.basis))


def _of_tote(book: Book, said: Sealed, standing: Record | None) -> Range:
    """Range of a tote's figure: up to its capacity if entered; for a spill of a fill, up to the fill's volume."""
    fill = _fill_of(book, said)
    if fill is not None:
        other_l = filled_one(book, fill).spilled_l - (Spilled.of(standing).spilled_l if standing else 0.0)
        work = PumpWork.of(fill)
        most_l = work.net_l + work.net_u_l - other_l
        words = Wording("range.moved", "the fill moved {most:volume} at most besides what was noted")
        return Range(0.0, most_l, words(most=most_l))
    if isinstance(said, ToteFacts):
        return LARGEST_TANK
    name = said.tote if isinstance(said, Load | Dip | Moved | PumpWork) else None
    tote = next((each for each in totes_of(book) if each.name == name), None)
    if tote is None or tote.capacity_l is None:
        return LARGEST_TANK
    words = Wording("range.tote", "{tote} takes {most:volume}")
    return Range(0.0, tote.capacity_l, words(tote=tote.title, most=tote.capacity_l))


def _fill_of(book: Book, said: Sealed) -> Record | None:
    """The pump work that a note is about."""
    fill_id = said.fill_id if isinstance(said, Moved | Finish | Figure) else None
    return posted_under(book, fill_id) if fill_id else None


def size_of_wheel(book: Book, said: Sealed) -> str:
    """The size of the wheel of a record, as last filled or emptied; empty if unknown."""
    if isinstance(said, PumpWork):
        return said.size
    if isinstance(said, Moved | Finish | Figure) and said.fill_id:
        fill = _fill_of(book, said)
        return PumpWork.of(fill).size if fill else ""
    if not isinstance(said, OnWheel):
        return ""
    known = of_wheel(book, (FILL, RETURN), said.job or "", said.position or "")
    return next((work.size for each in reversed(known) if (work := pumped(each))), "")


def _of_liquid(settings: Settings | None, said: Sealed) -> Iterator[Sentence]:
    if isinstance(said, Conversion):
        text = said.to
    elif isinstance(said, Returned | Holds | Load | Dip | ToteFacts) or (isinstance(said, PumpWork) and said.drawn_l):
        text = said.fluid or ""
    else:
        return
    if text and read_as(settings, text) is None:
        own: Collection[str] = settings.fluids if settings else ()
        known = sorted({*_NAMES, *own})
        near = closest(text, known)
        if near is None:
            words = Wording("doubt.liquid", "'{text}' is no liquid that is known; known are {known}")
            yield words(text=text, known=", ".join(known))
        else:
            words = Wording("doubt.liquid_near", "'{text}' is no liquid that is known; did you mean '{near}'?")
            yield words(text=text, near=near)
