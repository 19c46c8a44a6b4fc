"""A tyre's load index: its meaning in kilograms, and what is left of it at a lower pressure.

It must not know machines, liquids or axles.
"""

from __future__ import annotations

import re

from rig.sentence import Wording

_MARK = re.compile(r"(?<![\d.])(?P<index>\d{2,3})\s*(?P<speed>A\d|[B-H])(?![A-Za-z0-9])", re.I)
_LEAST, _MOST = 50, 210
_DECADE = (
    1000, 1030, 1060, 1090, 1120, 1150, 1180, 1215, 1250, 1285, 1320, 1360, 1400, 1450, 1500, 1550,
    1600, 1650, 1700, 1750, 1800, 1850, 1900, 1950, 2000, 2060, 2120, 2180, 2240, 2300, 2360, 2430,
    2500, 2575, 2650, 2725, 2800, 2900, 3000, 3075, 3150, 3250, 3350, 3450, 3550, 3650, 3750, 3875,
    4000, 4125, 4250, 4375, 4500, 4625, 4750, 4875, 5000, 5150, 5300, 5450, 5600, 5800, 6000, 6150,
    6300, 6500, 6700, 6900, 7100, 7300, 7500, 7750, 8000, 8250, 8500, 8750, 9000, 9250, 9500, 9750,
)  # fmt: skip
"""Kilograms of the load indices from 108 on (ISO 4209-1, from memory); 80 indices further it is ten times as much."""
_FIRST = 108
_EXPONENT = 0.585
"""Load a tyre carries by its pressure to this power: formula of the TRA yearbook for bias tyres, from memory."""


def load_index_in(mark: str) -> int | None:
    """The load index in a size as a tyre is marked (480/80R42 151A8); None where there is none."""
    found = [int(match["index"]) for match in _MARK.finditer(mark)]
    return next((index for index in reversed(found) if _LEAST <= index <= _MOST), None)


def load_index_kg(index: int) -> float:
    """Load per tyre at its rated pressure; ValueError for an index that no tyre for this work has."""
    if not _LEAST <= index <= _MOST:
        raise ValueError(
            Wording(
                "size.load_index", "a load index of {index} is none of a tyre for this work: write {least} to {most}"
            )(index=index, least=_LEAST, most=_MOST)
        )
    decades, step = divmod(index - _FIRST, len(_DECADE))
    return float(_DECADE[step] * 10.0**decades)


def carried_kg(index: int, kpa: float, rated_kpa: float) -> float:
    """Load at a gauge pressure; above the rated pressure no more than at it."""
    share: float = min(1.0, max(kpa, 0.0) / rated_kpa) ** _EXPONENT
    return load_index_kg(index) * share
