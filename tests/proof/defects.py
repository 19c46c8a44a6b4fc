"""Defects planted in the controller, one at a time, each by a patch: what the judge must find."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import pytest
from wrong_counts import (
    a_pulse_lost,
    attended,
    dry_time_uncounted,
    gauge_as_absolute,
    gross,
    hose_always_full,
    hose_wrong_way,
    net,
    peak_unseen,
    return_added,
    runs_on_after_a_crash,
    suction_air_as_liquid,
    sure_of_itself,
    totals_restart,
    unattended_merged,
    unwitnessed,
)
from wrong_relays import both_relays, one_scan_late

from rig.control.belief import observe
from rig.control.moves import decide, outputs, phases, recover, requests, snapshot, uncoupling
from rig.control.moves.phases import Phase
from rig.control.moves.turn import Turn
from rig.control.safety import alarms, guards
from rig.control.safety.guard import Guard
from rig.control.words.procedure import State
from rig.control.words.values import Entry, Meter, Outputs
from rig.record.work import Counted

if TYPE_CHECKING:
    from sim.scenarios import Case, Scenario

Patch = pytest.MonkeyPatch
SMALL = ("wheel", "fluid")


@dataclass(frozen=True)
class Defect:
    """One defect, what a seed must hold (its fault, a person who stops), the seed that finds it, the broken promise."""

    name: str
    plant: Callable[[Patch], None]
    seed: int
    breach: str
    needs: tuple[str, ...] = ()
    dropped: tuple[str, ...] = SMALL


def _swap(target: object, name: str, make: Callable[[Callable[..., object]], object]) -> Callable[[Patch], None]:
    """Replace a function by what ``make`` makes of it."""
    return lambda patch: patch.setattr(target, name, make(getattr(target, name)))


def _without(*names: str) -> Callable[[Patch], None]:
    """The guards without these rows."""
    left = guards.by_scope(guard for guard in guards.GUARDS if guard.name not in names)
    return lambda patch: patch.setattr(guards, "WATCHED", left)


def _keep(*names: str) -> Callable[[Patch], None]:
    """The guards' rows of these names never act: they stand and are not due."""

    def plant(patch: Patch) -> None:
        def watch(state: object, standing: object, now_s: float) -> object:
            after, due = alarms.watch(state, standing, now_s)  # type: ignore[arg-type]
            return after, tuple(guard for guard in due if guard.name not in names)

        patch.setattr(decide, "watch", watch)

    return plant


def _timers_reset(patch: Patch) -> None:
    def watch(state: alarms.Alarms, standing: object, now_s: float) -> object:
        return alarms.watch(replace(state, timers=()), standing, now_s)  # type: ignore[arg-type]

    patch.setattr(decide, "watch", watch)


def _first_out_lost(patch: Patch) -> None:
    def latest(before: alarms.Alarms, guard: Guard) -> alarms.Alarms:
        return replace(alarms.raise_alarm(before, guard), first_out=guard.name)

    patch.setattr(decide, "raise_alarm", latest)


def _stop_ignored(phase: Phase) -> Callable[[Patch], None]:
    def make(original: Callable[..., object]) -> object:
        return lambda turn, request: () if turn.state.phase is phase else original(turn, request)

    def plant(patch: Patch) -> None:
        _swap(requests, "stop", make)(patch)
        patch.setattr(decide, "stop", requests.stop)
        patch.setitem(requests._HANDLERS, "stop", requests.stop)

    return plant


_last_rest_left = _swap(snapshot, "final_static_kpa", lambda _: lambda state: state.gas.rest_kpa)


def _hold_ignored(patch: Patch) -> None:
    patch.setitem(requests._HANDLERS, "hold", lambda turn, request: ())


def _reset_starts(patch: Patch) -> None:
    def reset(turn: Turn, request: object) -> object:
        found = requests._reset(turn, request)  # type: ignore[arg-type]
        if turn.state.state is State.HELD:
            turn.set(state=State.RUNNING)
        return found

    patch.setitem(requests._HANDLERS, "reset", reset)


