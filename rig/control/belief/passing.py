"""Flow past the meter that differs from its indication: uncounted air, and counts beyond the pump's flow.

A magnetic meter registers no air, a rotor some. Their liquid litres are valid all the same; the air's effect on the
tyre's gas is known as well as the pump's flow is.
"""

from __future__ import annotations

from rig.control.belief.accounting import FRONT, Tally, carry_air
from rig.control.belief.level import air_at_pump, entering
from rig.control.belief.state import FillState, pump_way
from rig.control.words.flags import Flag
from rig.control.words.values import Reading, Setup

MOST_FLOW = 1.3
"""Limit of liquid flow as a share of the pump's flow at no back pressure; its rating may be a tenth off."""
_SILENT_S = 1.0
"""A meter blind to air that has been silent for this long while the pump draws has air in it. An assumption."""
_SCATTER_PULSES = 3
"""More than a pulse at each end of a scan."""
_LEAP_S = 0.5
"""A clock that stalled for less changes no flow by what matters, and a meter that counts double leaps by less."""
_PART = 0.6
"""Share of the liquid's flow below which air is counted in part only: it flows no more slowly. An assumption."""
_RUNS_S = 2.0
"""Time after the air front until the flow is measured again: its window of a second, and running up. An assumption."""
_LEFT = 1 / 3
"""Largest share of the hose's liquid left by the count at which air explains a silent meter."""


def with_uncounted_air(
    setup: Setup, state: FillState, tally: Tally, reading: Reading, dt_s: float, *, counted: bool
) -> Tally:
    """Update one scan's account with air that the meter did not register; ``counted``: it registered something."""
    way = pump_way(setup, state)
    on_air = setup.meter.air_going(way)
    if not way or on_air == "counts" or (on_air == "blind" and counted) or not state.valve_open:
        return tally
    if not (tally.suction_air_kpa_l > 0 if way > 0 else _air_comes(setup, state, reading)):
        return tally
    line_kpa = reading.line_kpa if reading.line_kpa is not None else (state.gas.rest_kpa or 0.0)
    # The pump's displacement is that of its inlet: the suction line going forward, the hose going back.
    inlet_kpa = 0.0 if way > 0 else line_kpa
    inlet_kpa_abs = max(inlet_kpa + setup.line.atmosphere_kpa_abs, 1.0)
    return carry_air(tally, setup.line, way * setup.line.moves_lps(way) * dt_s, inlet_kpa_abs)


def other_on_air(setup: Setup, state: FillState, reading: Reading) -> Flag | None:
    """The mark of a meter that is configured to count air and does not: it is silent, or slow, while air passes it.

    Going forward a slow one is not told from a pump that is slow.
    """
    way = pump_way(setup, state)
    if not way or state.measure or not setup.meter.in_line or setup.meter.on_air != "counts":
        return None
    if _has_counted_air(setup, state):
        return None
    if way > 0:
        silent = state.tally.suction_air_kpa_l > 0 and _silent(setup, state, reading)
        return Flag.COUNTS_NO_AIR if silent else None
    if setup.meter.reverse == "none" or not state.valve_open or entering(setup, state) != "air":
        return None
    if _front_passes_silent(setup, state, reading):
        # What falls silent after it has counted air is a pump that stops.
        counted = state.tally.air_returned_l > 2 * FRONT * setup.line.hose_l
        return None if counted else Flag.COUNTS_NO_AIR
    # As soon as the flow behind the front is measured: what slows down later is a pump that stops.
    since_s = reading.now_s - state.regime_s - setup.line.start_lag_s
    measured = state.tally.hose_l <= 0 and _RUNS_S <= since_s < _RUNS_S + 1.0
    flow_lps = -state.flow.fast_pps * setup.meter.litres_per_pulse
    return Flag.COUNTS_PART_OF_AIR if measured and 0 < flow_lps < _PART * _liquid_lps(setup, state) else None


def _liquid_lps(setup: Setup, state: FillState) -> float:
    """The flow with which this draw has emptied the hose before the air front came."""
    emptied_s = state.regime_s - state.changed_s - setup.line.start_lag_s
    return state.mark.tally.hose_l / emptied_s if emptied_s > 0 else 0.0


def _has_counted_air(setup: Setup, state: FillState) -> bool:
    """Whether the meter has counted air before the last rest of this fill, as it is configured to."""
    then = state.mark.tally
    return then.air_forward_l > 0 or (setup.meter.reverse != "none" and then.air_drawn_l > 0)


def _carried_off(setup: Setup, state: FillState) -> bool:
    """Whether even a worn pump that has run since its last start has carried off all air of the suction line."""
    return state.now_s - state.changed_s > setup.line.start_lag_s + setup.line.carries_air_off_s


def passes_uncounted(setup: Setup, state: FillState) -> bool:
    """Whether air is at a meter that may not register it: then a missing count is expected."""
    way = pump_way(setup, state)
    if not way or setup.meter.air_going(way) == "counts":
        return False
    comes = way > 0 and state.tally.air_drawn_l > 0 and not _carried_off(setup, state)
    return comes or air_at_pump(setup, state)


def _air_comes(setup: Setup, state: FillState, reading: Reading) -> bool:
    """Whether air has come back through the hose as far as the meter."""
    if entering(setup, state) != "air":
        return False
    if setup.meter.on_air == "part":
        return state.tally.hose_l <= 0
    if state.tally.suction_air_kpa_l > 0 and state.tally.hose_l <= 0:
        return True
    return _front_passes_silent(setup, state, reading)


def _front_passes_silent(setup: Setup, state: FillState, reading: Reading) -> bool:
    return _silent(setup, state, reading) and state.tally.hose_l <= _LEFT * setup.line.hose_l


def _silent(setup: Setup, state: FillState, reading: Reading) -> bool:
    """Whether the meter has been silent for long while the pump ran."""
    return reading.now_s - max(state.pulse_s, state.changed_s + setup.line.start_lag_s) >= _SILENT_S


def leapt_l(setup: Setup, pulses: int, dt: float, flow_lps: float) -> float:
    """Litres of one scan that this flow brings only in half a second more: the clock stalled; else 0."""
    if setup.meter.estimated:
        return 0.0
    pulse_l = setup.meter.litres_per_pulse
    beyond_l = pulses * pulse_l - MOST_FLOW * flow_lps * dt
    return beyond_l if beyond_l > max(_LEAP_S * flow_lps, _SCATTER_PULSES * pulse_l) else 0.0


def too_fast_l(setup: Setup, state: FillState, dt: float) -> float:
    """Litres counted in this scan beyond the pump's flow; tolerance: a pulse at each end of the flow's second."""
    pulse_l = setup.meter.litres_per_pulse
    flow_lps, most_lps = abs(state.flow.fast_pps) * pulse_l, setup.line.moves_lps(state.direction)
    if setup.meter.estimated or flow_lps - 2 * pulse_l <= MOST_FLOW * most_lps:
        return 0.0
    return (flow_lps - most_lps) * dt
