"""How many litres each finding puts in doubt, and to which side. Worked by hand for a rig of round figures.

The fill has counted 100 L, 70 of them by the last rest, at 200 kPa absolute in a cavity of 400 L; the pump, which
moves 0.6 L/s forward and 0.5 back and coasts for a second, fills.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from moments import moment
from plain import AIR, plain_setup, plain_state
from virtual_fills import PSI

from rig.control.belief.accounting import Tally
from rig.control.belief.airspace import Found, Rise
from rig.control.belief.doubt import (
    rebooked_dry,
    with_accepted,
    with_counted_double,
    with_doubt,
    with_drawn_liquid,
    with_last_rest,
    with_late_rise,
    with_more_room,
    with_rest,
    with_unforeseen,
    with_vacuum_lost,
)
from rig.control.belief.doubts import less_of, more_of
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band, Gas
from rig.control.belief.state import Alarms, FillState, Mark, Stroke
from rig.control.belief.warmth import Warmth
from rig.control.words.changed import changed
from rig.control.words.flags import Flag
from rig.control.words.values import Outputs, Setup
from rig.plan.physics import air_loss_kpa, bore_loss_kpa

SETUP = plain_setup()
BY_TIME = plain_setup(meter={"kind": "run time"})
BY_LEVEL = plain_setup(meter={"kind": "tote level"})
UP_ONLY = plain_setup(meter={"reverse": "none"})
INTO_TOTE, INTO_CAN = plain_setup(into="tote"), plain_setup(into="open vessel")
COLD = Warmth(sd=(0.0,) * 5, weight=(1.0, 0.0, 0.0, 0.0, 0.0))
GAS = Gas(400.0, 380.0, 420.0, rest_kpa=98.675, rest_offset_l=70.0, sealed=True, warmth=COLD, rest_warmth=COLD)
HELD = Tally(pulses_forward=7000, hose_start_l=4.0, hose_l=4.0)


def at(litres: float = 100.0, tally: dict[str, object] | None = None, **fields: object) -> FillState:
    booked = {"pulses_forward": round(100 * litres), **(tally or {})}
    usual = {"gas": GAS, "mark": Mark(HELD), "direction": 1, "outputs": Outputs(pump_run=True), "now_s": 500.0}
    return plain_state(SETUP, booked, **{**usual, **fields})


def facts_of(what: str = "fill", line_kpa: float | None = None, **fields: object) -> Facts:
    _, facts = moment(what)
    usual = {"in_tyre_l": 100.0, "filled_l": 100.0, "offset_l": 100.0, "dt_s": 0.5, "rest_u_kpa": 0.0, "gas": None}
    facts = replace(facts, **{**usual, **fields})
    return facts if line_kpa is None else replace(facts, reading=replace(facts.reading, line_kpa=line_kpa))


def sides(tally: Tally) -> tuple[float, float]:
    return less_of(tally.doubts), more_of(tally.doubts)


def about(less_l: float, more_l: float) -> tuple[float, float]:
    return pytest.approx(less_l, abs=1e-6), pytest.approx(more_l, abs=1e-6)


DREW_10_L, RESTLESS = Mark(changed(HELD, air_returned_l=10.0)), frozenset({Flag.GAUGE_RESTLESS})
OFF, BACK = {"outputs": Outputs()}, {"outputs": Outputs(pump_reverse=True), "direction": -1}


@pytest.mark.parametrize(
    ("setup", "alarm", "state", "less_l", "more_l"),
    [
        # What was counted since the rest, and what flows while the pump coasts, may be elsewhere; or be more.
        (SETUP, "bead_lost", {}, 30.6, 0.0),
        (SETUP, "estimates_disagree", {}, 30.6, 30.6),
        (INTO_TOTE, "bead_lost", {}, 30.6, 30.6),
        # A rest at nothing confirms no litre; nor does one after which the tyre was below plan.
        (SETUP, "bead_lost", {"gas": replace(GAS, rest_kpa=0.69 * PSI)}, 100.6, 0.0),
        (SETUP, "bead_lost", {"gas": replace(GAS, rest_kpa=0.71 * PSI)}, 30.6, 0.0),
        (SETUP, "bead_lost", {"gas": replace(GAS, rest_kpa=None)}, 100.6, 0.0),
        (SETUP, "bead_lost", {"when_low_l": 50.0}, 50.6, 0.0),
        (SETUP, "bead_lost", {"when_low_l": 90.0}, 30.6, 0.0),
        (SETUP, "bead_lost", BACK, 30.5, 0.0),
        # A gauge that stands still means a stopped pump where the pump's time counts, or a hose in the air.
        (SETUP, "gauge_stuck", {}, 0.0, 0.0),
        (BY_TIME, "gauge_stuck", {}, 30.6, 0.0),
        (SETUP, "gauge_stuck", {"gas": replace(GAS, rest_kpa=0.0)}, 100.6, 0.0),
        (SETUP, "air_gone", {}, 4.0, 4.0),
        (SETUP, "air_stays", {"tally": {"air_returned_l": 12.0}, "mark": DREW_10_L}, 2.0, 0.0),
        # More room than the size has may be missing liquid; less may not, unless the gauge never settled.
        (SETUP, "cavity_differs", {"gas": replace(GAS, verdict="more")}, 100.0, 0.0),
        (SETUP, "cavity_differs", {"gas": replace(GAS, verdict="less")}, 0.0, 0.0),
        (SETUP, "cavity_differs", {"gas": replace(GAS, verdict="less"), "flags": RESTLESS}, 100.0, 0.0),
        (INTO_TOTE, "cavity_differs", {"gas": replace(GAS, verdict="more")}, 100.0, 100.0),
        # A silent meter: five seconds of the pump at least, the way that it turns.
        (SETUP, "no_flow", {"unmoved_s": 3.0}, 0.0, 3.0),
        (SETUP, "no_flow", {"unmoved_s": 8.0}, 0.0, 4.8),
        (SETUP, "no_flow", {**BACK, "unmoved_s": -8.0}, 4.0, 0.0),
        (UP_ONLY, "no_flow", {"unmoved_s": 8.0}, 4.8, 4.8),
        (INTO_TOTE, "no_flow", {**BACK, "pulse_s": 482.0}, 9.0, 0.0),
        # Unread for some seconds, with the pump off either way.
        (SETUP, "field_lost", {}, 0.0, 3.0),
        (SETUP, "field_lost", BACK, 2.5, 0.0),
        (SETUP, "field_lost", OFF, 3.0, 3.0),
        (SETUP, "meter_jumped", {}, 0.0, 3.0),
        (SETUP, "insert_not_seated", BACK, 2.5, 2.5),
        (SETUP, "liquid_drawn", BACK, 2.5, 0.0),
        (INTO_TOTE, "liquid_drawn", BACK, 2.5, 2.5),
        (SETUP, "field_lost", {"unseen_s": 0.1}, 0.0, 0.0),
        (SETUP, "field_lost", {"unconfirmed_s": 0.0}, 0.0, 0.0),
        (SETUP, "strainer_fouled", {}, 0.0, 0.0),
    ],
)  # fmt: skip
def test_an_alarm_doubts_so_many_litres(
    setup: Setup, alarm: str, state: dict[str, object], less_l: float, more_l: float
) -> None:
    assert sides(with_doubt(setup, at(**state), alarm)) == about(less_l, more_l)


@pytest.mark.parametrize(("setup", "either"), [(SETUP, False), (BY_LEVEL, True)])
def test_a_gauge_that_never_settled_confirms_an_estimate_to_neither_side(setup: Setup, either: bool) -> None:
    less_l, more_l = sides(with_doubt(setup, at(), "gauge_restless"))
    assert less_l == pytest.approx(30.6)
    assert (more_l == pytest.approx(30.6)) is either


@pytest.mark.parametrize(
    ("way_kpa", "from_kpa", "late"),
    [
        # 200 kPa absolute and 400 L: 40 L press it to some 122 kPa gauge, 80 L to 151 (a little more than Boyle's
        # law gives, as the gas warms). Of those 23 kPa on the way half, or less, is a rise that began late.
        (121.0, 98.675, False), (115.0, 98.675, False), (105.0, 98.675, True),
        # No rest on the way: only a start at nothing may have been an open vent.
        (None, 98.675, False), (None, 0.69 * PSI, True), (None, 0.71 * PSI, False),
    ],
)  # fmt: skip
def test_a_rise_that_began_late_leaves_all_in_doubt(way_kpa: float | None, from_kpa: float, late: bool) -> None:
    rise = Rise(AIR, from_kpa, 0.0, 151.0, 80.0, way_kpa=way_kpa, way_l=40.0)
    state = at(gas=replace(GAS, verdict="less", rise=rise))
    assert sides(with_doubt(SETUP, state, "cavity_differs")) == about(100.0 if late else 0.0, 0.0)


# --- while an alarm that was overridden persists ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setup", "alarms", "fields", "flow_lps", "less_l", "more_l"),
    [
        # Half a second of flow.
        (SETUP, {"accepted": {"no_rise"}, "timers": {"no_rise"}}, {}, 0.4, 0.2, 0.0),
        (SETUP, {"accepted": {"estimates_disagree"}, "timers": {"estimates_disagree"}}, {}, 0.4, 0.2, 0.2),
        (SETUP, {"accepted": {"no_rise"}, "timers": {"no_rise"}}, {}, 0.0, 0.0, 0.0),
        (SETUP, {"accepted": {"no_rise"}, "timers": {"no_rise"}}, {}, -0.4, 0.0, 0.0),
        (SETUP, {"accepted": {"no_rise"}, "timers": set()}, {}, 0.4, 0.0, 0.0),
        (SETUP, {"accepted": set(), "timers": {"no_rise"}}, {}, 0.4, 0.0, 0.0),
        (SETUP, {"accepted": {"no_flow"}, "timers": {"no_flow"}}, {}, 0.4, 0.0, 0.0),
        # A level alone, after a gauge that never settled.
        (SETUP, {}, {"measure": 1, "flags": RESTLESS}, 0.4, 0.2, 0.0),
        (SETUP, {}, {"measure": 0, "flags": RESTLESS}, 0.4, 0.0, 0.0),
        (SETUP, {}, {"measure": 1}, 0.4, 0.0, 0.0),
        # A pump that runs on is not counted by its time, nor backwards by a meter without a reverse count.
        (BY_TIME, {"timers": {"pressure_high"}}, {}, 0.0, 0.3, 0.3),
        (BY_TIME, {"timers": {"no_rise"}}, {}, 0.0, 0.0, 0.0),
        (SETUP, {"timers": {"moves_while_off"}}, {}, 0.0, 0.0, 0.0),
        (UP_ONLY, {"timers": {"moves_while_off"}}, {}, 0.0, 0.3, 0.3),
        (UP_ONLY, {"timers": {"moves_while_off"}}, {}, -0.1, 0.3, 0.3),
        (UP_ONLY, {"timers": {"moves_while_off"}}, {}, 0.4, 0.0, 0.0),
        (UP_ONLY, {"timers": {"flow_while_stopped"}}, {}, 0.0, 0.0, 0.0),
    ],
)  # fmt: skip
def test_what_flows_meanwhile_stays_in_doubt(
    setup: Setup, alarms: dict[str, set[str]], fields: dict[str, object], flow_lps: float, less_l: float, more_l: float
) -> None:
    timers = tuple((name, 1.0) for name in alarms.get("timers", ()))
    state = at(alarms=Alarms(timers=timers, accepted=frozenset(alarms.get("accepted", ()))), **fields)
    assert sides(with_accepted(setup, state, facts_of(flow_lps=flow_lps))) == about(less_l, more_l)


def test_a_pump_that_runs_on_doubts_no_more_than_the_tyre_holds() -> None:
    state = at(tally={"doubts": Tally().doubting("pump runs on", less_l=399.9, more_l=50.0).doubts})
    state = replace(state, alarms=Alarms(timers=(("pressure_high", 1.0),)))
    assert sides(with_accepted(BY_TIME, state, facts_of(flow_lps=0.0))) == about(400.0, 50.3)


# --- rests -----------------------------------------------------------------------------------------------------------


FORESEEN_LOW_KPA = 200 * (420 - 70) / (420 - 100) - AIR
"""Of the largest cavity, 30 L after the rest."""


@pytest.mark.parametrize(
    ("setup", "kpa", "fields", "less_l"),
    [
        (SETUP, FORESEEN_LOW_KPA - 2.05, {}, 0.0),
        # Three kilopascals below it: 300 L of room that the tyre's air overfills by as much.
        (SETUP, FORESEEN_LOW_KPA - 3.0, {}, 300 * 3.0 / (FORESEEN_LOW_KPA - 3.0 + AIR)),
        (SETUP, 50.0, {}, 30.0),
        (SETUP, 0.7 * PSI, {}, 30.0),
        (SETUP, -9.0, {}, 30.0),
        (INTO_CAN, 0.0, {}, 0.0),
        (SETUP, 50.0, {"gas": replace(GAS, sealed=False)}, 0.0),
        (SETUP, 50.0, {"gas": replace(GAS, sealed=False), "flags": frozenset({Flag.INTERRUPTED})}, 30.0),
        (INTO_TOTE, 90.0, {}, 300 * (FORESEEN_LOW_KPA - 90.0) / (90.0 + AIR)),
        (INTO_TOTE, -9.0, {}, 100.0),
    ],
)  # fmt: skip
def test_a_last_rest_that_is_too_low_confirms_no_litre_since_the_one_before(
    setup: Setup, kpa: float, fields: dict[str, object], less_l: float
) -> None:
    assert sides(with_last_rest(setup, at(**fields), facts_of(), kpa)) == about(less_l, 0.0)


def test_even_as_foreseen_a_gauge_at_nothing_confirms_no_tyre() -> None:
    low = replace(GAS, rest_kpa=-20.0)
    assert sides(with_last_rest(SETUP, at(gas=low), facts_of(), 0.69 * PSI)) == about(30.0, 0.0)
    assert sides(with_last_rest(SETUP, at(gas=low), facts_of(), 0.71 * PSI)) == about(0.0, 0.0)


@pytest.mark.parametrize(
    ("setup", "gas", "less_l"),
    [
        # Measured as 500 L, at least 480: of the 100 L counted a fifth may be what the size has not.
        (SETUP, {"found": Found(500.0, 10.0, 0.0)}, 20.0),
        (SETUP, {"found": Found(500.0, 40.1, 0.0)}, 0.0),
        (SETUP, {"found": Found(400.0, 1.0, 0.0)}, 0.0),
        (SETUP, {"found": Found(500.0, 10.0, 0.0), "looked": True}, 0.0),
        (INTO_CAN, {"found": Found(500.0, 10.0, 0.0)}, 0.0),
        (SETUP, {}, 0.0),
    ],
)  # fmt: skip
def test_no_more_is_certain_than_the_size_has_room_for(setup: Setup, gas: dict[str, object], less_l: float) -> None:
    state = at(gas=replace(GAS, sealed=False, **gas))
    assert sides(with_more_room(setup, state, facts_of(), 98.675)) == about(less_l, 0.0)


def test_the_last_stroke_counts_in_what_the_cavity_is_measured_by() -> None:
    """From 200 kPa absolute 100 L into a true cavity of 800: seen where the rest ends a stroke of the pump."""
    rise = Rise(AIR, 98.675, 0.0, 98.675, 0.0, gauge_u_kpa=0.1)
    fine = replace(SETUP, line_gauge=replace(SETUP.line_gauge, u_kpa=0.1))
    state = at(gas=replace(GAS, rise=rise, rest_offset_l=0.0, cold_kpa=98.675))
    kpa = 200 * 800 / 700 - AIR
    for ended_by, doubted in (("target", True), ("floor", False)):
        tally = with_more_room(fine, replace(state, stroke=Stroke(ended_by=ended_by)), facts_of(), kpa)
        assert (less_of(tally.doubts) == pytest.approx(50.0, rel=0.1)) is doubted


def test_a_rest_as_foreseen_is_no_reason_to_doubt_and_one_far_from_it_is() -> None:
    """Foreseen 95 kPa, 90 to 100: 300 L of air at 120 hold 34 L more liquid in place of air, at 75 as much less."""
    facts = facts_of(stroke=Stroke(start_l=50.0), gas=Band(90.0, 95.0, 100.0))
    unseen_l, missing_l = 300 * 25.0 / (120.0 + AIR), 300 * 20.0 / (75.0 + AIR)

    def by(setup: Setup, state: FillState, kpa: float, facts: Facts = facts) -> tuple[float, float]:
        return sides(with_unforeseen(setup, state, facts, kpa, 300.0))

    for kpa in (88.5, 102.0):
        assert by(BY_LEVEL, at(), kpa) == about(0.0, 0.0)
    assert by(BY_LEVEL, at(), 120.0) == about(0.0, unseen_l)
    assert by(BY_LEVEL, at(), 75.0) == about(missing_l, 0.0)
    assert by(BY_LEVEL, at(), 75.0, replace(facts, stroke=Stroke(start_l=92.0))) == about(8.0, 0.0)
    assert by(SETUP, at(), 120.0) == by(SETUP, at(), 75.0) == about(0.0, 0.0)
    assert by(SETUP, at(when_low_l=80.0), 120.0) == about(20.0, 0.0)
    assert by(SETUP, at(when_low_l=80.0), 102.0) == about(0.0, 0.0)
    before = HELD.doubting("field_lost", less_l=2.0, more_l=5.0)
    since = at(mark=Mark(before), tally={"doubts": before.doubting("no_flow", more_l=8.0).doubts})
    assert by(BY_LEVEL, since, 120.0) == about(2.0, 5.0 + unseen_l)
    assert by(BY_LEVEL, since, 75.0) == about(2.0 + missing_l, 13.0)


@pytest.mark.parametrize(
    ("kpa", "less_l", "more_l"),
    [
        # Foreseen exactly 100 kPa, a gauge that errs by 1 kPa, 320 L of room: 200.3 kPa either side of it.
        (100.0, 320 * (201.325 / 200.325 - 1), 320 * (1 - 201.325 / 202.325)),
        (90.0, 50.0 * min(1.0, 320 * (201.325 / 190.325 - 1) / 50.0), 0.0),
        (110.0, 0.0, 320 * (1 - 201.325 / 212.325)),
        (-101.0, 50.0, 0.0),
    ],
)  # fmt: skip
def test_a_rest_settles_a_doubt_to_what_the_room_shows(kpa: float, less_l: float, more_l: float) -> None:
    setup = replace(SETUP, line_gauge=replace(SETUP.line_gauge, u_kpa=0.8))
    state = at(tally={"doubts": Tally().doubting("field_lost", less_l=50.0, more_l=50.0).doubts})
    facts = facts_of(gas=Band(100.0, 100.0, 100.0), rest_u_kpa=0.6)
    assert sides(with_rest(setup, state, facts, kpa)) == about(less_l, more_l)


def test_a_rest_settles_nothing_of_before_or_elsewhere() -> None:
    facts = facts_of(gas=Band(100.0, 100.0, 100.0))
    doubts = Tally().doubting("field_lost", less_l=50.0, more_l=50.0)
    old = at(tally={"doubts": doubts.doubts}, mark=Mark(changed(HELD, doubts=doubts.doubts)))
    assert with_rest(SETUP, old, facts, 100.0) is old.tally
    new = at(tally={"doubts": doubts.doubts})
    assert with_rest(INTO_CAN, new, facts, 100.0) is new.tally
    assert with_rest(SETUP, new, replace(facts, gas=None), 100.0) is new.tally


# --- what the line shows ---------------------------------------------------------------------------------------------


NEAR_LEVEL_L = 400.0 * SETUP.cavity.fraction_at_valve - 16.0
DRAWS = {"outputs": Outputs(pump_reverse=True), "direction": -1}


def drawn(short_kpa: float, setup: Setup = SETUP, litres: float = NEAR_LEVEL_L, **fields: object) -> float:
    """What half a second of drawing 0.4 L/s doubts, with the gauge so far below what air alone would lose."""
    state = at(litres, **{**DRAWS, **fields})
    line_kpa = 50.0 - air_loss_kpa(SETUP.line, 0.4, 50.0) - short_kpa
    facts = facts_of("draw", line_kpa, reverse=True, valve_open=True, flow_lps=-0.4, gas=Band(50.0, 52.0, 55.0))
    less_l, more_l = sides(with_drawn_liquid(setup, state, facts))
    assert more_l == 0.0
    return less_l


def test_liquid_among_the_air_shows_by_the_loss_that_only_liquid_has() -> None:
    """At 0.4 L/s; a loss below 3 psi says too little to be divided by."""
    liquid_kpa = max(bore_loss_kpa(SETUP.line, 0.4), 3 * PSI)
    assert drawn(0.0) == pytest.approx(0.0, abs=1e-9)
    assert drawn(-5.0) == 0.0
    assert drawn(0.25 * liquid_kpa) == pytest.approx(0.05)
    assert drawn(liquid_kpa) == pytest.approx(0.2)
    assert drawn(3 * liquid_kpa) == pytest.approx(0.2), "no more than all of it"
    gain = 2 * 3 * PSI / bore_loss_kpa(SETUP.line, 0.4)
    assert drawn(3 * PSI, loss_gain=gain) == pytest.approx(0.1), "a bore with so much more loss"


def test_it_is_looked_for_only_near_the_level_of_a_tyre_that_air_is_drawn_from() -> None:
    assert drawn(100.0, litres=NEAR_LEVEL_L - 30.0) == 0.0
    assert drawn(100.0, setup=INTO_TOTE) == 0.0
    assert drawn(100.0, litres=NEAR_LEVEL_L + 30.0) == 0.0, "liquid is expected there"
    assert drawn(100.0, setup=UP_ONLY) == pytest.approx(0.5 * 0.5, abs=0.01), "by the pump's flow"
    state = at(NEAR_LEVEL_L, **DRAWS)
    band = Band(50.0, 52.0, 55.0)
    for fields in ({"reverse": False}, {"valve_open": False}, {"gas": None}, {"flow_lps": 0.0}):
        facts = facts_of(
            "draw", -50.0, **{"reverse": True, "valve_open": True, "flow_lps": -0.4, "gas": band, **fields}
        )
        assert with_drawn_liquid(SETUP, state, facts) is state.tally, fields


def test_a_loss_twice_as_large_at_the_same_count_is_a_count_1_4_times_too_high() -> None:
    """The loss is quadratic in the flow: of the 70 L by the last rest those beyond 70/√2 are in doubt."""
    assert sides(with_counted_double(SETUP, at(), 1.99)) == about(0.0, 0.0)
    assert sides(with_counted_double(SETUP, at(), 2.0)) == about(70 * (1 - math.sqrt(0.5)), 0.0)
    assert sides(with_counted_double(SETUP, at(), 4.0)) == about(35.0, 0.0)
    assert sides(with_counted_double(BY_LEVEL, at(), 4.0)) == about(0.0, 0.0)


@pytest.mark.parametrize(("even_l", "hose_l", "air_l"), [(97.0, 4.0, 3.0), (97.0, 2.0, 2.0), (101.0, 4.0, 0.0)])
def test_a_count_since_the_suction_ran_dry_is_air_that_pushed_as_much_liquid_on(
    even_l: float, hose_l: float, air_l: float
) -> None:
    state = at(tally={"hose_l": hose_l}, stroke=Stroke(even_passed_l=even_l))
    tally = rebooked_dry(SETUP, state)
    assert (tally.air_forward_l, tally.hose_l) == (pytest.approx(air_l), pytest.approx(hose_l - air_l))
    assert tally.suction_air_kpa_l == pytest.approx(1.5 * AIR)
    assert tally.net_l(SETUP.meter) == pytest.approx(state.tally.net_l(SETUP.meter))
    assert sides(tally) == about(air_l + 1.5 + 0.6, air_l + 1.5 + 0.6)


def test_a_late_rise_doubts_what_no_tyre_under_pressure_has_confirmed() -> None:
    assert sides(with_late_rise(SETUP, at())) == about(30.0, 0.0)
    assert sides(with_late_rise(SETUP, at(gas=replace(GAS, rest_kpa=0.0)))) == about(100.0, 0.0)


@pytest.mark.parametrize(
    ("setup", "line_kpa", "lowest_kpa", "less_l"),
    [
        # 6 s after the start, off for 3: the pump drew for those, and for the second in which it coasts.
        (UP_ONLY, -50.0 + 2.01 * PSI, -50.0, 2.0), (UP_ONLY, -50.0 + 1.99 * PSI, -50.0, 0.0),
        (UP_ONLY, 0.0, None, 0.0), (SETUP, 0.0, -50.0, 0.0), (BY_LEVEL, 0.0, -50.0, 2.0),
    ],
)  # fmt: skip
def test_a_vacuum_that_is_lost_behind_a_shut_valve_may_have_drawn_from_the_tyre(
    setup: Setup, line_kpa: float, lowest_kpa: float | None, less_l: float
) -> None:
    state = at(stroke=Stroke(lowest_kpa=lowest_kpa))
    assert sides(with_vacuum_lost(setup, state, facts_of("flush", line_kpa, stroke_s=6.0, off_s=3.0))) == about(
        less_l, 0.0
    )


def test_it_draws_no_longer_than_the_reverse_lasts_and_adds_to_what_was_in_doubt_before() -> None:
    state = at(stroke=Stroke(lowest_kpa=-50.0), mark=Mark(HELD.doubting("a", less_l=5.0)))
    assert sides(with_vacuum_lost(UP_ONLY, state, facts_of("flush", 0.0, stroke_s=6.0, off_s=0.5))) == about(8.0, 0.0)
