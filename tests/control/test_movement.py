"""Movement that nothing commanded, at each of its values. The tyre has 300 L of air at 100 kPa, foreseen to 10 kPa.

The pump moves 0.6 L/s forward and 0.5 back and coasts for a second, which the gauge shows half a second later; the
gauge stands 0.6 m of water below the valve.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import AIR, plain_setup
from virtual_fills import PSI

from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.state import Stroke
from rig.control.belief.unasked import flows, moves
from rig.control.words.changed import changed
from rig.control.words.flags import End
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup

SIGNED = plain_setup()
UP_ONLY = plain_setup(meter={"reverse": "none"})
BY_LEVEL = plain_setup(meter={"kind": "tote level"})
BY_TIME = plain_setup(meter={"kind": "run time", "reverse": "none"})
HEAD_KPA = 1000 * 9.80665 * 0.6 / 1000
GAS = Band(90.0, 100.0, 110.0)
COAST_KPA = (110.0 + AIR) / 300.0 * 0.6 * 1.5
"""What the pump's last second presses the tyre by, forward: Boyle's law."""
TARGET = {"ended_by": End.TARGET, "stop_gauge_kpa": 130.0, "began_s": 60.0}
FULL_L = SIGNED.line.hose_l


def facts_of(line_kpa: float | None = 100.0, stroke: dict[str, object] | None = None, **fields: object) -> Facts:
    """Off for 10 s, the valve open."""
    _, facts = moment("fill")
    usual = {
        "state": State.RUNNING, "phase": Phase.SETTLE, "forward": False, "reverse": False, "run_s": 0.0, "off_s": 10.0,
        "valve_open": True, "gas": GAS, "offset_l": 100.0, "stray_l": 0.0, "moves_kpa_s": 0.0, "last_way": 1,
        "wavers_kpa": 0.0, "covered_m": 0.0, "stroke": changed(Stroke(start_hose_l=FULL_L), **(stroke or {})),
    }  # fmt: skip
    reading = replace(facts.reading, now_s=100.0, line_kpa=line_kpa)
    return replace(facts, **{**usual, **fields}, reading=reading)


# --- flow ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pulses_per_l", "stray_l", "told"),
    [(100.0, 0.03, False), (100.0, 0.031, True), (10.0, 0.24, False), (10.0, 0.26, True)],
)
def test_a_few_pulses_are_a_knock_and_more_are_flow(pulses_per_l: float, stray_l: float, told: bool) -> None:
    assert flows(plain_setup(meter={"k_per_l": pulses_per_l}), facts_of(stray_l=stray_l)) is told


@pytest.mark.parametrize(
    ("by", "fields", "told"),
    [
        (-0.1, {}, False), (0.1, {}, True), (2.9, {"wavers_kpa": 3.0}, False), (3.1, {"wavers_kpa": 3.0}, True),
        # Not before the loss has dropped off the gauge, nor after a draw, nor without an estimate.
        (50.0, {"off_s": 3.0}, False), (50.0, {"off_s": 3.1}, True), (50.0, {"last_way": -1}, False),
        (50.0, {"last_way": 0}, True), (50.0, {"gas": None}, False),
    ],
)  # fmt: skip
def test_above_what_a_pump_that_coasts_leaves_one_runs_on(by: float, fields: dict[str, object], told: bool) -> None:
    """Its gauge at the stop, its coasting, and a kilopascal of noise."""
    assert flows(SIGNED, facts_of(130.0 + COAST_KPA + 1.0 + by, TARGET, **fields)) is told


@pytest.mark.parametrize(("by", "told"), [(-0.1, False), (0.1, True)])
def test_a_hose_that_was_not_full_may_add_its_column(by: float, told: bool) -> None:
    airy = {**TARGET, "start_hose_l": FULL_L - 0.5}
    assert flows(SIGNED, facts_of(130.0 + COAST_KPA + HEAD_KPA + 1.0 + by, airy)) is told


@pytest.mark.parametrize(
    "stroke",
    [{**TARGET, "stop_gauge_kpa": None}, {**TARGET, "ended_by": End.FLOOR}, {**TARGET, "ended_by": End.NOT_YET}],
)
def test_only_after_a_stroke_forward_whose_stop_was_seen(stroke: dict[str, object]) -> None:
    assert not flows(SIGNED, facts_of(900.0, stroke))
    assert flows(SIGNED, facts_of(900.0, {**TARGET, "ended_by": End.BROKEN_OFF}))
    assert not flows(SIGNED, facts_of(None, TARGET))


def test_a_tyre_that_is_nearly_full_is_taken_to_have_a_fiftieth_of_air() -> None:
    full = {"offset_l": 399.0}
    coasts_kpa = (110.0 + AIR) / 8.0 * 0.6 * 1.5
    assert not flows(SIGNED, facts_of(130.0 + coasts_kpa + 0.9, TARGET, **full))
    assert flows(SIGNED, facts_of(130.0 + coasts_kpa + 1.1, TARGET, **full))


@pytest.mark.parametrize(
    ("loss_kpa", "began_s", "most_kpa"),
    [
        # Half of a loss of 12 kPa must have dropped off; of 30 no more than the gauge's excess of 20 over the gas.
        (12.0, 0.0, 130.0 + COAST_KPA + 1.0 - 6.0), (30.0, 0.0, 130.0 + COAST_KPA + 1.0 - 10.0),
        # After 10 s of a pump of 0.6 L/s at most 7.8 L came, a third more than it moves, and a margin of 3 psi.
        (0.0, 90.0, 110.0 + (110.0 + AIR) * 7.8 / (300.0 - 7.8) + 3 * PSI + HEAD_KPA - 0.0),
    ],
)  # fmt: skip
def test_of_an_estimate_the_loss_must_drop_off_and_no_more_can_have_come_than_the_pump_moves(
    loss_kpa: float, began_s: float, most_kpa: float
) -> None:
    stroke = {**TARGET, "stop_loss_kpa": loss_kpa, "began_s": began_s}
    if began_s:
        stroke["stop_gauge_kpa"] = 180.0
    assert not flows(BY_LEVEL, facts_of(most_kpa - 0.1, stroke))
    assert flows(BY_LEVEL, facts_of(most_kpa + 0.1, stroke))


def test_after_a_stroke_long_enough_to_fill_half_the_room_its_litres_bound_nothing() -> None:
    """193 s at 0.78 L/s are 150 L, half of the air."""
    long = {**TARGET, "stop_gauge_kpa": 900.0}
    assert not flows(BY_LEVEL, facts_of(890.0, {**long, "began_s": -93.0}))
    assert flows(BY_LEVEL, facts_of(890.0, {**long, "began_s": -91.0}))


@pytest.mark.parametrize(("setup", "told"), [(BY_LEVEL, True), (SIGNED, False)])
def test_a_gauge_that_rises_though_air_is_let_out_means_a_pump_where_no_meter_would_show_it(
    setup: Setup, told: bool
) -> None:
    out = {"lets_out": True, "from_kpa": 80.0}
    most_kpa = 80.0 + HEAD_KPA + 3 * PSI
    assert not flows(setup, facts_of(most_kpa - 0.1, out))
    assert flows(setup, facts_of(most_kpa + 0.1, out)) is told
    assert not flows(setup, facts_of(most_kpa + 0.1, out, off_s=3.0))
    assert not flows(setup, facts_of(most_kpa + 0.1, {"from_kpa": 80.0}))


@pytest.mark.parametrize(
    ("stroke", "fields", "rises_kpa"),
    [
        ({"ended_by": End.FLOOR}, {}, 1.5), ({"ended_by": End.FLOOR}, {"wavers_kpa": 2.0}, 3.5),
        ({}, {"phase": Phase.BACK_FLUSH}, 1.5), ({}, {"phase": Phase.SHUT}, 1.25 * PSI),
        ({}, {"phase": Phase.SHUT, "wavers_kpa": 2.0}, 1.25 * PSI + 2.0),
        ({}, {}, None), ({}, {"phase": Phase.SHUT, "valve_open": False}, None),
        ({}, {"phase": Phase.BACK_FLUSH, "valve_open": False}, None),
    ],
)  # fmt: skip
def test_of_an_estimate_a_gauge_that_goes_on_rising_from_its_calm_is_flow(
    stroke: dict[str, object], fields: dict[str, object], rises_kpa: float | None
) -> None:
    calm = {**stroke, "calm_gauge_kpa": 50.0}
    least_kpa = 50.0 + (100.0 if rises_kpa is None else rises_kpa)
    assert not flows(BY_LEVEL, facts_of(least_kpa - 0.01, calm, **fields))
    assert flows(BY_LEVEL, facts_of(least_kpa + 0.01, calm, **fields)) is (rises_kpa is not None)
    assert not flows(BY_LEVEL, facts_of(least_kpa + 0.01, stroke, **fields))
    assert not flows(SIGNED, facts_of(least_kpa + 0.01, calm, **fields)), "gauge drift, with a meter"
    can = plain_setup(meter={"kind": "tote level"}, into="open vessel")
    if fields.get("phase") is Phase.SHUT:
        assert not flows(can, facts_of(150.0, calm, **fields))


PRESSED = {"valve_open": False, "phase": Phase.UNCOUPLE}


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({}, True), ({"valve_open": True}, False), ({"forward": True}, False), ({"reverse": True}, False),
        ({"state": State.HELD}, False), ({"off_s": 3.0}, False),
    ],
)  # fmt: skip
def test_behind_a_shut_valve_no_hose_has_more_than_any_tyre_of_the_fill(fields: dict[str, object], told: bool) -> None:
    calm, most_kpa = {"calm_gauge_kpa": 0.0}, SIGNED.trip_kpa + HEAD_KPA
    assert flows(SIGNED, facts_of(most_kpa + 0.1, calm, **{**PRESSED, **fields})) is told
    assert not flows(SIGNED, facts_of(most_kpa - 0.1, calm, **{**PRESSED, **fields}))
    assert not flows(SIGNED, facts_of(most_kpa + 0.1, {}, **{**PRESSED, **fields}))
    assert not flows(replace(SIGNED, by_hand=True), facts_of(most_kpa + 0.1, calm, **{**PRESSED, **fields}))
    high_gauge = replace(SIGNED, line=replace(SIGNED.line, rise_m=-0.6))
    assert flows(high_gauge, facts_of(SIGNED.trip_kpa + 0.1, calm, **{**PRESSED, **fields})) is told
    assert not flows(high_gauge, facts_of(SIGNED.trip_kpa - 0.1, calm, **{**PRESSED, **fields}))


# --- movement of the pressure ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setup", "kpa_s", "line_kpa", "fields", "told"),
    [
        (SIGNED, -1.0, 100.0, {}, False), (UP_ONLY, -1.0, 100.0, {}, True), (BY_LEVEL, -1.0, 100.0, {}, True),
        (UP_ONLY, -1.0, 100.0, {"valve_open": False}, True), (UP_ONLY, 0.0, 100.0, {}, False),
        # It rises: a pump that an estimate does not count, or a draw's loss that drops below the tyre's pressure.
        (SIGNED, 1.0, 20.0, {}, False), (BY_LEVEL, 1.0, 100.0, {}, True),
        (BY_LEVEL, 1.0, 100.0, {"valve_open": False}, False),
        (UP_ONLY, 1.0, 90.0 - 1.5 * PSI - 0.1, {}, True), (UP_ONLY, 1.0, 90.0 - 1.5 * PSI + 0.1, {}, False),
        (UP_ONLY, 1.0, 20.0, {"gas": None}, False), (UP_ONLY, 1.0, 20.0, {"valve_open": False}, False),
        (BY_LEVEL, 0.0, 20.0, {}, False),
    ],
)  # fmt: skip
def test_a_pressure_that_moves_is_a_pump_where_the_count_would_not_show_it(
    setup: Setup, kpa_s: float, line_kpa: float, fields: dict[str, object], told: bool
) -> None:
    assert moves(setup, facts_of(line_kpa, moves_kpa_s=kpa_s, **fields)) is told


@pytest.mark.parametrize(
    ("line_kpa", "fields", "told"),
    [
        (-14.9, {}, False), (-15.1, {}, True), (-17.9, {"wavers_kpa": 3.0}, False), (-18.1, {"wavers_kpa": 3.0}, True),
        (-50.0, {"off_s": 2.0}, False), (-50.0, {"off_s": 2.1}, True), (None, {}, False),
        (-50.0, {"last_way": 0}, True),
    ],
)  # fmt: skip
def test_after_a_forward_run_a_vacuum_is_a_pump_that_draws(
    line_kpa: float | None, fields: dict[str, object], told: bool
) -> None:
    """Deeper than a full hose that hangs 1.5 m down."""
    assert moves(SIGNED, facts_of(line_kpa, **fields)) is told


@pytest.mark.parametrize(("state", "told"), [(State.RUNNING, False), (State.HELD, True)])
def test_by_hand_a_person_may_have_thrown_the_lever(state: State, told: bool) -> None:
    assert moves(replace(SIGNED, by_hand=True), facts_of(-50.0, state=state)) is told


def draw(line_kpa: float, setup: Setup = UP_ONLY, left_kpa: float | None = -30.0, **fields: object) -> bool:
    """After a draw that left the gauge at -30 kPa."""
    stroke = {"stop_gauge_kpa": left_kpa, **fields.pop("stroke", {})}
    return moves(setup, facts_of(line_kpa, stroke, **{"last_way": -1, "gas": None, **fields}))


def test_after_a_draw_only_a_vacuum_that_grows_deeper_is_one() -> None:
    """By a second of coasting and half a one that the gauge lags, 0.75 L out of 300, and a kilopascal of noise."""
    least_kpa = -30.0 - (AIR - 30.0) / 300.0 * 0.75 - 1.0
    assert not draw(least_kpa + 0.01)
    assert draw(least_kpa - 0.01)
    assert not draw(-14.9, left_kpa=40.0)
    assert draw(-15.1, left_kpa=40.0), "from above ambient it is as after a forward run"
    assert not draw(-90.0, setup=SIGNED)
    assert not draw(-90.0, left_kpa=None)
    assert not draw(-90.0, valve_open=False)


@pytest.mark.parametrize(("drawn_l", "counts"), [(4.9, False), (5.1, True)])
def test_a_draw_that_counted_must_give_its_loss_back(drawn_l: float, counts: bool) -> None:
    """20 s at half of the pump's 0.5 L/s are 5 L. The gauge is to rise by half of what lies between the tyre's 40 kPa
    and its -30: to 5, or to the column of a hose that hangs."""
    setup = plain_setup(meter={"kind": "tote level"})
    stroke = {"start_l": 50.0, "stop_l": 50.0 - drawn_l, "began_s": 70.0}
    gas = Band(40.0, 45.0, 50.0)
    assert not draw(-14.9, setup, stroke=stroke, gas=gas)
    assert draw(-15.1, setup, stroke=stroke, gas=gas) is counts
    low = Band(-60.0, -55.0, -50.0)
    assert draw(-46.0, setup, left_kpa=-30.0, stroke=stroke, gas=low) is True
    assert draw(-44.9, setup, left_kpa=-30.0, stroke=stroke, gas=low) is (not counts)
    below = replace(setup, line=replace(setup.line, rise_m=-1.0))
    assert draw(-48.0, below, left_kpa=-30.0, stroke=stroke, gas=low) is (not counts)
    assert not draw(-31.0, BY_TIME, stroke=stroke, gas=gas), "its own time confirms nothing"
    assert not draw(-31.0, UP_ONLY, stroke=stroke, gas=gas), "nor does a meter that counts none of it"
