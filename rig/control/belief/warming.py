"""Follow the gas's temperature through a fill: what the account and the gauge of each scan say of it."""

from __future__ import annotations

from rig.control.belief.gauges import Shown
from rig.control.belief.pressure import Gas, settled_kpa
from rig.control.belief.state import FillState, holds_l, offset_l
from rig.control.belief.warmth import came_to_rest, lets_out, measured, passed
from rig.control.words.changed import changed
from rig.control.words.flags import End
from rig.control.words.values import Reading, Setup

_SETTLED_KPA = 1.0
"""Heat in the gas that no decision needs to know: as much as a usual gauge's uncertainty."""
_LONGEST_S = 90.0
"""Longest wait for it: two time constants of the slowest transfer."""
_LEAST_ROOM = 0.02
"""Share of the cavity that is always taken for air."""


def followed(setup: Setup, before: FillState, state: FillState, reading: Reading, dt_s: float) -> FillState:
    """Predict the gas's temperature over a scan; ``before`` is the state in which nothing was booked for it yet."""
    gas = state.gas
    if not state.valve_open or setup.into == "open vessel" or not dt_s:
        return state
    atmosphere = setup.line.atmosphere_kpa_abs
    if state.outputs.vent_valve:
        from_kpa = state.stroke.from_kpa if gas.rest_kpa is None else gas.rest_kpa
        return changed(state, gas=changed(gas, warmth=lets_out(gas.warmth, reading.now_s, from_kpa + atmosphere, dt_s)))
    ratio = 1.0
    if state.tally is not before.tally:
        before_l = offset_l(setup, before, holds_l(setup, before))
        after_l = offset_l(setup, state, holds_l(setup, state))
        room_l = max(gas.cavity_l - after_l, _LEAST_ROOM * gas.cavity_l)
        added_l = (gas.added_kpa_l - before.gas.added_kpa_l) / ((gas.rest_kpa or 0.0) + atmosphere)
        ratio = max(1 + (after_l - before_l + added_l) / room_l, 0.5)
    return changed(state, gas=changed(gas, warmth=passed(gas.warmth, dt_s, ratio)))


def crept(setup: Setup, state: FillState, tyre_kpa: float, shown: Shown) -> Gas:
    """Take the slope of a gauge at rest as a measurement of the gas's temperature, once for each window."""
    gas, found, now_s = state.gas, shown.rest, state.now_s
    kpa_abs = tyre_kpa + setup.line.atmosphere_kpa_abs
    if found is None or not state.valve_open or kpa_abs <= 0:
        return gas
    warmth = came_to_rest(gas.warmth, now_s, kpa_abs)
    if now_s - warmth.measured_s >= found.span_s:
        warmth = measured(warmth, now_s, kpa_abs, found.slope_kpa_s, found.slope_u_kpa_s)
    return gas if warmth is gas.warmth else changed(gas, warmth=warmth)


def awaited(setup: Setup, state: FillState, tyre_kpa: float, waited_s: float) -> bool:
    """Whether the gas's temperature still hides the pressure at which it will settle, and that decides what follows.

    Where pressure ended a stroke of liquid, air is let out next, however much of the pressure is heat.
    """
    if waited_s >= _LONGEST_S or state.stroke.ended_by in (End.NOT_YET, End.CEILING):
        return False
    settles_kpa, u_kpa = settled_kpa(state.gas, setup, tyre_kpa, 0.0)
    return abs(settles_kpa - tyre_kpa) > _SETTLED_KPA or u_kpa > _SETTLED_KPA