def _resumes_by_itself(patch: Patch) -> None:
    def act(turn: Turn) -> None:
        if turn.state.state is State.HELD:
            turn.set(alarms=alarms.cleared(turn.state.alarms))
            turn.state_trigger("resume", "itself")
        original(turn)

    original = decide._act
    patch.setattr(decide, "_act", act)


def _draws_too_deep(patch: Patch) -> None:
    _swap(phases, "draw_down", lambda original: _with_goal(original, -45.0))(patch)
    patch.setitem(phases.ACT, Phase.DRAW_DOWN, phases.draw_down)
    _without("pressure_low", "bead_lost")(patch)


def _with_goal(original: Callable[..., object], by_kpa: float) -> Callable[[Turn], None]:
    def phase(turn: Turn) -> None:
        goal = turn.state.stroke.goal_kpa
        turn.set(stroke=replace(turn.state.stroke, goal_kpa=goal + by_kpa))
        original(turn)
        turn.set(stroke=replace(turn.state.stroke, goal_kpa=goal))

    return phase


def _vents_too_long(patch: Patch) -> None:
    def vent(turn: Turn) -> None:
        if turn.facts.stroke_s >= 3 * turn.state.stroke.open_s + 2.0:
            original(turn)

    original = phases.vent
    patch.setitem(phases.ACT, Phase.VENT, vent)


def _gun_off_anyway(patch: Patch) -> None:
    patch.setattr(uncoupling, "_pressed", lambda turn: False)


def _insert_unproved(patch: Patch) -> None:
    _without("insert_not_seated")(patch)
    _gun_off_anyway(patch)


def _no_flush(patch: Patch) -> None:
    patch.setattr(uncoupling, "_flush_s", lambda turn: 0.0)
    _insert_unproved(patch)


def _gun_off_first(patch: Patch) -> None:
    patch.setitem(phases.ACT, Phase.SHUT, lambda turn: turn.ask("gun_off", "Take the gun off."))


def _no_pause(patch: Patch) -> None:
    """Settling makes a pause of its own, so both are taken away."""
    patch.setattr(outputs, "_at_standstill", lambda facts: True)
    patch.setitem(phases.ACT, Phase.SETTLE, lambda turn: original(_impatient(turn)))
    original = phases.settle


def _impatient(turn: Turn) -> Turn:
    turn.facts = replace(turn.facts, stroke_s=1e3, still=True)
    return turn


def _two_closings(patch: Patch) -> None:
    def trigger(turn: Turn, name: str, why: str = "") -> None:
        original(turn, name, why)
        if turn.state.state in decide.ENDED:
            turn.entries.append(Entry("outcome", {"outcome": "complete"}))

    original = Turn.state_trigger
    patch.setattr(Turn, "state_trigger", trigger)


def _record_forgets(name: str) -> Callable[[Patch], None]:
    def plant(patch: Patch) -> None:
        import sim.campaign

        def record(*arguments: object) -> Counted:
            return replace(original(*arguments), **{name: 0.0})

        original: Callable[..., Counted] = sim.campaign.fill_record
        patch.setattr(sim.campaign, "fill_record", record)

    return plant


def _moves_while(state: State) -> Callable[[Patch], None]:
    def plant(patch: Patch) -> None:
        def wanted(setup: object, now: recover.FillState, facts: observe.Facts) -> Outputs:
            found = original(setup, now, facts)
            return Outputs(pump_run=True) if now.state is state else found

        original: Callable[..., Outputs] = outputs._wanted
        patch.setattr(outputs, "_wanted", wanted)

    return plant


def _factor_upside_down(patch: Patch) -> None:
    patch.setattr(Meter, "litres_per_pulse", property(lambda meter: 1 / (meter.factor * meter.k_per_l)))


def _target_unseen(patch: Patch) -> None:
    def fill(turn: Turn) -> None:
        kept = turn.setup
        turn.setup = replace(kept, target_l=1.3 * kept.target_l)
        original(turn)
        turn.setup = kept

    original = phases.fill
    patch.setitem(phases.ACT, Phase.FILL, fill)
    patch.setitem(phases.ACT, Phase.TOP_UP, fill)
    _without("overfill")(patch)


