"""What the state of a fill says of the rig: which meter counts, where liquid and air are, what the pump does."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from plain import METER, plain_setup, plain_state

from rig.control.belief.accounting import Count, Register
from rig.control.belief.state import (
    Moved,
    Stroke,
    bases,
    fill_valve_open,
    gauge_sees,
    in_force,
    in_tyre_l,
    new_fill,
    offset_l,
    out_of_use,
    pump_off_since_s,
    pump_way,
    way_out,
)
from rig.control.words.flags import End
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading

FORWARD, BACK = Outputs(pump_run=True), Outputs(pump_reverse=True)
LEVEL = replace(METER, kind="tote level", k_per_l=0.5, points=frozenset({"tote_level"}))
TIME = replace(METER, kind="run time", reverse="none")
COUNT_AND_RATE = frozenset({"meter_count", "tote_level"})


def test_a_new_fill_is_idle_with_nothing_counted_and_a_hose_less_its_air() -> None:
    setup = plain_setup(hose_air_l=1.5, overruns=((1, 0.5),), loss_gain=1.2, loss_known=True)
    state = new_fill(setup)
    assert (state.state, state.outputs, state.valve_open, state.measure) == (State.IDLE, Outputs(), False, 0)
    assert (state.tally.hose_l, state.tally.hose_start_l, state.tally.net_l(setup.meter)) == (2.5, 2.5, 0.0)
    assert (state.gas.cavity_l, state.gas.low_l, state.gas.high_l) == (400.0, 380.0, 420.0)
    assert (state.overruns, state.loss_gain, state.loss_known) == (((1, 0.5),), 1.2, True)
    assert new_fill(plain_setup(hose_air_l=5.0)).tally.hose_l == 0.0
    assert (state.fell.kpa, state.rose.kpa, state.dry_s, state.unseen_s, state.supply_cut) == (
        0.0,
        0.0,
        0.0,
        0.0,
        False,
    )


def test_before_the_first_scan_nothing_has_happened() -> None:
    """No number says that something moved, ran or was learned; what never happened was long ago."""
    state = new_fill(plain_setup())
    for part in (state, state.stroke, state.tally, state.alarms, state.flow, state.gas.warmth):
        for field in fields(part):
            value = getattr(part, field.name)
            gain = field.name in ("loss_gain", "vent_gain", "vent_shown")
            wet = field.name in ("hose_l", "hose_start_l")
            if isinstance(value, float | int) and not wet:
                assert value == (1.0 if gain else 0.0) or value <= -1e9, field.name
    assert (state.rose, state.fell) == (Moved(-1e9, 0.0), Moved(-1e9, 0.0))
    assert not state.flags
    assert state.when_low_l is None
    assert state.remains is None


@pytest.mark.parametrize(
    ("ended_by", "pumped", "pushed", "drew", "over"),
    [
        (End.NOT_YET, False, False, False, False), (End.TARGET, True, True, False, True),
        (End.CEILING, True, True, False, True), (End.FEELER, True, True, False, True),
        (End.LOOK, True, True, False, True), (End.BROKEN_OFF, False, True, False, True),
        (End.FLOOR, False, False, True, True), (End.DRY_LIMIT, False, False, True, True),
        (End.UNSURE, False, False, True, True), (End.AIR, False, False, True, True),
        (End.PRESSED, False, False, False, True), (End.TIME, False, False, False, False),
    ],
)  # fmt: skip
def test_how_a_stroke_ended_says_what_the_pump_has_done(
    ended_by: End, *, pumped: bool, pushed: bool, drew: bool, over: bool
) -> None:
    stroke = Stroke(ended_by=ended_by)
    assert (stroke.pumped, stroke.pushed, stroke.drew, stroke.over) == (pumped, pushed, drew, over)


def test_the_acting_measure_stops_with_a_margin_for_what_it_does_not_show() -> None:
    """A level's step of 2 L; by run time an eighth more than the 300 L that are still to come."""
    setup = plain_setup(beside=(LEVEL, TIME))
    assert in_force(setup, plain_state(setup)) is setup
    by_level = in_force(setup, plain_state(setup, measure=1))
    assert (by_level.meter, by_level.target_l) == (LEVEL, 298.0)
    by_time = in_force(setup, plain_state(setup, {"earlier_forward_l": 120.0, "earlier_returned_l": 20.0}, measure=2))
    assert (by_time.meter, by_time.target_l) == (TIME, 275.0)
    past = in_force(setup, plain_state(setup, {"earlier_forward_l": 320.0}, measure=2))
    assert past.target_l == 300.0
    little = replace(setup, target_l=3.0)
    assert in_force(little, plain_state(setup, measure=1)).target_l == 1.5, "half of it at least"


