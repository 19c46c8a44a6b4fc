"""How a stroke ends, and what its end shows: of a draw, a vent, a line that loses little, a look. Worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import AIR, plain_setup, plain_state

from rig.control.belief.airspace import Rise
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band, weighed_cavity
from rig.control.belief.state import FillState, Stroke
from rig.control.moves.choosing import hose_takes_all
from rig.control.moves.drawing import draw_down, draws_too_far
from rig.control.moves.learning import end_stroke, learn, learn_loss, stopped, vent_s
from rig.control.moves.look import time_to_look
from rig.control.moves.turn import Turn
from rig.control.words.flags import End, Flag
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.plan.physics import head_kpa, line_loss_kpa, vent_seconds

pytestmark = pytest.mark.fast

DRAWS = plain_setup(method="draw-down", beside=())


def turn_of(setup: Setup, state: FillState, what: str = "fill", line_kpa: float | None = None, **facts: object) -> Turn:
    """A turn in a scan of a sound fill, with these changes."""
    seen: Facts = moment(what)[1]
    seen = replace(seen, reading=replace(seen.reading, line_kpa=line_kpa), **facts)
    return Turn(setup, state, seen)


# --- a draw -----------------------------------------------------------------------------------------------------------


def drawn(tyre_kpa: float, gas_kpa: float, run_s: float) -> Turn:
    """Down to 50 kPa, by a meter that counts no flow now: nothing falls on after the stop."""
    state = plain_state(
        DRAWS, {"hose_l": 0.0}, state=State.RUNNING, phase=Phase.DRAW_DOWN, stroke=Stroke(goal_kpa=50.0)
    )
    turn = turn_of(
        DRAWS, state, "draw", line_kpa=tyre_kpa, tyre_kpa=tyre_kpa, gas=Band(gas_kpa, gas_kpa, gas_kpa), run_s=run_s,
        flow_lps=0.0, dry_s=0.0, filled_l=300.0,
    )  # fmt: skip
    draw_down(turn)
    return turn


@pytest.mark.parametrize(
    ("tyre_kpa", "gas_kpa", "blind", "ends"),
    [(80.0, 49.0, True, True), (40.0, 51.0, True, False), (80.0, 49.0, False, False), (49.0, 80.0, False, True)],
)
def test_until_the_gauge_shows_the_tyre_a_draw_ends_by_the_air_that_was_drawn(
    tyre_kpa: float, gas_kpa: float, blind: bool, ends: bool
) -> None:
    turn = drawn(tyre_kpa, gas_kpa, DRAWS.blank_s + (-0.1 if blind else 0.1))
    assert (turn.state.stroke.ended_by is End.FLOOR) is ends


@pytest.mark.parametrize(("air_l", "too_far"), [(6.0, True), (40.0, False)])
def test_a_pump_that_takes_a_small_tyre_s_pressure_in_one_start_draws_nothing(air_l: float, too_far: bool) -> None:
    """0.5 L/s for half a second at least, and for the time that it runs on."""
    setup = replace(DRAWS, overrun_s=3.5)
    state = plain_state(setup, {"hose_l": 0.0})
    turn = turn_of(setup, state, filled_l=400.0 - air_l)
    kpa = setup.window.floor_kpa + 10.0
    left_kpa = kpa - (kpa + AIR) * 2.0 / (air_l + 4.0)
    assert (left_kpa < setup.window.floor_kpa - 13.8) is too_far
    assert draws_too_far(turn, kpa) is too_far
    wet = turn_of(setup, plain_state(setup), filled_l=400.0 - air_l)
    assert not draws_too_far(wet, kpa), "what it takes is the hose's liquid"
    assert not draws_too_far(turn_of(replace(setup, method="vent"), state, filled_l=400.0 - air_l), kpa)


@pytest.mark.parametrize(
    ("why", "hose_l", "shown"), [(End.FLOOR, 0.0, True), (End.FLOOR, 0.5, False), (End.TARGET, 0.5, True)]
)
def test_a_gauge_that_shows_the_hose_s_liquid_says_nothing_of_what_was_drawn(
    why: End, hose_l: float, shown: bool
) -> None:
    turn = turn_of(DRAWS, plain_state(DRAWS, {"hose_l": hose_l}), line_kpa=-60.0)
    assert (stopped(turn, why).stop_gauge_kpa is not None) is shown


# --- the line's loss -------------------------------------------------------------------------------------------------


def lost(kpa: float, wavers_kpa: float = 0.0) -> Turn:
    """At 0.15 L/s, which loses some 3 kPa through the bore, the gauge fell by so much to a rest at 90 kPa."""
    setup = plain_setup(beside=())
    stroke = Stroke(stop_l=10.0, stop_flow_lps=0.15, loss_told=True, stop_gauge_kpa=90.0 + head_kpa(setup.line) + kpa)
    turn = turn_of(setup, plain_state(setup, stroke=stroke), in_tyre_l=10.0, wavers_kpa=wavers_kpa)
    learn_loss(turn, stroke, 90.0)
    return turn


def test_a_small_loss_is_learned_as_far_as_a_gauge_shows_it() -> None:
    """A gauge 13 kPa above the tyre ends a stroke that much early. No mark for it: below 3 psi it matters little."""
    computed = line_loss_kpa(plain_setup().line, 0.15)
    assert computed < 10.0
    found = lost(13.0)
    assert found.state.loss_gain == pytest.approx(13.0 / computed)
    assert found.state.loss_known
    assert Flag.OTHER_LOSS not in found.state.flags
    assert lost(13.0, wavers_kpa=4.0).state.loss_gain == 1.0
    assert lost(100.0).state.flags == {Flag.OTHER_LOSS}


@pytest.mark.parametrize(("flow_lps", "kept_lps"), [(0.55, 0.55), (0.49, 0.6)])
def test_the_loss_belongs_to_the_flow_of_the_last_second_where_that_is_resolved(
    flow_lps: float, kept_lps: float
) -> None:
    """100 pulses a litre: 55 of them in a second are fine enough, 49 are not."""
    setup = plain_setup(beside=())
    state = plain_state(setup, phase=Phase.FILL)
    turn = turn_of(setup, state, flow_lps=flow_lps, slow_lps=0.6, slow_u=0.01, line_kpa=150.0)
    end_stroke(turn, End.CEILING)
    assert turn.state.stroke.stop_flow_lps == kept_lps


# --- a vent -----------------------------------------------------------------------------------------------------------


def lets_out(state: FillState) -> float:
    setup = plain_setup(beside=(), method="vent")
    turn = turn_of(setup, state, filled_l=300.0)
    return vent_s(turn, 100.0, 30.0) / vent_seconds(setup.line, 100.0, 100.0, 30.0)


def test_only_a_vent_that_showed_nothing_is_followed_by_a_longer_one() -> None:
    setup = plain_setup(beside=(), method="vent")
    short = Stroke(open_s=0.3, idle_outs=1, lets_out=True)
    known = {"vent_known": True, "vent_gain": 1.0}
    assert lets_out(plain_state(setup, stroke=short, **known)) == pytest.approx(2.0)
    filled = replace(short, lets_out=False)
    assert lets_out(plain_state(setup, stroke=filled, **known)) == pytest.approx(1.0)


def test_before_the_first_vent_a_loss_unlike_the_bore_s_makes_it_half_as_long() -> None:
    """A bore to the fourth root of the gain, its area to the root: 16 times the loss, 4 times the time."""
    setup = plain_setup(beside=(), method="vent")
    for flags, gain, share in ((frozenset(), 1.0, 0.7), (frozenset({Flag.OTHER_LOSS}), 1.0, 0.35)):
        state = plain_state(setup, loss_known=True, loss_gain=gain, flags=flags)
        assert lets_out(state) == pytest.approx(share, rel=1e-3)
    assert lets_out(plain_state(setup)) == pytest.approx(0.25, rel=1e-3)


@pytest.mark.parametrize(
    ("open_s", "idle_outs", "from_kpa", "stayed"),
    [
        # 70 kPa above its goal one vent that shows nothing is enough; 7 kPa above it takes three.
        (0.5, 0, 100.0, True), (0.49, 0, 100.0, False), (0.5, 1, 37.0, False), (0.5, 2, 37.0, True),
        # What is over before its valve has moved shows nothing, however often.
        (0.49, 9, 37.0, False),
    ],
)  # fmt: skip
def test_air_that_stays_is_told_by_vents_whose_valve_has_moved(
    open_s: float, idle_outs: int, from_kpa: float, stayed: bool
) -> None:
    setup = plain_setup(beside=(), method="vent")
    stroke = Stroke(
        from_kpa=from_kpa, goal_kpa=30.0, open_s=open_s, idle_outs=idle_outs, lets_out=True, ended_by=End.TIME
    )
    turn = turn_of(setup, plain_state(setup, stroke=stroke), filled_l=300.0)
    learn(turn, stroke, from_kpa)
    assert turn.state.stroke.idle_outs == idle_outs + 1
    assert turn.state.stroke.air_stayed is stayed


# --- strokes that bring nothing ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("filled_l", "barren", "hose_l", "method", "ends"),
    [
        (373.0, 2, 4.0, "draw-down", True), (372.0, 2, 4.0, "draw-down", False), (373.0, 1, 4.0, "draw-down", False),
        (373.0, 2, 3.5, "draw-down", False), (373.0, 2, 4.0, "vent", False),
    ],
)  # fmt: skip
def test_where_the_hose_takes_all_the_room_the_fill_ends_short(
    filled_l: float, barren: int, hose_l: float, method: str, ends: bool
) -> None:
    """400 L, 380 at 95 %: 7 L of room and 4 of hose, compressed from 50 to 150 kPa, leave 0.4 L; 8 L leave 0.8.

    0.6 L, 0.2 % of the target, is next to nothing.
    """
    setup = plain_setup(beside=(), method=method)
    gas = replace(plain_state(setup).gas, rise=Rise(AIR, 50.0, 0.0, 150.0, 0.0))
    turn = turn_of(setup, plain_state(setup, {"hose_l": hose_l}, gas=gas), filled_l=filled_l)
    assert weighed_cavity(turn.state.gas, setup) == (400.0, 10.0)
    assert hose_takes_all(turn, 150.0, barren) is ends


# --- the look ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("start_l", "stops"), [(20.0, True), (98.4, True), (98.5, False)])
def test_a_look_that_came_to_nothing_is_not_tried_again(start_l: float, stops: bool) -> None:
    """A third of 300 L less half a per cent is 98.5: the rest before a stroke from there on was the look."""
    setup = plain_setup(beside=())
    rise = Rise(AIR, 35.0, 0.0, 70.0, start_l)
    gas = replace(plain_state(setup).gas, rise=rise)
    turn = turn_of(setup, plain_state(setup, gas=gas, stroke=Stroke(start_l=start_l)), in_tyre_l=99.0, offset_l=99.0)
    assert time_to_look(turn, 0.2) is stops
