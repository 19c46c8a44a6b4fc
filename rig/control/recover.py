"""A fill taken up again after the controller went away: held, outputs off, and what moved in the dark told apart."""

from __future__ import annotations

from rig.control.accounting import book
from rig.control.changed import changed
from rig.control.flow import Flow
from rig.control.observe import count_pulses, restarts
from rig.control.procedure import Phase, State, next_phase
from rig.control.state import FillState, Stroke, entering, in_force, pump_way, way_off
from rig.control.values import Outputs, Reading, Setup

_DARK_S = 600.0
"""A counter that moved by more than this much pumping while nobody looked has restarted or lied."""


def recovered(setup: Setup, state: FillState, reading: Reading | None) -> FillState:
    """The journalled ``state`` as a held fill; with a ``reading``, the pulses since then become unattended volume.

    The clock starts anew with the process, so every time in the state is forgotten; the next rest reads the pressure.
    """
    now_s = reading.now_s if reading is not None else 0.0
    if reading is not None:
        state = _dark(setup, state, reading)
    setup = in_force(setup, state)
    # An ended state stays, and a trip waits for its reset as before; anything else waits for a person.
    if state.state not in (State.COMPLETE, State.STOPPED):
        reopened = state.phase is Phase.BACK_FLUSH
        state = changed(
            state,
            state=State.ABORTED if state.state in (State.ABORTING, State.ABORTED) else State.HELD,
            phase=next_phase(state.phase, way_off(setup, state.phase)),
            valve_open=state.valve_open or reopened,
        )
    return changed(
        state,
        now_s=0.0,
        since_s=now_s,
        # As far as anybody knows the pump was switched off just now, and may still coast; it is as warm as it was.
        changed_s=now_s,
        regime_s=now_s,
        dry_ended_s=now_s,
        # Since when gauge and meter stand as they do nobody saw.
        gauge_kpa=None,
        stood_kpa=None,
        pulse_s=0.0,
        unmoved_s=0.0,
        last_note_s=-1e9,
        fresh_s=0.0,
        unconfirmed_s=None,
        supply_cut=False,
        unseen_s=0.0 if reading is not None else state.unseen_s,
        flow=Flow(),
        stroke=Stroke(stop_flow_lps=state.stroke.stop_flow_lps, held_kpa=_held_kpa(setup, state)),
        gas=changed(state.gas, sealed=False),
        outputs=Outputs(),
        alarms=changed(state.alarms, timers=()),
        answered=frozenset(),
        flags=state.flags | {"interrupted"},
    )


def _held_kpa(setup: Setup, state: FillState) -> float:
    """However the last stroke went on, no tyre is taken below its floor."""
    return min(state.gas.rest_kpa or 0.0, setup.window.floor_kpa) if setup.into == "tyre" else 0.0


def _dark(setup: Setup, state: FillState, reading: Reading) -> FillState:
    before_restarts = restarts(state)
    # Only the way that the pump last ran: against it no more than the hose's liquid runs by itself.
    unread = changed(state, unread_s=(_DARK_S,) * (1 + len(setup.beside)))
    state, forward, back = count_pulses(setup, unread, reading, setup.line.hose_l, 0.0)
    setup = in_force(setup, state)
    meter = setup.meter
    line_kpa = reading.line_kpa if reading.line_kpa is not None else 0.0
    before = state.tally
    tally = book(before, setup, forward, back, 0.0, line_kpa, entering(setup, state))
    moved = tally.net_l(meter) - before.net_l(meter)
    jumped = restarts(state) > before_restarts
    ran = pump_way(setup, state) != 0
    let_go_l = setup.line.pump_lps * ((setup.timeout_s if ran else 0.0) + setup.line.coast_s)
    # More than the pump moved until its module let it go ran by itself, or was never there.
    unsure_l = max(abs(moved) - let_go_l, 0.0)
    if jumped or (ran and meter.kind == "run time"):
        # A counter that jumped tells of nothing, and of the pump nobody knows when it was let go.
        unsure_l = max(abs(moved), let_go_l if ran else 0.0)
    tally = changed(tally, unattended_l=tally.unattended_l + moved, either_l=tally.either_l + unsure_l)
    return changed(state, tally=tally, flags=state.flags | ({"meter_jumped"} if jumped else set()))
