"""The totes of a truck and its yard tank, from the book: content of each, and which one is connected, at any time.

Only reads records; it must not know how a fill is made, nor how any of it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.fluid import UNKNOWN, Fluid, FluidError, Mix, Part, mix_of
from rig.ledger.balance import Booked, Content, Move, contents
from rig.record.notes import Connect, Dip, Load, Returned, Rinsed, Spilled, ToteFacts
from rig.record.work import PumpWork
from rig.run.assembly import fluid_of
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

UNNAMED = ""
"""The name of the only tote of a shop that has named none."""
NOTED_KINDS = ("load", "dip", "rinse", "spill", "return", "yard")
"""Kinds of records, other than fills, that change a tote's content."""
_MIX_C = 15.0
"""Temperature for the volumes in a vessel, of which the book has none."""
_REPEATS_WITHIN = 0.001
"""Least uncertainty (95 %) of a count, as a share of it: what the runs of a proving may differ by. Common practice."""
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
    def title(self) -> Sentence:
        """Name of the tote for use in a sentence."""
        if not self.name:
            return Wording("tote.unnamed", "the tote")()
        words = Wording("tote.yard", "yard tank {name}") if self.yard else Wording("tote.named", "tote {name}")
        return words(name=self.name)

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
    entered = {facts.tote: facts for facts in map(ToteFacts.of, book.valid("tote", truck=book.own))}
    found, drawn_from = contents(movements(book)), connected_at(book)
    names = dict.fromkeys([drawn_from, *entered, *found])
    return [
        tote_as_entered(entered.get(name, ToteFacts(tote=name)), found.get(name, Content()), name == drawn_from)
        for name in names
    ]


def tote_as_entered(entered: ToteFacts, content: Content, connected: bool) -> Tote:
    """Build a tote from its entered data and its content."""
    yard, fluid = bool(entered.yard), entered.fluid or ""
    return Tote(entered.tote, entered.capacity_l, entered.reorder_l, fluid, yard, connected, content)


def connected_at(book: Book, ended: int | None = None) -> str:
    """The tote connected now, or when serial ``ended`` was the book's last; empty for the unnamed one."""
    connections = _until(book, book.valid("connect", truck=book.own), ended)
    return Connect.of(connections[-1]).tote if connections else UNNAMED


def tote_facts(book: Book, ended: int | None) -> tuple[str, str]:
    """Tote and lot of work that began when serial ``ended`` was the book's last (None: now)."""
    name = connected_at(book, ended)
    if not book.keys("load") | book.keys("dip"):
        return name, ""
    return name, contents(movements(book, ended=ended)).get(name, Content()).lot_text


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
    names = {ToteFacts.of(each).tote for each in book.valid("tote", truck=book.own)}
    named = {name.casefold(): name for name in names if name}
    return named.get(said.removeprefix("tote "))


def movements(
    book: Book, since: str | None = None, until: str | None = None, *, ended: int | None = None
) -> list[Booked]:
    """All movements of this truck's totes, in the order of the book.

    Limited to a period, or to the time when serial ``ended`` was the book's last.
    """
    records = book.valid((*NOTED_KINDS, "fill"), since=since, until=until, truck=book.own)
    return [move for record in _until(book, records, ended) for move in moves_of(record)]


def moves_of(record: Record) -> Iterator[Booked]:
    """The movements into or out of totes that one record states, or the content it found in one."""
    at, truck = record.at, record.truck
    match record.kind:
        case "load":
            yield from _loaded(record, Load.of(record))
        case "fill":
            fill = PumpWork.of(record)
            parts: tuple[tuple[Move, float], ...] = (
                ("ticket", fill.net_l), ("hose", fill.hose_change_l), ("vent", fill.vented_l),
                ("spill", fill.spilled_l),
            )  # fmt: skip
            metered = _metered(fill)
            for move, litres in parts:
                # The uncertainty is that of all parts together.
                first, u_l = move == "ticket", _random_u_l(fill) if move == "ticket" else 0.0
                yield Booked(at, move, litres, fill.tote or "", "", "", truck, u_l, metered, first)
        case "spill":
            spill = Spilled.of(record)
            spilled = Booked(at, "spill", spill.spilled_l, spill.tote or "", truck=truck)
            if spill.fill_id:
                # It left the tote through the meter: this share of the ticket's volume was spilled.
                yield replace(spilled, move="ticket", litres=-spill.spilled_l)
            yield spilled
        case "rinse" if (rinse := Rinsed.of(record)).from_tote is not False:
            rinsed = Booked(at, "rinse", rinse.rinsed_l, rinse.tote or "", truck=truck)
            yield rinsed if rinse.number is None else _by_pump(rinsed, PumpWork.of(record))
        case "return" if (drawn := Returned.of(record)).tote is not None:
            came = Booked(at, "return", drawn.drawn_l, drawn.tote, drawn.fluid or "", "returned", truck)
            yield came if drawn.number is None else _by_pump(came, PumpWork.of(record))
        case "dip" | "yard" as kind:
            found = Dip.of(record)
            look: Move = "dip" if kind == "dip" else "told"
            yield Booked(at, look, found.tote_l, found.tote, found.fluid or "", found.lot or "", truck, found.tote_u_l)


