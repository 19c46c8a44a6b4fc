"""Whether meter and witness keep their ratio within a fill: the witness's constant error drops out of that.

A change is found as the most significant of all places where it may have begun (any text on change points).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

_CHANGED = 4.0
"""Standard deviations by which the ratio must have changed: of thirty places in a sound fill one shows so much once in
500 fills."""
_MOST_CHANGE = 2.0
"""A ratio that changes by more is a witness that sticks, or a tote that was drawn from: no meter that slips."""
LEAST_L = 1.0
"""Litres below which an error as a share of them, or a ratio, says nothing."""

Pair = tuple[float, float]
"""Litres so far by the meter and by the witness."""


def by_ratio(pairs: Sequence[Pair], now: Pair, step_l: float, repeat: float) -> tuple[float, float]:
    """Litres that may be less, and more, than the meter's by the most significant change of the ratio; or nothing.

    ``step_l``: standard deviation of the witness's difference of two readings; ``repeat``: its repeatability, relative.
    Which of the two parts the meter counted right a ratio does not say: either may be wrong.
    """
    most, found = _CHANGED, (0.0, 0.0)
    for meter_l, reference_l in pairs:
        later_l, later_reference_l = now[0] - meter_l, now[1] - reference_l
        if min(meter_l, later_l, reference_l, later_reference_l) < LEAST_L:
            continue
        change = later_reference_l / later_l / (reference_l / meter_l)
        deviations = abs(change - 1) / math.hypot(*[math.hypot(step_l / each, repeat) for each in (meter_l, later_l)])
        if deviations > most and 1 / _MOST_CHANGE < change < _MOST_CHANGE:
            most, found = deviations, _sides(change, meter_l, later_l)
    return found


def _sides(change: float, meter_l: float, later_l: float) -> tuple[float, float]:
    """Of a meter that counts too little from then on, or counted too much before; or the other way round."""
    later_off_l, earlier_off_l = (change - 1) * later_l, (1 / change - 1) * meter_l
    return max(-later_off_l, -earlier_off_l, 0.0), max(later_off_l, earlier_off_l, 0.0)
