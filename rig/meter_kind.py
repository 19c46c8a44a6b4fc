"""The kinds of meter, a row each: what one is read from, what it can see, and what is usual for it.

Whatever depends on the kind of a meter asks for a property here, so that a new kind is a row. How each is read is in
``rig/run/metering.py``.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.record.work import MeterKind


@dataclass(frozen=True, slots=True)
class Kind:
    """Properties of one kind of meter."""

    point: str
    """The point that it is read from; empty for run time, which has none."""
    basis: str
    """Basis of a volume, in words."""
    u_percent: float
    """Uncertainty at 95 % of the volume, until a proving states a better one. Assumed, no source."""
    repeat: float
    """Repeatability from fill to fill: relative, one standard deviation. Assumed, no source."""
    behind_s: float = 0.0
    """A level sloshes, and a rate is damped and updated at its own interval: so many seconds of the pump's flow may be
    missing when the liquid in the tyre is at rest. Common practice, no source."""
    counts: bool = False
    """It counts the volume itself, rather than deriving it from a rate, a weight, a level or a time."""
    in_line: bool = False
    """It sees what passes through it, air too, within a second."""
    of_tote: bool = False
    """It sees what leaves the tote, wherever that goes."""
    by_time: bool = False
    """It assumes the pump's flow for as long as the pump runs: nothing is measured, and nothing counts backwards."""


KINDS: dict[MeterKind, Kind] = {
    "pulses": Kind("meter_count", "the meter's pulses", 0.5, 0.001, counts=True, in_line=True),
    "total": Kind("meter_total", "the meter's total", 0.5, 0.001, counts=True, in_line=True),
    "scale": Kind("tote_mass", "the scale under the tote", 0.5, 0.001, 2.0, of_tote=True),
    "rate": Kind("flow_rate", "summing a flow rate", 2.0, 0.005, 2.0, in_line=True),
    "tote level": Kind("tote_level", "the tote's level", 5.0, 0.01, 2.0, of_tote=True),
    "run time": Kind("", "the pump's run time", 15.0, 0.05, by_time=True),
}
"""In the order in which they are trusted."""