def _by_pump(move: Booked, work: PumpWork) -> Booked:
    return replace(move, u_l=_random_u_l(work), metered=_metered(work), hose_on=True)


def _metered(work: PumpWork) -> bool:
    return work.net_basis == "counted" and work.measured_by in ("pulses", "total", "rate")


def _random_u_l(work: PumpWork) -> float:
    """Uncertainty of a count at 95 % without the meter factor's, which is the same in the next fill."""
    factor_u_l = (work.meter_factor_u_percent or 0.0) / 100 * work.net_l if _metered(work) else 0.0
    return max(math.sqrt(max(work.net_u_l**2 - factor_u_l**2, 0.0)), _REPEATS_WITHIN * abs(work.net_l))


def _loaded(record: Record, load: Load) -> Iterator[Booked]:
    at, truck, u_l = record.at, record.truck, load.loaded_u_l
    if load.from_ is None:
        yield Booked(at, "load", load.loaded_l, load.tote, load.fluid or "", load.lot or "", truck, u_l)
        return
    # Leave the source before entering the destination: the content depends on that order.
    yield Booked(at, "out", load.loaded_l, load.from_, truck=truck, u_l=u_l)
    for fluid, lot, litres in load.parts or ():
        # The variances of the parts add up to the load's.
        part_u_l = None if u_l is None else u_l * (litres / load.loaded_l) ** 0.5
        yield Booked(at, "load", litres, load.tote, fluid, lot, truck, part_u_l)


def same_fluid(settings: Settings | None, one: str, other: str) -> bool:
    """Whether two texts name the same liquid, regardless of how its strength is written."""
    first, second = read_as(settings, one), read_as(settings, other)
    if first is None or second is None:
        return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
    if first.kind != second.kind or (first.kind == "shop" and first.name.casefold() != second.name.casefold()):
        return False
    return abs((first.strength or 0.0) - (second.strength or 0.0)) <= _STRENGTH_KNOWN


def mix_in(settings: Settings | None, held: Content) -> Mix | None:
    """What a vessel holds by the book as one mix, near 15 degC; None for an empty one."""
    found = [Part(litres, read_as(settings, name)) for (name, _), litres in held.parts.items() if litres > 0]
    return mix_of(found, _MIX_C) if found else None


def liquids_in(settings: Settings | None, held: Content) -> tuple[str, ...]:
    """The liquids of a vessel by the book; of those that make one known mix, the mix."""
    mix = mix_in(settings, held) if len(held.fluids) > 1 else None
    return held.fluids if mix is None or mix.fluid is None else (mix.name,)


def content_text(settings: Settings | None, held: Content) -> str:
    """What a vessel holds by the book, as a content that a question carries; what cannot be read is unknown."""
    litres: dict[str, float] = {}
    for (fluid, _), part_l in held.parts.items():
        name = fluid if fluid and read_as(settings, fluid) else UNKNOWN
        litres[name] = litres.get(name, 0.0) + part_l
    return " + ".join(f"{part_l:.2f} L {name}" for name, part_l in litres.items() if part_l > 0) or UNKNOWN


def as_written(settings: Settings | None, text: str) -> str:
    """A liquid's name as the program writes it; the text as typed if it cannot be parsed."""
    found = read_as(settings, text)
    return text.strip() if found is None else found.name


def read_as(settings: Settings | None, text: str) -> Fluid | None:
    """The liquid that a text names; None if it cannot be parsed."""
    try:
        return fluid_of(settings, text)
    except FluidError:
        return None


def by_name(totes: Sequence[Tote], name: str | None) -> Tote | None:
    """The tote with this name, or the connected one if ``name`` is None; None if there is none."""
    return next((each for each in totes if (each.connected if name is None else each.name == name)), None)
