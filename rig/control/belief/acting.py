"""The tyre pressure that limits see: at rest the gauge, in flow the larger of two estimates, while drawing the gauge.

Pure; depends on no phase but the last, in which the valve is shut.
"""

from __future__ import annotations

import math

from rig.control.belief.level import hose_wet
from rig.control.belief.pressure import Band, flowing_band, rest_kpa, vacuum
from rig.control.belief.state import FillState, pump_way
from rig.control.words.procedure import Phase
from rig.control.words.values import Reading, Setup
from rig.plan.physics import air_loss_kpa, line_loss_kpa

SURE_LOSS = 0.8
"""Share of the measured loss used where too much would draw too deep or fault a sound meter."""


def through_line(
    setup: Setup, state: FillState, reading: Reading, flows_lps: tuple[float, float], covered_m: float
) -> tuple[Band | None, float]:
    """While the pump fills: the liquid's line loss, and the tyre's pressure by the gauge if it is all liquid."""
    under_way_s = reading.now_s - state.regime_s - setup.line.start_lag_s
    # By run time the flow was entered, not measured: no loss may be computed from it.
    if under_way_s < setup.blank_s or setup.meter.by_time:
        return None, 0.0
    loss = line_loss_kpa(setup.line, flows_lps[1]) * state.loss_gain
    if not (state.flow.fine and hose_wet(setup, state)):
        return None, loss
    return flowing_band(setup, reading, flows_lps, covered_m, state.loss_gain, loss_known=state.loss_known), loss


def acting_kpa(
    setup: Setup,
    state: FillState,
    reading: Reading,
    gas: Band | None,
    line: Band | None,
    covered_m: float,
    *,
    rests: bool,
) -> float | None:
    """The tyre's pressure, gauge kPa; None with the valve shut, or while nothing shows it."""
    if not state.valve_open:
        return None
    if rests and not state.outputs.vent_valve:
        rest = rest_kpa(setup, reading, state.tally.hose_l, covered_m)
        # A hose that keeps its vacuum after it was reversed off is shut off from the tyre, though this is not proven.
        return None if state.phase is Phase.SHUT and vacuum(rest) else rest
    # What the gauge shows of the liquid that has just left the hose is not the tyre's pressure.
    follows = gas is None or reading.now_s - state.regime_s >= setup.blank_s
    if pump_way(setup, state) < 0 and state.tally.hose_l <= 0 and reading.line_kpa is not None and follows:
        return _while_drawn(setup, state, reading.line_kpa, gas)
    bests = [band.best for band in (gas, line) if band is not None]
    return max(bests) if bests else None


def _while_drawn(setup: Setup, state: FillState, line_kpa: float, gas: Band | None) -> float:
    """Tyre pressure while the pump draws air: the gauge, plus a narrow bore's loss as far as it is reliable.

    Err low: never more than the air space allows, and no loss before liquid has measured the bore's.
    """
    most_kpa = gas.high if gas is not None else math.inf
    if not state.loss_known:
        return min(line_kpa, most_kpa)
    flow_lps = state.flow.slow_pps * setup.meter.litres_per_pulse
    loss_kpa = SURE_LOSS * state.loss_gain * air_loss_kpa(setup.line, flow_lps, line_kpa)
    return min(line_kpa + loss_kpa, most_kpa)
