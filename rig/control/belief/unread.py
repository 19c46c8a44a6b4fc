"""What the pump may have moved while no count was read: by its time, as long as it is not known to be off."""

from __future__ import annotations

from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState, acting_meter, holds_l, pump_way
from rig.control.words.changed import changed
from rig.control.words.values import Setup

_PUMP = frozenset({"pump_run", "pump_reverse"})
_MOST_FLOW = 1.1
"""The pump's rated flow may be off by a tenth (common practice, no source)."""
_MOST_GROWTH = 0.05
"""Share by which a cavity may grow at the relief pressure. An assumption."""


def with_unread(setup: Setup, state: FillState, facts: Facts) -> FillState:
    """Accumulate unobserved run time: run time never reveals it later, any other count does once it is read."""
    reading, by_time = facts.reading, acting_meter(setup, state).by_time
    unread = by_time or (bool(state.unread_s) and state.unread_s[state.measure] > 0)
    if not unread:
        if not state.unseen_s:
            return state
        # A restarted counter does not show what passed meanwhile.
        less_l, more_l = by_way(state, unseen_l(setup, state) if facts.meter_restarted else 0.0)
        return changed(state, unseen_s=0.0, tally=state.tally.doubting("unread", less_l=less_l, more_l=more_l))
    runs = bool(reading.unconfirmed & _PUMP) or (not by_time and pump_way(setup, state) != 0)
    if not runs or state.supply_cut:
        return state
    # The gap starts at the last good reading, before the count was declared unread.
    before_s = state.unseen_s or (0.0 if by_time else reading.now_s - facts.dt_s - state.fresh_s)
    return changed(state, unseen_s=before_s + facts.dt_s)


def unseen_l(setup: Setup, state: FillState) -> float:
    """The most that may have moved, uncounted, while the pump was not confirmed off and coasted to rest.

    Into the tyre no more than its remaining room, out of it no more than it holds.
    """
    if not state.unseen_s:
        return 0.0
    moved_l = _MOST_FLOW * setup.line.most_lps * (state.unseen_s + setup.line.coast_s)
    if setup.into == "open vessel":
        return moved_l
    filled_l = holds_l(setup, state)
    room_l = (1 + _MOST_GROWTH) * setup.cavity.high_l - filled_l
    return min(moved_l, max(filled_l if state.direction < 0 else room_l, 0.0))


def by_way(state: FillState, litres: float) -> tuple[float, float]:
    """How many ``litres`` less, and more, may be in the tyre if the pump moved them uncounted, the way it last ran."""
    return (litres, 0.0) if state.direction < 0 else (0.0, litres)
