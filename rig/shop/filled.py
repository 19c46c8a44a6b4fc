"""Volume of a fill that counts as in the wheel: metered volume less noted spills, or a person's figure.

A record whose delivery is uncertain is not billed on its own: a person enters the volume by scale, level or chart.
Both stay in the book, the metered litres as counted. The module must not know prices, nor how any of it is shown.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from rig.record import delivery_in
from rig.shop.posting import RETURN
from rig.shop.totes import litres_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

FIGURE, SPILL = "figure", "spill"
"""A person's figure for the litres of pump work; the spilled volume of a fill."""
OF_A_FILL = (FIGURE, SPILL)
Basis = Literal["scale", "level", "chart"]


def unknown_because(fill: Mapping[str, object]) -> str | None:
    """Why a fill's record alone does not determine the billed volume; None if it does."""
    if delivery_in(fill) != "not known":
        return None
    return str(fill.get("not_billable_because") or "where its litres are is not known within 5 %")


@dataclass(frozen=True, slots=True)
class Filled:
    """One fill or removal, and what persons noted of its litres."""

    record: Record
    spilled_l: float = 0.0
    figure: Record | None = None

    @property
    def metered_l(self) -> float:
        """Net volume into the wheel, as counted; for a removal, the volume that came out."""
        return litres_of(self.record.document, "net_l" if self.record.kind != RETURN else "drawn_l")

    @property
    def known(self) -> bool:
        """Whether it can be billed, by its record or by a person's figure."""
        return self.figure is not None or unknown_because(self.record.document) is None

    @property
    def moved_l(self) -> float:
        """The volume that counts: a person's figure if there is one (content of the wheel after all spills, or volume
        removed), else the metered volume less spills.
        """
        if self.figure is not None:
            return litres_of(self.figure.document, "figure_l")
        return self.metered_l - self.spilled_l

    @property
    def mass_kg(self) -> float:
        """The mass of that volume; from the record if nothing else was noted."""
        fill = self.record.document
        if self.figure is None and not self.spilled_l:
            return litres_of(fill, "mass_kg")
        return round(self.moved_l * litres_of(fill, "density_kg_m3") / 1000, 2)


def filled(book: Book, fills: Iterable[Record], noted: Iterable[Record]) -> list[Filled]:
    """Fills or removals with what was ``noted`` of them; other notes are skipped."""
    spilled_l: dict[tuple[str, str], float] = defaultdict(float)
    figures: dict[tuple[str, str], Record] = {}
    for each in book.in_order(each for each in noted if each.kind in OF_A_FILL):
        of = (each.truck, str(each.document.get("fill_id") or ""))
        if each.kind == FIGURE:
            figures[of] = each
        else:
            spilled_l[of] += litres_of(each.document, "spilled_l")
    keyed = ((fill, (fill.truck, str(fill.document.get("fill_id") or fill.key))) for fill in fills)
    return [Filled(fill, spilled_l.get(key, 0.0), figures.get(key)) for fill, key in keyed]


def filled_one(book: Book, fill: Record) -> Filled:
    """One fill with what was noted of it."""
    return filled(book, [fill], book.valid(OF_A_FILL, truck=fill.truck))[0]
