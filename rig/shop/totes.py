"""The totes of a truck and its yard tank, from the book: content of each, and which one is connected, at any time.

Only reads records; it must not know how a fill is made, nor how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.fluid import Fluid, FluidError, read_fluid
from rig.ledger.balance import Booked, Content, Move, contents
from rig.run.assembly import fluid_of
from rig.run.settings import Settings

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

UNNAMED = ""
"""The name of the only tote of a shop that has named none."""
_NOTED: dict[str, tuple[Move, str]] = {
    "dip": ("dip", "tote_l"), "rinse": ("rinse", "rinsed_l"), "spill": ("spill", "spilled_l"),
    "return": ("return", "drawn_l"), "yard": ("told", "tote_l"),
}  # fmt: skip
"""Records of a single movement, and the field that holds the litres."""
NOTED_KINDS = ("load", *_NOTED)
"""Kinds of records, other than fills, that change a tote's content."""
_OF_A_FILL: tuple[tuple[Move, str], ...] = (
    ("ticket", "net_l"), ("hose", "hose_change_l"), ("vent", "vented_l"), ("spill", "spilled_l"),
)  # fmt: skip
_STRENGTH_KNOWN = 0.01
"""Strengths that differ by less count as one liquid: a batch mixed from bags is known no better. Common practice."""


@dataclass(frozen=True, slots=True)
class Tote:
    """One tote, or the yard tank. Litres; None if not entered."""

    name: str
    capacity_l: float | None = None
    reorder_l: float | None = None
    """Order again when less than this is left."""
    fluid: str = ""
    """The intended liquid; the actual one is in its content."""
    yard: bool = False
    """It is the yard tank, from which totes are loaded."""
    connected: bool = False
    """The pump draws from it."""
    content: Content = Content()

    @property
    def title(self) -> str:
        """Name of the tote for use in a sentence."""
        if not self.name:
            return "the tote"
        return f"yard tank {self.name}" if self.yard else f"tote {self.name}"

    @property
    def fluids(self) -> tuple[str, ...]:
        """Liquids in it, largest share first; if unknown, the intended one."""
        return self.content.fluids or ((self.fluid,) if self.fluid else ())

    @property
    def low(self) -> bool:
        """Whether it is below its reorder threshold."""
        return self.reorder_l is not None and self.content.left_l is not None and self.content.left_l < self.reorder_l


def totes_of(book: Book) -> list[Tote]:
    """Every tote in the book; the connected one first."""
    told = {str(each.document["tote"]): each.document for each in book.valid("tote", truck=book.own)}
    found, drawn_from = contents(movements(book)), connected_at(book)
    names = dict.fromkeys([drawn_from, *told, *found])
    return [tote_as_told(name, told.get(name, {}), found.get(name, Content()), name == drawn_from) for name in names]


def tote_as_told(name: str, told: Mapping[str, object], content: Content, connected: bool) -> Tote:
    """Build a tote from its entered data and its content."""

    def litres(field: str) -> float | None:
        value = told.get(field)
        return float(value) if isinstance(value, int | float) else None

    return Tote(
        name=name,
        capacity_l=litres("capacity_l"),
        reorder_l=litres("reorder_l"),
        fluid=str(told.get("fluid") or ""),
        yard=bool(told.get("yard")),
        connected=connected,
        content=content,
    )


def connected_at(book: Book, ended: int | None = None) -> str:
    """The tote connected now, or when the book ``ended`` with a record; empty for the unnamed one."""
    told = _until(book, book.valid("connect", truck=book.own), ended)
    return str(told[-1].document["tote"]) if told else UNNAMED


def tote_facts(book: Book, ended: int | None) -> dict[str, object]:
    """Tote and lot of work that began when the book ``ended`` with a record (None: unknown, so the present state)."""
    name = connected_at(book, ended)
    if not book.keys("load") | book.keys("dip"):
        return {"tote": name, "lot": ""}
    return {"tote": name, "lot": contents(movements(book, ended=ended)).get(name, Content()).lot_text}


def _until(book: Book, records: list[Record], ended: int | None) -> list[Record]:
    """The records that the book contained when its last serial number was ``ended``."""
    if ended is None:
        return records
    return [each for each in records if each.truck != book.truck or book.origin(each) <= ended]