def _outcome_always_complete(patch: Patch) -> None:
    patch.setattr(snapshot, "outcome_of", lambda state: "complete")


def _ceiling_ignored(patch: Patch) -> None:
    patch.setattr(phases, "_ceiling_estimate", lambda turn: None)


def _no_trip_on_pressure(patch: Patch) -> None:
    _ceiling_ignored(patch)
    _without("pressure_high", "estimates_disagree", "line_high")(patch)


def _confirmations_skipped(patch: Patch) -> None:
    patch.setattr(requests, "open_checks", lambda setup, state: ())


DEFECTS: tuple[Defect, ...] = (
    Defect("gross instead of net", net(gross), 1, "record adds up"),
    Defect("the return is added", net(return_added), 1, "record adds up"),
    Defect(
        "overrun is not foreseen",
        lambda patch: patch.setattr(phases, "overrun_s", lambda *_: 0.0),
        68,
        "target met",
        ("nothing",),
        ("wheel", "fluid", "person", "crash", "fault1", "fault2"),
    ),
    Defect("the hose's air is not counted", hose_always_full, 5, "I5 floor", ("draw-down",)),
    Defect(
        "what stands beside the meter is not asked",
        unwitnessed,
        82136,
        "I4 record true",
        ("air_in_line",),
        ("crash", "dry", "fault2", "fluid", "meter", "order", "person", "start", "truth", "valve"),
    ),
    Defect("a counter's restart is not noticed", _without("meter_jumped"), 8, "I3 restart told", ("meter_reset",)),
    Defect("the hose's change with the wrong sign", net(hose_wrong_way), 4, "record adds up"),
    Defect("the ceiling is ignored", _ceiling_ignored, 18, "I5 tyre pressure"),
    Defect("no limit on pressure at all", _no_trip_on_pressure, 4, "I5 tyre pressure"),
    Defect(
        "delays start anew in every scan",
        _timers_reset,
        25,
        "I16 every fill ends",
        ("hose_off", "bead_loss"),
    ),
    Defect("no emergency stop", _without("emergency_stop"), 30, "I6 emergency stop", ("estop",)),
    Defect(
        "a lost field goes on",
        _without("field_lost", "reading_untrusted"),
        12,
        "I6 field lost",
        ("bus_silent", "bus_slow", "exception_reply"),
    ),
    Defect(
        "a pump that does not stop is not seen",
        _without("flow_while_stopped", "output_not_obeyed"),
        53,
        "I6 flow without command",
        ("pump_welded",),
    ),
    Defect(
        "no interlock for no flow",
        _without("no_flow"),
        36,
        "I6 no flow",
        ("pump_no_start", "meter_dead", "meter_stuck"),
    ),
    Defect(
        "no interlock for no rise",
        _without("no_rise", "estimates_disagree", "air_pumped"),
        151,
        "pumped astray",
        ("hose_off",),
        ("fluid", "pump", "start"),
    ),
    Defect("the tote's level is ignored", _without("tote_empty"), 239, "dry run", ("tote_empty",)),
    Defect("the insert is not proved", _insert_unproved, 19, "gun off at rest", ("insert_not_seated",)),
    Defect(
        "the module's time-out is not looked at",
        _without("output_timeout_lost", "output_not_obeyed"),
        7,
        "I6 time-out armed",
        ("device_restart",),
    ),
    Defect(
        "a meter with swapped channels is not noticed",
        _without("reverse_flow", "no_flow"),
        959,
        "I4 record true",
        ("meter_backwards",),
    ),
    Defect("run and reverse together", both_relays, 1, "never both directions"),
    Defect("no pause before a reversal", _no_pause, 19, "reversal pause"),
    Defect("gauge pressure in the gas law", gauge_as_absolute, 40, "I4 record true"),
    Defect("the suction line's air is liquid", suction_air_as_liquid, 1, "I4 record true"),
    Defect("a pulse in 97 is lost", a_pulse_lost, 1, "I3 every pulse"),
    Defect("totals start anew at each rest", totals_restart, 1, "I3 counts never go back"),
    Defect("the meter factor upside down", _factor_upside_down, 10, "I4 record true"),
    Defect("what moved unattended is merged", unattended_merged, 45, "I9 totals as journalled", ("crash",)),
    Defect("what moved unattended is not in the net", net(attended), 45, "I9 totals as journalled", ("crash",)),
    Defect("the pressure left is the last rest's", _last_rest_left, 3, "pressure left", ("stop",)),
    Defect("runs on after a crash", runs_on_after_a_crash, 2, "state table", ("crash",)),
    Defect("draws far below the floor", _draws_too_deep, 1, "I5 floor"),
    Defect("vents three times too long", _vents_too_long, 10, "I5 floor"),
    Defect("the hose is not reversed off", _no_flush, 5, "gun off at rest"),
    Defect("the gun first, then the insert", _gun_off_first, 5, "gun off at rest"),
    Defect("first-out is the last", _first_out_lost, 9, "I10 first-out"),
    Defect("relays follow one scan late", one_scan_late, 1, "nothing is raised"),
    Defect("a stop is ignored while settling", _stop_ignored(Phase.SETTLE), 133, "I12 stop acts at once", ("stop",)),
    Defect("a stop is ignored while filling", _stop_ignored(Phase.FILL), 30, "I12 stop acts at once", ("stop",)),
    Defect("a hold is ignored", _hold_ignored, 13, "I12 hold acts at once", ("hold",)),
    Defect(
        "a reset while the cause stands",
        _swap(requests, "standing_trips", lambda _: lambda a: ()),
        30,
        "I11 reset while the cause stands",
        ("estop",),
    ),
    Defect("a reset starts", _reset_starts, 12, "state table"),
    Defect("a held fill resumes by itself", _resumes_by_itself, 2, "I17 a person's word"),
    Defect("a start without confirmations", _confirmations_skipped, 7, "I2 confirmed before start", ("hasty",)),
    Defect("the pump runs while holding", _moves_while(State.HOLDING), 7, "nothing is raised"),
    Defect("the pump runs while aborting", _moves_while(State.ABORTING), 4, "nothing is raised"),
    Defect("the pump runs while idle", _moves_while(State.IDLE), 1, "nothing is raised"),
    Defect("the target is 30 % too high", _target_unseen, 44, "target met", ("nothing",)),
    Defect("dry running is not counted", dry_time_uncounted, 57, "dry run", ("dry limit",)),
    Defect("the fill is closed twice", _two_closings, 1, "I7 one closing"),
    Defect("the record forgets the hose", _record_forgets("hose_change_l"), 1, "record adds up"),
    Defect("the record forgets the return", _record_forgets("returned_l"), 1, "record adds up"),
    Defect("the stated uncertainty is nothing", sure_of_itself, 19, "I4 record true"),
    Defect("the peak is not kept", peak_unseen, 18, "record's pressures", ("nothing",)),
    Defect("every outcome is complete", _outcome_always_complete, 3, "record as shown"),
)


def traits(scenario: Scenario) -> set[str]:
    """What a seed holds: its faults, and what a person or a crash does."""
    habits, names = scenario.habits, {name for name, _, _ in scenario.faults}
    if habits.stop_at is None and habits.hold_at is None and scenario.crash_at is None and not names:
        names.add("nothing")
    marks = {"stop": habits.stop_at, "hold": habits.hold_at, "crash": scenario.crash_at}
    names |= {mark for mark, at in marks.items() if at is not None}
    names |= {scenario.layout} | ({"hasty"} if habits.hasty else set())
    return names | ({"dry limit"} if scenario.settings.pump.dry_run < 60 else set())


@cache
def sound(case: Case) -> bool:
    """Whether the case has no breach with nothing planted."""
    from sim.campaign import run_case

    return not run_case(case).breaches