def test_a_valve_that_was_raised_is_clear_of_the_liquid() -> None:
    setup = plain_setup()
    raised = in_force(setup, plain_state(setup, valve_raised=True))
    assert (raised.cavity.fraction_at_valve, raised.cavity.covered(1.0)) == (1.0, 0.0)
    assert raised.cavity.volume_l == 400.0


@pytest.mark.parametrize(
    ("outputs", "lever", "way"), [(FORWARD, 0, 1), (BACK, 0, -1), (Outputs(), 0, 0), (FORWARD, -1, -1)]
)
def test_the_pump_turns_as_its_relays_or_its_lever_say(outputs: Outputs, lever: int, way: int) -> None:
    setup = plain_setup(by_hand=lever != 0)
    assert pump_way(setup, plain_state(setup, outputs=outputs, by_lever=lever)) == way


@pytest.mark.parametrize(
    ("setup", "state", "since_s"),
    [
        ({}, {}, 40.0), ({}, {"outputs": FORWARD}, None), ({}, {"outputs": BACK}, None),
        # By hand it is the supply; without one, a person stops the pump before the fill waits.
        ({"by_hand": True}, {}, 20.0), ({"by_hand": True}, {"outputs": FORWARD}, None),
        ({"by_hand": True, "has_supply": False}, {"state": State.RUNNING}, None),
        ({"by_hand": True, "has_supply": False}, {"state": State.HELD}, 30.0),
        ({"by_hand": True, "has_supply": False}, {"state": State.HELD, "since_s": 10.0}, 20.0),
        ({"by_hand": True, "has_supply": False}, {"state": State.ABORTED}, 30.0),
    ],
)  # fmt: skip
def test_since_when_the_pump_is_off(setup: dict[str, object], state: dict[str, object], since_s: float | None) -> None:
    usual = {"regime_s": 40.0, "since_s": 30.0, "supply_s": 20.0}
    rig = plain_setup(**setup)
    assert pump_off_since_s(rig, plain_state(rig, **{**usual, **state})) == since_s


def test_only_an_open_valve_in_the_last_reverse_is_judged_anew() -> None:
    gun_first = plain_setup(stop_order="gun off, then core back")
    assert way_out(gun_first, Phase.BACK_FLUSH) == "judge_anew"
    assert way_out(gun_first, Phase.FILL) == "break_off"
    assert way_out(plain_setup(), Phase.BACK_FLUSH) == "break_off"


def test_a_fill_valve_is_open_once_its_travel_is_over_and_the_gauge_sees_the_tyre_then() -> None:
    setup = plain_setup(fill_travel_s=3.0, cuts_gauge_off=True)
    state = plain_state(setup, outputs=Outputs(fill_valve=True), fill_valve_s=10.0)
    assert not fill_valve_open(setup, state, 12.9)
    assert fill_valve_open(setup, state, 13.0)
    assert not fill_valve_open(setup, replace(state, outputs=Outputs()), 13.0)
    assert not gauge_sees(setup, state, Reading(12.9, line_kpa=1.0))
    assert gauge_sees(setup, state, Reading(13.0, line_kpa=1.0))
    assert gauge_sees(setup, state, Reading(12.9, tyre_kpa=1.0)), "a gauge at the gun is behind it"
    assert gauge_sees(replace(setup, cuts_gauge_off=False), state, Reading(12.9, line_kpa=1.0))


def test_points_of_a_measure_that_was_given_up_are_out_of_use_unless_the_next_one_reads_them() -> None:
    setup = plain_setup(meter={"points": COUNT_AND_RATE}, beside=(LEVEL, TIME))
    assert out_of_use(setup, plain_state(setup)) == frozenset()
    assert out_of_use(setup, plain_state(setup, measure=1)) == {"meter_count"}
    assert out_of_use(setup, plain_state(setup, measure=2)) == COUNT_AND_RATE


def test_displays_continue_from_the_last_register_of_each_measure() -> None:
    setup = plain_setup(beside=(LEVEL, TIME))
    counts = (Count(Register(500)), Count(), Count(Register(7)))
    assert bases(setup, plain_state(setup, counts=counts)) == (500, 0, 7)
    assert bases(setup, plain_state(setup)) == (0, 0, 0)


def test_gas_takes_the_cavity_less_the_liquid_and_the_hose_s_air_besides() -> None:
    setup = plain_setup(existing_l=20.0)
    state = plain_state(setup, {"pulses_forward": 10_000, "hose_l": 3.0})
    assert in_tyre_l(setup, state) == pytest.approx(101.0)
    assert offset_l(setup, state, 121.0) == pytest.approx(120.0)
