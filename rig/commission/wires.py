"""What answers on the wires and what was read there: modules, places, snapshots, and ways to read a number. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Literal

from pydantic import Field, field_serializer

from rig.field.blocks import MOST_BITS, MOST_REGISTERS, Block
from rig.field.codec import DecodeError, decode
from rig.field.links import RtuLink
from rig.field.points import BIT_TABLES, REGISTERS, NumberType, Order, Strict, Table, TcpLink

BusLink = Annotated[TcpLink | RtuLink, Field(discriminator="kind")]
Numeric = Literal["u16", "i16", "u32", "i32", "f32"]
NARROW: tuple[Order, ...] = ("ABCD", "BADC")
WIDE: tuple[Order, ...] = ("ABCD", "CDAB", "BADC", "DCBA")


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """One register or bit."""

    link: str
    unit: int
    table: Table
    address: int

    def next(self, step: int = 1) -> Place:
        """A neighbour."""
        return Place(self.link, self.unit, self.table, self.address + step)

    @property
    def is_bit(self) -> bool:
        """Whether it is a coil or a discrete input."""
        return self.table in BIT_TABLES

    def __str__(self) -> str:
        return f"{self.link} unit {self.unit} {self.table} {self.address}"


Words = Mapping[Place, int]


@dataclass(frozen=True, slots=True)
class Shot:
    """What one sweep over the wires read."""

    at_s: float
    words: Words


Film = Sequence[Shot]


class Span(Strict):
    """Consecutive places that a module answers."""

    table: Table
    address: int
    count: int


class Module(Strict):
    """One unit, and the places that it answers."""

    unit: int
    spans: tuple[Span, ...] = ()


class Wire(Strict):
    """One link with the modules found on it."""

    link: BusLink
    modules: tuple[Module, ...] = ()

    @field_serializer("link")
    def keys(self, link: TcpLink | RtuLink) -> dict[str, object]:
        """The link's keys as a configuration has them: times as text with their unit."""
        keys = link.model_dump(exclude_defaults=True) | {"kind": link.kind}
        return {key: f"{value:g} s" if key == "timeout" else value for key, value in keys.items()}


Wires = Mapping[str, Wire]
"""By the name of the link."""


def places_of(wires: Wires) -> list[Place]:
    """Every place that answers."""
    return [
        Place(name, module.unit, span.table, address)
        for name, wire in wires.items()
        for module in wire.modules
        for span in module.spans
        for address in range(span.address, span.address + span.count)
    ]


def blocks_of(places: Iterable[Place]) -> list[tuple[str, Block]]:
    """Reads that cover the places exactly: consecutive ones share a request."""
    found: list[tuple[str, Block]] = []
    for (link, unit, table), shelf in groupby(sorted(places), key=lambda each: (each.link, each.unit, each.table)):
        most, run = MOST_BITS if table in BIT_TABLES else MOST_REGISTERS, list[int]()
        for each in [*(place.address for place in shelf), None]:
            if run and (each is None or each != run[-1] + 1 or len(run) == most):
                found.append((link, Block(unit, table, run[0], len(run), ())))
                run = []
            run += [] if each is None else [each]
    return found


@dataclass(frozen=True, slots=True, order=True)
class View:
    """A way to read a number: its first register, type and byte order."""

    place: Place
    type: NumberType
    order: Order = "ABCD"

    @property
    def places(self) -> tuple[Place, ...]:
        """The registers that it covers."""
        return tuple(self.place.next(step) for step in range(REGISTERS[self.type]))

    @property
    def bits(self) -> int:
        """Its width."""
        return 16 * REGISTERS[self.type]

    def of(self, words: Words) -> float | None:
        """The number; None where a register is missing, or they hold none."""
        try:
            return decode([words[each] for each in self.places], self.type, self.order)
        except (KeyError, DecodeError):
            return None

    def series(self, film: Film) -> list[float]:
        """Its numbers in a film, without shots that lack it."""
        return [number for shot in film if (number := self.of(shot.words)) is not None]

    def point(self) -> dict[str, object]:
        """The keys of a point in the configuration."""
        place = self.place
        order = {} if self.order == "ABCD" else {"order": self.order}
        return {
            "link": place.link, "unit": place.unit, "table": place.table, "address": place.address,
            "type": self.type, **order,
        }  # fmt: skip

    def __str__(self) -> str:
        return f"{self.place} as {self.type} {self.order}"


def narrow(place: Place, kind: NumberType) -> list[View]:
    """The ways to read one register."""
    return [View(place, kind, order) for order in NARROW]


def wide(place: Place, *kinds: NumberType) -> list[View]:
    """The ways to read a register and the next one together."""
    return [View(place, kind, order) for kind in kinds for order in WIDE]


def as_low_word(view: View, kind: NumberType) -> Iterator[tuple[Place, View]]:
    """The numbers of two registers of which a ``view`` of one may be the low word, each with its high word's place."""
    place, swapped = view.place, view.order == "BADC"
    after, before = place.next(), place.next(-1)
    yield after, View(place, kind, "DCBA" if swapped else "CDAB")
    yield before, View(before, kind, "BADC" if swapped else "ABCD")


def runs(places: Collection[Place]) -> list[list[Place]]:
    """The registers among them, in groups of consecutive ones."""
    found: list[list[Place]] = []
    for place in sorted(each for each in places if not each.is_bit):
        if found and place == found[-1][-1].next():
            found[-1].append(place)
        else:
            found.append([place])
    return found


def changed(film: Film) -> set[Place]:
    """The places whose content changed in a film."""
    first: dict[Place, int] = {}
    moved: set[Place] = set()
    for shot in film:
        for place, word in shot.words.items():
            if first.setdefault(place, word) != word:
                moved.add(place)
    return moved