def returned_to(book: Book, to: str, ended: int | None = None) -> str | None:
    """The tote that received drained liquid, from a person's entry; None if it went elsewhere."""
    said = " ".join(to.casefold().split())
    if said == "tote":
        return connected_at(book, ended)
    names = {each.document["tote"] for each in book.valid("tote", truck=book.own)}
    named = {str(name).casefold(): str(name) for name in names if name}
    return named.get(said.removeprefix("tote "))


def movements(
    book: Book, since: str | None = None, until: str | None = None, *, ended: int | None = None
) -> list[Booked]:
    """All movements of this truck's totes, in the order of the book.

    Limited to a period, or to the time when the book ``ended`` with a record.
    """
    records = book.valid((*NOTED_KINDS, "fill"), since=since, until=until, truck=book.own)
    return [move for record in _until(book, records, ended) for move in moves_of(record)]


def moves_of(record: Record) -> Iterator[Booked]:
    """The movements into or out of totes that one record states, or the content it found in one."""
    if record.kind == "load":
        yield from _loaded(record)
    elif record.kind == "fill":
        for move, name in _OF_A_FILL:
            yield _booked(record, move, name)
    elif record.kind == "spill" and record.document.get("fill_id"):
        # It left the tote through the meter: this share of the ticket's volume was spilled.
        spilled = _booked(record, "spill", "spilled_l")
        yield from (replace(spilled, move="ticket", litres=-spilled.litres), spilled)
    elif _of_a_tote(record.kind, record.document):
        yield _booked(record, *_NOTED[record.kind])


def _loaded(record: Record) -> Iterator[Booked]:
    body = record.document
    tote, source = str(body.get("tote") or ""), body.get("from")
    if source is None:
        yield _booked(record, "load", "loaded_l")
        return
    # Leave the source before entering the destination: the content depends on that order.
    yield Booked(record.at, "out", litres_of(body, "loaded_l"), str(source), truck=record.truck)
    parts = body["parts"]
    assert isinstance(parts, list)
    for fluid, lot, litres in parts:
        yield Booked(record.at, "load", litres, tote, fluid, lot, record.truck)


def _booked(record: Record, move: Move, name: str) -> Booked:
    body, into = record.document, move in ("dip", "told", "load", "return")
    return Booked(
        record.at,
        move,
        litres_of(body, name),
        str(body.get("tote") or ""),
        str(body.get("fluid") or "") if into else "",
        "returned" if move == "return" else str(body.get("lot") or "") if into else "",
        record.truck,
    )


def _of_a_tote(kind: str, body: Mapping[str, object]) -> bool:
    """Whether it changed a tote: a return only if it went into one, a rinse unless it used plain water."""
    if kind == "return":
        return body.get("tote") is not None
    return body.get("from_tote") is not False


def litres_of(body: Mapping[str, object], name: str) -> float:
    """A number from a record's body; 0 if absent."""
    value = body.get(name) or 0.0
    assert isinstance(value, int | float)
    return float(value)


def same_fluid(settings: Settings | None, one: str, other: str) -> bool:
    """Whether two texts name the same liquid, regardless of how its strength is written."""
    first, second = read_as(settings, one), read_as(settings, other)
    if first is None or second is None:
        return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
    if first.kind != second.kind or (first.kind == "shop" and first.name.casefold() != second.name.casefold()):
        return False
    return abs((first.strength or 0.0) - (second.strength or 0.0)) <= _STRENGTH_KNOWN


def as_written(settings: Settings | None, text: str) -> str:
    """A liquid's name as the program writes it; the text as typed if it cannot be parsed."""
    found = read_as(settings, text)
    return text.strip() if found is None else found.name


def read_as(settings: Settings | None, text: str) -> Fluid | None:
    """The liquid that a text names; None if it cannot be parsed."""
    try:
        return read_fluid(text) if settings is None else fluid_of(settings, text)
    except FluidError:
        return None


def by_name(totes: Sequence[Tote], name: str | None) -> Tote | None:
    """The tote with this name, or the connected one if ``name`` is None; None if there is none."""
    return next((each for each in totes if (each.connected if name is None else each.name == name)), None)
