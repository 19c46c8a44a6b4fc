"""The tyre pressure to display: of all estimates the one on the unsafe side, with its age.

High is unsafe after the pressure was last raised, low after it was last let down or drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.control.belief.gauges import FOLLOWS_S
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import gun_kpa
from rig.control.belief.state import FillState
from rig.control.words.values import Setup


@dataclass(frozen=True, slots=True)
class TyreShown:
    """A pressure for a screen, and its age."""

    kpa: float | None
    age_s: float
    """Age of the gauge reading; an estimate is as old as the rest that it starts from."""


def tyre_shown(setup: Setup, state: FillState, facts: Facts) -> TyreShown:
    """The tyre pressure for a screen, in kPa; ``None`` where it is unknown."""
    silent_s = max(0.0, state.now_s - state.line.at_s) if not facts.reading.fresh else 0.0
    gauge_kpa = _by_gauge(setup, state, facts)
    candidates = [(gauge_kpa, silent_s)] if gauge_kpa is not None else []
    if facts.gas is not None and not facts.rests:
        candidates.append((facts.gas.best, max(0.0, state.now_s - state.told_s)))
    if not candidates:
        return TyreShown(facts.tyre_kpa, silent_s)
    kpa, age_s = (max if _high_is_worse(state, facts) else min)(candidates)
    return TyreShown(kpa, age_s)


def _by_gauge(setup: Setup, state: FillState, facts: Facts) -> float | None:
    """The gauge's present tyre pressure, at rest or not; ``None`` while it sees the line and not the tyre."""
    if not facts.valve_open or facts.venting:
        return None
    if facts.forward:
        return None if facts.line is None else facts.line.best
    if facts.rests or facts.reverse or setup.by_hand:
        return facts.tyre_kpa
    if facts.off_s < setup.line.coast_s + FOLLOWS_S:
        return None
    return gun_kpa(setup, facts.reading.line_kpa, state.tally.hose_l, facts.covered_m)


def _high_is_worse(state: FillState, facts: Facts) -> bool:
    if facts.forward:
        return True
    # Whatever moved it since the pump stopped: a pump that keeps drawing uncommanded has lowered it.
    lowered = facts.reverse or facts.stroke.lets_out or state.fell.at_s > state.rose.at_s
    return not (lowered or facts.moves_kpa_s < 0)
