"""First-out logic: delays of guards, who came first, what a reset refuses and leaves, and how a fill ended."""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import plain_setup, plain_state

from rig.control.belief.state import Alarms
from rig.control.belief.suspects import Evidence
from rig.control.safety.alarms import cleared, outcome_of, pending, raise_alarm, standing_trips, watch
from rig.control.safety.guards import GUARD_NAMED, conditions
from rig.control.words.procedure import State

NO_RISE, ESTOP, NO_FLOW = (GUARD_NAMED[name] for name in ("no_rise", "emergency_stop", "no_flow"))
"""Held after a second; tripped at once; held at once."""


def test_a_guard_is_due_once_its_condition_has_held_for_its_delay() -> None:
    begun, due = watch(Alarms(), (NO_RISE, ESTOP), 10.0)
    assert due == (ESTOP,)
    assert begun.timers == (("no_rise", 10.0), ("emergency_stop", 10.0))
    same, due = watch(begun, (NO_RISE, ESTOP), 10.9)
    assert same is begun
    assert due == (ESTOP,)
    assert watch(begun, (NO_RISE,), 11.0)[1] == (NO_RISE,)


AT_ONCE = (
    "emergency_stop", "field_lost", "both_directions", "overfill", "another_controller", "reading_untrusted",
    "meter_jumped", "dry_run", "liquid_in_vent", "insert_not_seated", "output_timeout_lost", "bus_late", "loop_late",
    "journal_behind", "flow_while_stopped", "moves_while_off", "gauge_stuck", "no_flow", "cavity_differs", "air_stays",
    "air_gone", "gauge_restless", "valve_covered", "nothing_drawn", "measures_differ", "valve_blocked",
)  # fmt: skip
"""What its condition has waited for already, or what no second more may pass with."""


@pytest.mark.parametrize("name", sorted(GUARD_NAMED))
def test_a_guard_waits_for_an_instrument_to_settle_and_for_nothing_else(name: str) -> None:
    """A pump of 40 gpm moves 2.5 L in a second: a trip waits for one at most, a judgement of flow for three."""
    guard = GUARD_NAMED[name]
    if name in AT_ONCE:
        assert watch(Alarms(), (guard,), 10.0)[1] == (guard,)
    begun, _ = watch(Alarms(), (guard,), 10.0)
    assert watch(begun, (guard,), 11.0 if guard.action == "trip" else 13.0)[1] == (guard,)


@pytest.mark.parametrize("name", ["pressure_high", "line_high"])
def test_one_scan_s_spike_is_no_trip_and_a_third_of_a_second_is(name: str) -> None:
    guard = GUARD_NAMED[name]
    begun, due = watch(Alarms(), (guard,), 10.0)
    assert due == ()
    assert watch(begun, (guard,), 10.2)[1] == ()
    assert watch(begun, (guard,), 10.35)[1] == (guard,)


def test_only_what_needs_no_new_data_is_judged_without_it() -> None:
    """A silent field raises what it is itself; no old value raises a limit of pressure or flow."""
    setup, facts = moment("fill")
    old = replace(facts, reading=replace(facts.reading, fresh=False, reachable=False, line_kpa=9e3), tyre_kpa=9e3)
    assert [guard.name for guard in conditions(setup, old, Alarms())] == ["field_lost"]
    held = Alarms(timers=(("pressure_high", 1.0),))
    assert {guard.name for guard in conditions(setup, old, held)} == {"field_lost", "pressure_high"}


def test_no_trip_is_a_matter_of_opinion() -> None:
    assert not [name for name, guard in GUARD_NAMED.items() if guard.may_accept and guard.action == "trip"]


def test_a_condition_that_lapses_begins_anew() -> None:
    begun, _ = watch(Alarms(), (NO_RISE,), 10.0)
    lapsed, due = watch(begun, (), 10.5)
    assert (lapsed.timers, due) == ((), ())
    again, due = watch(lapsed, (NO_RISE,), 10.6)
    assert (again.timers, due) == ((("no_rise", 10.6),), ())
    assert watch(Alarms(), (), 10.0) == (Alarms(), ())


def test_what_a_person_has_overridden_is_not_due() -> None:
    alarms = Alarms(timers=(("no_rise", 1.0),), accepted=frozenset({"no_rise"}))
    assert watch(alarms, (NO_RISE,), 50.0) == (alarms, ())
    assert not pending(alarms)
    assert pending(replace(alarms, timers=(("no_rise", 1.0), ("no_flow", 2.0))))
    assert not pending(Alarms())


def test_the_first_stays_first_and_each_other_follows_once() -> None:
    alarms = Alarms()
    for guard in (NO_RISE, NO_RISE, ESTOP, NO_FLOW, ESTOP, NO_RISE):
        alarms = raise_alarm(alarms, guard)
    assert (alarms.first_out, alarms.followers) == ("no_rise", ("emergency_stop", "no_flow"))


def test_only_trips_that_stand_refuse_a_reset() -> None:
    alarms = Alarms(timers=(("no_rise", 1.0), ("emergency_stop", 2.0)), first_out="field_lost")
    assert standing_trips(alarms) == ("emergency_stop",)


def test_after_a_reset_only_what_nobody_can_have_seen_is_left() -> None:
    alarms = Alarms((("no_flow", 1.0),), "no_flow", ("no_rise",), frozenset({"no_rise"}), Evidence("no_flow"))
    after = cleared(alarms)
    assert after == Alarms(timers=alarms.timers, accepted=alarms.accepted)
    unseen = cleared(alarms, ("emergency_stop", "no_rise"))
    assert (unseen.first_out, unseen.followers, unseen.evidence) == ("emergency_stop", ("no_rise",), None)


@pytest.mark.parametrize(
    ("state", "first_out", "outcome"),
    [
        (State.COMPLETE, None, "complete"), (State.COMPLETE, "emergency_stop", "complete"),
        (State.STOPPED, None, "stopped"), (State.STOPPED, "no_rise", "stopped"),
        (State.STOPPED, "emergency_stop", "aborted"),
    ],
)  # fmt: skip
def test_a_fill_that_tripped_was_aborted(state: State, first_out: str | None, outcome: str) -> None:
    assert outcome_of(plain_state(plain_setup(), state=state, alarms=Alarms(first_out=first_out))) == outcome
