"""Root of a falling function of pressure, to the precision of a plan. It must not know the function's meaning."""

from __future__ import annotations

from collections.abc import Callable

_NEAR_ZERO = 0.2
"""Tolerance, kPa: the search continues from there in larger steps."""


def root(falling: Callable[[float], float], low: float, high: float) -> float:
    """The root of a falling function between two pressures, or the end nearest to it."""
    if high <= low:
        return high
    f_low, f_high = falling(low), falling(high)
    if f_low <= 0:
        return low
    if f_high >= 0:
        return high
    for _ in range(12):
        at = (low * f_high - high * f_low) / (f_high - f_low)
        here = falling(at)
        if abs(here) < _NEAR_ZERO:
            return at
        # The value at the retained end is halved (Illinois): the bracket closes from both sides.
        if here > 0:
            low, f_low, f_high = at, here, f_high / 2
        else:
            high, f_high, f_low = at, here, f_low / 2
    return (low + high) / 2
