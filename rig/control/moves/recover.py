"""Resume a fill after a controller outage: held, outputs off, unattended movement booked separately."""

from __future__ import annotations

import math

from rig.control.belief.accounting import Tally, book
from rig.control.belief.flow import Flow
from rig.control.belief.level import entering
from rig.control.belief.observe import count_pulses, restarts
from rig.control.belief.rest import unseen
from rig.control.belief.state import FillState, Moved, Stroke, acting_meter, in_force, pump_way, way_out
from rig.control.belief.warmth import Warmth
from rig.control.safety.unconfirmed import in_doubt
from rig.control.words.changed import changed
from rig.control.words.flags import Flag
from rig.control.words.procedure import Phase, State, next_phase
from rig.control.words.values import Outputs, Reading, Setup

_UNKNOWN_KPA = 1e9
"""A movement of unknown size: the gas may be at its thermal limits."""
_DARK_S = 600.0
"""Limit of plausible unattended pumping: a counter that moved by more has restarted or is wrong."""


def recovered(setup: Setup, state: FillState, reading: Reading | None, *, ran_s: float = math.inf) -> FillState:
    """Return the journalled ``state`` as a held fill; with a ``reading``, pulses since then are booked as unattended.

    ``ran_s`` is the longest that a pump may have run on: until it is known to have been switched off, or until now.
    Without a reading what it may have moved in that time is in the uncertainty.

    The clock restarts with the process, so every time in the state is discarded; the next rest reads the pressure.
    """
    now_s = reading.now_s if reading is not None else 0.0
    if reading is not None:
        state = _dark(setup, state, reading, ran_s)
        counts = not acting_meter(setup, state).by_time
        unseen_s = 0.0 if counts else state.unseen_s
    else:
        unseen_s = state.unseen_s + _ran_s(in_force(setup, state), state, ran_s)
    setup = in_force(setup, state)
    # An ended state stays, and a trip still waits for its reset; anything else waits for a person.
    if state.state not in (State.COMPLETE, State.STOPPED):
        reopened = state.phase is Phase.BACK_FLUSH
        state = changed(
            state,
            state=State.ABORTED if state.state in (State.ABORTING, State.ABORTED) else State.HELD,
            phase=next_phase(state.phase, way_out(setup, state.phase)),
            valve_open=state.valve_open or reopened,
        )
    return changed(
        state,
        now_s=0.0,
        since_s=now_s,
        # Assume that the pump was switched off just now, and may still coast; it is as warm as it was.
        changed_s=now_s,
        regime_s=now_s,
        supply_s=now_s,
        dry_ended_s=now_s,
        # How long gauge and meter have been steady was not observed.
        gauge_kpa=None,
        line=unseen(state.line),
        tyre=unseen(state.tyre),
        level_kpa=None,
        # How far it moved meanwhile was not observed.
        rose=Moved(now_s, _UNKNOWN_KPA),
        fell=Moved(now_s, _UNKNOWN_KPA),
        pulse_s=0.0,
        unmoved_s=0.0,
        last_note_s=-1e9,
        fresh_s=0.0,
        unconfirmed_s=None,
        supply_cut=False,
        unseen_s=unseen_s,
        flow=Flow(),
        stroke=Stroke(stop_flow_lps=state.stroke.stop_flow_lps, held_kpa=_held_kpa(setup, state)),
        # Nor was what became of the gas's temperature.
        gas=changed(state.gas, sealed=False, warmth=Warmth(), rest_warmth=Warmth()),
        outputs=Outputs(),
        alarms=changed(state.alarms, timers=()),
        # Whether all stayed at rest since was not observed.
        remains=None,
        answered=frozenset(),
        flags=state.flags | {Flag.INTERRUPTED},
    )


def _held_kpa(setup: Setup, state: FillState) -> float:
    """However the last stroke went on, no tyre is taken below its floor."""
    return min(state.gas.rest_kpa or 0.0, setup.window.floor_kpa) if setup.into == "tyre" else 0.0


