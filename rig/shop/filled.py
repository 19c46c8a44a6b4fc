"""What of a fill counts as in the wheel: what was metered, less what a person noted as spilled, or a person's figure.

A record that cannot tell where its litres are is not billed by itself: a person says by scale, level or chart what went
in. Both stay in the book, the metered litres as they were counted. It must not know prices, nor how any of it is shown.
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
"""A person's figure of the litres of the pump's work; what was spilled of a fill."""
OF_A_FILL = (FIGURE, SPILL)
Basis = Literal["scale", "level", "chart"]


def unknown_because(fill: Mapping[str, object]) -> str | None:
    """Why a fill's record cannot say by itself what is to be billed; None where it can."""
    if delivery_in(fill) != "not known":
        return None
    return str(fill.get("not_billable_because") or "where its litres are is not known within 5 %")


@dataclass(frozen=True, slots=True)
class Filled:
    """One fill, or what was drawn out of a wheel, and what persons noted of its litres."""

    record: Record
    spilled_l: float = 0.0
    figure: Record | None = None

    @property
    def metered_l(self) -> float:
        """Net into the wheel, as it was counted; of what was drawn out, the litres that came out."""
        return litres_of(self.record.document, "net_l" if self.record.kind != RETURN else "drawn_l")

    @property
    def known(self) -> bool:
        """Whether it can be billed: by its record, or by a person's figure."""
        return self.figure is not None or unknown_because(self.record.document) is None

    @property
    def moved_l(self) -> float:
        """What counts: a person's figure where there is one, which says what is in the wheel after every spill, or what
        came out of it.
        """
        if self.figure is not None:
            return litres_of(self.figure.document, "figure_l")
        return self.metered_l - self.spilled_l

    @property
    def mass_kg(self) -> float:
        """What that weighs; as the record has it where nobody noted anything else."""
        fill = self.record.document
        if self.figure is None and not self.spilled_l:
            return litres_of(fill, "mass_kg")
        return round(self.moved_l * litres_of(fill, "density_kg_m3") / 1000, 2)


def filled(book: Book, fills: Iterable[Record], noted: Iterable[Record]) -> list[Filled]:
    """Fills, or work that drew out, with what was ``noted`` of them; other notes are passed over."""
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
