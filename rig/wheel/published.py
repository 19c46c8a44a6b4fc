"""Published fill volumes: content of a tyre up to its valve at 12 o'clock, by size, with the source of each.

Rows printed as a volume at the "75 %" level are used unchanged. A row printed as "100 %, use three quarters" counts at
three quarters. A row printed as a weight is converted by the density of its mix, and only widens the bounds: such
manuals disagree with each other by a fifth. It must not know geometry.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from rig.units import L_PER_GAL
from rig.wheel.designation import read_size

# Pounds of 77 % flake per gallon of water -> pounds per gallon of mix, from dealers' tables next to the water chart;
# the property tables agree within half a percent.
_MIX_LB_PER_GAL = {"2": 9.45, "3.5": 10.1, "5": 10.6}

# Priority of the rows of one size: the water chart (the most sizes, one series), then other volumes, then weights.
# Rows printed jointly for two sizes belong to neither: they are kept for reference, not used.
_RANK = ("chart", "itm475", "m155", "m155_marks", "sheet_if800", "m5040wsm", "m108dc", "farmall45c", "b26tl")


@dataclass(frozen=True, slots=True)
class PublishedFill:
    """One published row: litres up to a 12 o'clock valve, how it was printed, and where."""

    size: str
    at_valve_l: float
    printed_as: str
    source: str
    title: str

    @property
    def by_weight(self) -> bool:
        """Whether only a weight was printed."""
        return self.printed_as == "valve_lb"


def _at_valve_l(row: dict[str, str]) -> float:
    value = float(row["value"])
    match row["printed_as"]:
        case "valve_gal":
            return value * L_PER_GAL
        case "valve_l":
            return value
        case "whole_l":
            return 0.75 * value
        case _:
            return value / _MIX_LB_PER_GAL[row["flake_lb_per_gal"]] * L_PER_GAL


def _rows(name: str) -> list[dict[str, str]]:
    text = files("rig.wheel").joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def published_fills() -> tuple[PublishedFill, ...]:
    """Every published row, in the order of the file."""
    titles = {row["source"]: row["title"] for row in _rows("published_sources.csv")}
    return tuple(
        PublishedFill(read_size(r["size"]).text, _at_valve_l(r), r["printed_as"], r["source"], titles[r["source"]])
        for r in _rows("published_fills.csv")
    )


@cache
def _by_size() -> dict[str, tuple[PublishedFill, ...]]:
    found: dict[str, tuple[PublishedFill, ...]] = {}
    for row in published_fills():
        if row.source in _RANK:
            found[row.size] = (*found.get(row.size, ()), row)
    return {size: tuple(sorted(rows, key=lambda r: _RANK.index(r.source))) for size, rows in found.items()}


def fills_of(size: str) -> tuple[PublishedFill, ...]:
    """Published rows of a canonical size by priority; a radial mark without rows uses those of its bias twin."""
    by_size = _by_size()
    return by_size.get(size) or by_size.get(size.replace("R", "-")) or ()
