"""Volume of a fill that counts as in the wheel: metered volume less noted spills, or a person's figure.

A record whose delivery is uncertain is not billed on its own: a person enters the volume by scale, level or chart.
Both stay in the book, the metered litres as counted. The module must not know prices, nor how any of it is shown.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.record.delivery import reason_said
from rig.record.notes import Figure, Returned, Spilled
from rig.record.work import PumpWork
from rig.sentence import Wording
from rig.shop.posting import RETURN, pumped

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

FIGURE, SPILL = "figure", "spill"
"""A person's figure for the litres of pump work; the spilled volume of a fill."""
OF_A_FILL = (FIGURE, SPILL)


_NOT_WITHIN = Wording("figure.not_within", "where its litres are is not known within 5 %")


def unknown_because(fill: Record) -> str | None:
    """Why a fill's record alone does not determine the billed volume; None if it does, as for a person's note."""
    work = pumped(fill)
    if work is None or work.known_as != "not known":
        return None
    return reason_said(work.not_billable_because) if work.not_billable_because else _NOT_WITHIN()


@dataclass(frozen=True, slots=True)
class Filled:
    """One fill or removal, and what persons noted of its litres."""

    record: Record
    spilled_l: float = 0.0
    figure: Record | None = None

    @property
    def metered_l(self) -> float:
        """Net volume into the wheel, as counted; for a removal, the volume that came out."""
        return PumpWork.of(self.record).net_l if self.record.kind != RETURN else Returned.of(self.record).drawn_l

    @property
    def known(self) -> bool:
        """Whether it can be billed, by its record or by a person's figure."""
        return self.figure is not None or unknown_because(self.record) is None

    @property
    def moved_l(self) -> float:
        """The volume that counts: a person's figure if there is one (content of the wheel after all spills, or volume
        removed), else the metered volume less spills.
        """
        if self.figure is not None:
            return Figure.of(self.figure).figure_l
        return self.metered_l - self.spilled_l

    @property
    def mass_kg(self) -> float:
        """The mass of that volume; from the record if nothing else was noted."""
        work = PumpWork.of(self.record)
        if self.figure is None and not self.spilled_l:
            return work.moved_kg
        return round(self.moved_l * work.moved_kg_m3 / 1000, 2)


def filled(book: Book, fills: Iterable[Record], noted: Iterable[Record]) -> list[Filled]:
    """Fills or removals with what was ``noted`` of them; other notes are skipped."""
    spilled_l: dict[tuple[str, str], float] = defaultdict(float)
    figures: dict[tuple[str, str], Record] = {}
    for each in book.in_order(each for each in noted if each.kind in OF_A_FILL):
        if each.kind == FIGURE:
            figures[each.truck, Figure.of(each).fill_id] = each
        else:
            spill = Spilled.of(each)
            spilled_l[each.truck, spill.fill_id or ""] += spill.spilled_l
    keyed = ((fill, (fill.truck, fill_id_of(fill))) for fill in fills)
    return [Filled(fill, spilled_l.get(key, 0.0), figures.get(key)) for fill, key in keyed]


def fill_id_of(fill: Record) -> str:
    """The id of pump work; of a person's note the key of its record."""
    return work.fill_id if (work := pumped(fill)) else fill.key


def filled_one(book: Book, fill: Record) -> Filled:
    """One fill with what was noted of it."""
    return filled(book, [fill], book.valid(OF_A_FILL, truck=fill.truck))[0]
