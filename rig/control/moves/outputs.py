"""Outputs for each state and phase; all are off unless the fill is running."""

from __future__ import annotations

from dataclasses import replace

from rig.control.belief.flow import FLOWING_LPS, Flow
from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState, fill_valve_open
from rig.control.moves.turn import Turn
from rig.control.words.changed import changed
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Setup

_OFF, _BEACON = Outputs(), Outputs(beacon=True)
_FILL = Outputs(pump_run=True, fill_valve=True)
_DRAW = Outputs(pump_reverse=True, fill_valve=True)
_IN_PHASE = {
    Phase.FILL: _FILL,
    Phase.TOP_UP: _FILL,
    Phase.DRAW_DOWN: _DRAW,
    Phase.EMPTY: _DRAW,
    Phase.VENT: Outputs(vent_valve=True),
    Phase.SHUT: _BEACON,
    Phase.UNCOUPLE: _BEACON,
}
_REVERSAL_PAUSE_S = 2.0
"""Least pause before a pump is reversed: common practice for a reversing motor starter, no source."""


def outputs_for(setup: Setup, state: FillState, facts: Facts) -> Outputs:
    """The outputs for the state, with a reversal delayed until the pump is at rest."""
    wanted = _with_valves(setup, state, _wanted(setup, state, facts))
    turns = (1 if wanted.pump_run else 0) - (1 if wanted.pump_reverse else 0)
    # By hand the relay is the pump's supply, and does not control the lever's direction.
    if not setup.by_hand and turns and state.direction and turns != state.direction and not _at_standstill(facts):
        return replace(wanted, pump_run=False, pump_reverse=False)
    if turns and setup.fill_travel_s and not fill_valve_open(setup, state, facts.reading.now_s):
        # Against a valve that is still shut the pump would only open the relief.
        return replace(wanted, pump_run=False, pump_reverse=False)
    return wanted


def _with_valves(setup: Setup, state: FillState, wanted: Outputs) -> Outputs:
    """Open the fill valve where the gauge must see the tyre, and the meter bypass where the meter is not used.

    For as long as the fill runs, including its end: the gun comes off according to the gauge.
    """
    if setup.cuts_gauge_off and state.state is State.RUNNING:
        wanted = replace(wanted, fill_valve=True)
    if setup.into == "tote" and state.measure and wanted.pump_reverse:
        wanted = replace(wanted, flush_valve=True)
    return wanted


def _at_standstill(facts: Facts) -> bool:
    return facts.off_s >= _REVERSAL_PAUSE_S and abs(facts.flow_lps) < FLOWING_LPS


def _wanted(setup: Setup, state: FillState, facts: Facts) -> Outputs:
    if state.state in (State.ABORTING, State.ABORTED, State.HELD):
        return _BEACON
    if state.state is not State.RUNNING:
        return _BEACON if facts.reading.unconfirmed else _OFF
    if setup.by_hand:
        cut = bool(state.stroke.ended_by)
        return Outputs(pump_run=state.phase is not Phase.SETTLE and not cut, beacon=cut)
    if state.phase is Phase.BACK_FLUSH:
        flushes = facts.reading.now_s - state.since_s < state.flush_s
        return _DRAW if flushes else _OFF
    return _IN_PHASE.get(state.phase, _OFF)


def remember(turn: Turn, outputs: Outputs) -> None:
    """Keep what is switched now, and since when."""
    was, now_s = turn.state.outputs, turn.facts.reading.now_s
    if outputs == was:
        return
    if outputs.fill_valve is not was.fill_valve:
        turn.set(fill_valve_s=now_s)
        if turn.setup.cuts_gauge_off:
            # The gauge's reading changes with what it sees.
            turn.set(regime_s=now_s)
    if turn.setup.by_hand:
        # The relay is the pump's supply: the meter shows whether it runs, and which way.
        switched_s = now_s if outputs.pump_run is not was.pump_run else turn.state.supply_s
        turn.set(outputs=outputs, supply_s=switched_s)
        return
    if (outputs.pump_run, outputs.pump_reverse) != (was.pump_run, was.pump_reverse):
        turn.set(changed_s=now_s, regime_s=now_s, flow=Flow())
    elif outputs.vent_valve != was.vent_valve:
        turn.set(regime_s=now_s, flow=Flow())
    if outputs.pump_run or outputs.pump_reverse:
        turn.set(direction=1 if outputs.pump_run else -1)
    if outputs.vent_valve:
        turn.set(gas=changed(turn.state.gas, sealed=False))
    turn.set(outputs=outputs)