def _dark(setup: Setup, state: FillState, reading: Reading, ran_s: float) -> FillState:
    before_restarts = restarts(state)
    # Only in the pump's last direction: against it no more than the hose's liquid runs by itself.
    unread = changed(state, unread_s=(_DARK_S,) * (1 + len(setup.beside)))
    state, forward, back = count_pulses(setup, unread, reading, setup.line.hose_l, 0.0)
    setup = in_force(setup, state)
    meter = setup.meter
    line_kpa = reading.line_kpa if reading.line_kpa is not None else 0.0
    before = state.tally
    tally = book(before, setup, forward, back, 0.0, line_kpa, entering(setup, state))
    moved_l = tally.net_l(meter) - before.net_l(meter)
    jumped = restarts(state) > before_restarts
    passed_l = (forward - back) * meter.litres_per_pulse
    unsure = _unsure_l(setup, state, moved_l, passed_l, ran_s, jumped=jumped)
    tally = changed(tally, unattended_l=tally.unattended_l + moved_l)
    return changed(_doubted(state, tally, *unsure), flags=state.flags | ({Flag.METER_JUMPED} if jumped else set()))


def _doubted(state: FillState, tally: Tally, less_l: float, more_l: float) -> FillState:
    tally = tally.doubting("unattended", less_l=less_l, more_l=more_l)
    doubt_l = tally.unattended_doubt_l + max(less_l, more_l)
    return changed(state, tally=changed(tally, unattended_doubt_l=doubt_l))


def _ran_s(setup: Setup, state: FillState, ran_s: float) -> float:
    """How long the pump may have run on, limited by the time to move all that there is room for."""
    if not (pump_way(setup, state) or in_doubt(state)):
        return 0.0
    return min(ran_s, _room_l(setup) / setup.line.moves_lps(state.direction))


def _let_go_l(setup: Setup, state: FillState, ran_s: float) -> float:
    """The most that the pump moved until it was switched off, by a module's proven time-out or by a person."""
    return setup.line.moves_lps(state.direction) * (_ran_s(setup, state, ran_s) + setup.line.coast_s)


def _unsure_l(
    setup: Setup, state: FillState, moved_l: float, passed_l: float, ran_s: float, *, jumped: bool
) -> tuple[float, float]:
    """How much less, and more, than a register's unattended movement may be in the tyre.

    ``moved_l`` into the tyre, ``passed_l`` by the meter.
    """
    ran, let_go_l = _ran_s(setup, state, ran_s) > 0, _let_go_l(setup, state, ran_s)
    ahead = state.direction >= 0
    if jumped or (ran and setup.meter.by_time):
        # A counter that jumped is no evidence, and when the pump was switched off is unknown.
        uncounted_l = min(let_go_l, _room_l(setup)) if ran else 0.0
        less_l, more_l = max(moved_l, 0.0), max(-moved_l, 0.0)
        return (less_l, max(more_l, uncounted_l)) if ahead else (max(less_l, uncounted_l), more_l)
    # What exceeds the pump's movement until switch-off ran by itself, or does not exist; past a valve that was reported
    # as shut all of it.
    astray_l = max(abs(moved_l) - let_go_l, 0.0) if state.valve_open else abs(moved_l)
    less_l, more_l = (astray_l, 0.0) if moved_l > 0 else (0.0, astray_l)
    if ran and not ahead and setup.meter.reverse == "none" and state.valve_open:
        # What it drew of the hose's liquid was not counted: the hose takes as much again.
        less_l += min(let_go_l, state.tally.hose_l)
    reads_l = (state.counts[state.measure].register.raw or 0) * setup.meter.litres_per_pulse
    if passed_l * state.direction < 0 and reads_l <= let_go_l:
        # Back against the pump's last direction, to near zero: it may have restarted, and the hose may still be full.
        restarted_l = abs(passed_l) + let_go_l
        less_l, more_l = max(less_l, restarted_l), max(more_l, restarted_l)
    return less_l, more_l


def _room_l(setup: Setup) -> float:
    return setup.cavity.volume_l if setup.into == "tyre" else setup.target_l
