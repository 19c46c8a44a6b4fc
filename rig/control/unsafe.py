"""What is shown as the tyre's pressure: of all that tells it the unsafe one, and how old that is.

High is the danger while the pressure was last brought up, low while it was last let down or drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.control.observe import Facts
from rig.control.pressure import gun_kpa
from rig.control.state import FillState
from rig.control.values import Setup

_FOLLOWS_S = 1.0
"""After a pump's coasting the gauge has followed."""


@dataclass(frozen=True, slots=True)
class TyreShown:
    """A pressure for a face, and its age."""

    kpa: float | None
    age_s: float
    """How long ago a gauge told it; an estimate is as old as the rest that it starts from."""


def tyre_shown(setup: Setup, state: FillState, facts: Facts) -> TyreShown:
    """The pressure that a face shows of the tyre, in kPa; ``None`` where nothing tells it."""
    silent_s = max(0.0, state.now_s - state.line.at_s) if not facts.reading.fresh else 0.0
    gauge_kpa = _by_gauge(setup, state, facts)
    told = [(gauge_kpa, silent_s)] if gauge_kpa is not None else []
    if facts.gas is not None and not facts.rests:
        told.append((facts.gas.best, max(0.0, state.now_s - state.told_s)))
    if not told:
        return TyreShown(facts.tyre_kpa, silent_s)
    kpa, age_s = (max if _high_is_worse(state, facts) else min)(told)
    return TyreShown(kpa, age_s)


def _by_gauge(setup: Setup, state: FillState, facts: Facts) -> float | None:
    """What the gauge tells of the tyre now, at rest or not; ``None`` while it sees the line and not the tyre."""
    if not facts.valve_open or facts.venting:
        return None
    if facts.forward:
        return None if facts.line is None else facts.line.best
    if facts.rests or facts.reverse or setup.by_hand:
        return facts.tyre_kpa
    if facts.off_s < setup.line.coast_s + _FOLLOWS_S:
        return None
    return gun_kpa(setup, facts.reading, state.tally.hose_l, facts.covered_m)


def _high_is_worse(state: FillState, facts: Facts) -> bool:
    if facts.forward:
        return True
    # Whatever moved it since the pump stopped: a pump that draws on unasked has brought it down.
    lowered = facts.reverse or facts.stroke.lets_out or state.fell.at_s > state.rose.at_s
    return not (lowered or facts.moves_kpa_s < 0)
