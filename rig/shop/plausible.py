"""Plausibility checks on what a person enters: each figure of a record in its range, its liquid a known one.

A figure outside its range may still be correct; the person is asked to confirm it. The module must not know how a
record is written, nor who asks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from rig.run.mistakes import nearest
from rig.run.session import Refused
from rig.run.settings import Settings
from rig.shop.filled import filled_one
from rig.shop.posting import FILL, RETURN, posted_under
from rig.shop.ranges import FARM, FARM_PRESSURE, LARGEST_TANK, LARGEST_WHEEL, NUMBER, PRESSURE, Range
from rig.shop.totes import litres_of, read_as, totes_of
from rig.shop.wheels import of_wheel
from rig.units import show_pressure, show_volume
from rig.wheel import cavity_of, read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

Body = Mapping[str, object]
Of = Literal["wheel", "tote", "pressure", "number"]


class Doubtful(Refused):
    """An entry failed its plausibility check; confirmed by its word (``--sure``), it is kept."""

    def __init__(self, doubts: Sequence[str]) -> None:
        """Create it from one sentence per doubt."""
        super().__init__("; ".join(doubts) + ". If it is so, say it again with --sure")
        self.doubts = tuple(doubts)


_FIGURES: dict[str, tuple[str, Of]] = {
    "return": ("drawn_l", "wheel"),
    "holds": ("holds_l", "wheel"),
    "figure": ("figure_l", "wheel"),
    FILL: ("net_l", "wheel"),
    "spill": ("spilled_l", "tote"),
    "rinse": ("rinsed_l", "tote"),
    "load": ("loaded_l", "tote"),
    "dip": ("tote_l", "tote"),
    "tote": ("capacity_l", "tote"),
    "finish": ("final_kpa", "pressure"),
    "charge": ("quantity", "number"),
}
"""The figure checked in each kind of record, and which range applies to it."""
_LIQUIDS = {"return": "fluid", "holds": "fluid", "load": "fluid", "dip": "fluid", "tote": "fluid", "conversion": "to"}
"""The liquid that each kind of record names."""
_NAMES = ("water", "beet", "cacl2:20%", "methanol:33.6%", "pg:50%vol", "eg:50%vol")


def refuse_doubtful(
    book: Book, settings: Settings | None, kind: str, body: Body, *, sure: bool, standing: Record | None = None
) -> None:
    """Raise Doubtful for an implausible record, unless a person is ``sure``; it is to replace ``standing``."""
    doubts = [] if sure else [*_of_figure(book, kind, body, standing), *_of_liquid(settings, kind, body)]
    if doubts:
        raise Doubtful(doubts)


def _of_figure(book: Book, kind: str, body: Body, standing: Record | None) -> Iterator[str]:
    name, of = _FIGURES.get(kind, ("", "number"))
    if body.get(name) is None:
        return
    value = float(str(body[name]))
    found = _range(book, of, body, standing)
    if not found.low <= value <= found.high:
        yield f"{_shown(of, value)} can hardly be: {found.source}"


def _shown(of: Of, value: float) -> str:
    if of == "number":
        return f"{value:g}"
    return show_pressure(value) if of == "pressure" else show_volume(value)


def _range(book: Book, of: Of, body: Body, standing: Record | None) -> Range:
    if of == "number":
        return NUMBER
    if of == "tote":
        return _of_tote(book, body, standing)
    size = size_of_wheel(book, body)
    if of == "wheel":
        return _of_cavity(size) if size else LARGEST_WHEEL
    farm = bool(size) and read_size(size).tyre_class in FARM
    return FARM_PRESSURE if farm else PRESSURE


def _of_cavity(size: str) -> Range:
    cavity = cavity_of(read_size(size))
    return Range(0.0, cavity.high_l, f"a {size} holds {show_volume(cavity.high_l)} at most ({cavity.basis})")


def _of_tote(book: Book, body: Body, standing: Record | None) -> Range:
    """Range of a tote's figure: up to its capacity if entered; for a spill of a fill, up to the fill's volume."""
    fill = posted_under(book, str(body["fill_id"])) if body.get("fill_id") else None
    if fill is not None:
        other_l = filled_one(book, fill).spilled_l - (litres_of(standing.document, "spilled_l") if standing else 0.0)
        most_l = litres_of(fill.document, "net_l") + litres_of(fill.document, "net_u_l") - other_l
        return Range(0.0, most_l, f"the fill moved {show_volume(most_l)} at most besides what was noted")
    tote = next((each for each in totes_of(book) if each.name == body.get("tote")), None)
    if tote is None or tote.capacity_l is None or "capacity_l" in body:
        return LARGEST_TANK
    return Range(0.0, tote.capacity_l, f"{tote.title} takes {show_volume(tote.capacity_l)}")


def size_of_wheel(book: Book, body: Body) -> str:
    """The size of the wheel of a record, as last filled or emptied; empty if unknown."""
    if body.get("size"):
        return str(body["size"])
    if body.get("fill_id"):
        fill = posted_under(book, str(body["fill_id"]))
        return str(fill.document.get("size") or "") if fill else ""
    known: list[Record] = of_wheel(book, (FILL, RETURN), str(body.get("job") or ""), str(body.get("position") or ""))
    return next((str(size) for each in reversed(known) if (size := each.document.get("size"))), "")


def _of_liquid(settings: Settings | None, kind: str, body: Body) -> Iterator[str]:
    text = str(body.get(_LIQUIDS.get(kind, "")) or "")
    if text and read_as(settings, text) is None:
        own: Collection[str] = settings.fluids if settings else ()
        yield f"{text!r} is no liquid that is known{nearest(text, [*_NAMES, *own])}"
