"""The totes of a truck and its yard tank, by the book: what is in each, which one the pump draws from, at any time.

Reads records and asks nobody; it must not know how a fill is made, nor how any of it is shown.
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
"""The name of the one tote of a shop that has named none."""
_NOTED: dict[str, tuple[Move, str]] = {
    "dip": ("dip", "tote_l"), "rinse": ("rinse", "rinsed_l"), "spill": ("spill", "spilled_l"),
    "return": ("return", "drawn_l"), "yard": ("told", "tote_l"),
}  # fmt: skip
"""Records of one movement, and under which name the litres stand."""
NOTED_KINDS = ("load", *_NOTED)
"""Kinds of records besides fills that move a tote."""
_OF_A_FILL: tuple[tuple[Move, str], ...] = (
    ("ticket", "net_l"), ("hose", "hose_change_l"), ("vent", "vented_l"), ("spill", "spilled_l"),
)  # fmt: skip
_STRENGTH_KNOWN = 0.01
"""Mixes nearer than this are one liquid: no better is a mix known by the bag and the bucket. Common practice."""


@dataclass(frozen=True, slots=True)
class Tote:
    """One tote, or the yard tank. Litres; None where it was not told."""

    name: str
    capacity_l: float | None = None
    reorder_l: float | None = None
    """Order again when less than this is left."""
    fluid: str = ""
    """What it is for; what is in it is told by its content."""
    yard: bool = False
    """It stays in the yard: totes are loaded from it."""
    connected: bool = False
    """The pump draws from it."""
    content: Content = Content()

    @property
    def title(self) -> str:
        """As a sentence names it."""
        if not self.name:
            return "the tote"
        return f"yard tank {self.name}" if self.yard else f"tote {self.name}"

    @property
    def fluids(self) -> tuple[str, ...]:
        """What is in it, most first; where nobody has told, what it is for."""
        return self.content.fluids or ((self.fluid,) if self.fluid else ())

    @property
    def low(self) -> bool:
        """Below its reorder mark."""
        return self.reorder_l is not None and self.content.left_l is not None and self.content.left_l < self.reorder_l


def totes_of(book: Book) -> list[Tote]:
    """Every tote that the book knows; the connected one first."""
    told = {str(each.document["tote"]): each.document for each in book.valid("tote", truck=book.own)}
    found, drawn_from = contents(movements(book)), connected_at(book)
    names = dict.fromkeys([drawn_from, *told, *found])
    return [tote_as_told(name, told.get(name, {}), found.get(name, Content()), name == drawn_from) for name in names]


def tote_as_told(name: str, told: Mapping[str, object], content: Content, connected: bool) -> Tote:
    """A tote of what was told of it and what moved it."""

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
    """The tote that the pump drew from, now or when the book ``ended`` with a record; empty for the unnamed one."""
    told = _until(book, book.valid("connect", truck=book.own), ended)
    return str(told[-1].document["tote"]) if told else UNNAMED


def tote_facts(book: Book, ended: int | None) -> dict[str, object]:
    """Tote and lot that work drew from which began when the book ``ended`` with a record (None: not known, so now)."""
    name = connected_at(book, ended)
    if not book.keys("load") | book.keys("dip"):
        return {"tote": name, "lot": ""}
    return {"tote": name, "lot": contents(movements(book, ended=ended)).get(name, Content()).lot_text}


def _until(book: Book, records: list[Record], ended: int | None) -> list[Record]:
    """The records that the book had when it ended with the serial number ``ended``."""
    if ended is None:
        return records
    return [each for each in records if each.truck != book.truck or book.origin(each) <= ended]


def returned_to(book: Book, to: str, ended: int | None = None) -> str | None:
    """The tote that something drawn out went into, by how a person says where; None where it went elsewhere."""
    said = " ".join(to.casefold().split())
    if said == "tote":
        return connected_at(book, ended)
    names = {each.document["tote"] for each in book.valid("tote", truck=book.own)}
    named = {str(name).casefold(): str(name) for name in names if name}
    return named.get(said.removeprefix("tote "))


def movements(
    book: Book, since: str | None = None, until: str | None = None, *, ended: int | None = None
) -> list[Booked]:
    """Everything that moved this truck's totes, in the order of the book.

    Of a time, or as long as the book ``ended`` with a record.
    """
    records = book.valid((*NOTED_KINDS, "fill"), since=since, until=until, truck=book.own)
    return [move for record in _until(book, records, ended) for move in moves_of(record)]


def moves_of(record: Record) -> Iterator[Booked]:
    """What one record says was moved into totes or out of them, or found in one."""
    if record.kind == "load":
        yield from _loaded(record)
    elif record.kind == "fill":
        for move, name in _OF_A_FILL:
            yield _booked(record, move, name)
    elif record.kind == "spill" and record.document.get("fill_id"):
        # It left the tote through the meter: of what the ticket says, so much is on the ground.
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
    # Out of the one before it is in the other: what is taken for what may hang on that order.
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
    """Whether it moved a tote: what was drawn out only where it went into one, a rinse unless it was water."""
    if kind == "return":
        return body.get("tote") is not None
    return body.get("from_tote") is not False


def litres_of(body: Mapping[str, object], name: str) -> float:
    """A number of a record's body; 0 where it has none."""
    value = body.get(name) or 0.0
    assert isinstance(value, int | float)
    return float(value)


def same_fluid(settings: Settings | None, one: str, other: str) -> bool:
    """Whether two texts name the same liquid, however its strength is written."""
    first, second = read_as(settings, one), read_as(settings, other)
    if first is None or second is None:
        return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
    if first.kind != second.kind or (first.kind == "shop" and first.name.casefold() != second.name.casefold()):
        return False
    return abs((first.strength or 0.0) - (second.strength or 0.0)) <= _STRENGTH_KNOWN


def as_written(settings: Settings | None, text: str) -> str:
    """A liquid as the program writes it; as it was typed where that is no liquid that can be read."""
    found = read_as(settings, text)
    return text.strip() if found is None else found.name


def read_as(settings: Settings | None, text: str) -> Fluid | None:
    """The liquid that a text names; None where it is none that can be read."""
    try:
        return read_fluid(text) if settings is None else fluid_of(settings, text)
    except FluidError:
        return None


def by_name(totes: Sequence[Tote], name: str | None) -> Tote | None:
    """The tote of a name, the connected one without; None where there is none."""
    return next((each for each in totes if (each.connected if name is None else each.name == name)), None)
