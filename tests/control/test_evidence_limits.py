"""From which value on each residual is told: at both sides of its spread, which is stated for every instrument.

A rig of round figures; the gauge errs by 1.03 kPa (95 %) and does not waver, the air space gives 50 to 60 kPa.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from moments import moment
from plain import METER, plain_setup, plain_state
from virtual_fills import PSI

from rig.control.belief.accounting import Count, Register
from rig.control.belief.evidence import with_evidence
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.state import Alarms, FillState, Mark, Stroke
from rig.control.belief.suspects import Evidence
from rig.control.words.changed import changed
from rig.control.words.values import Outputs, Setup
from rig.plan.physics import line_loss_kpa

LEVEL = replace(METER, kind="tote level", k_per_l=10.0, uncertainty=0.05)
TIME = replace(METER, kind="run time", k_per_l=10.0, uncertainty=0.15, reverse="none")
SETUP = plain_setup(beside=(LEVEL, TIME))
HEAD_KPA = 1000 * 9.80665 * 0.6 / 1000
TYRE_KPA = 55.0 + HEAD_KPA
SPREAD_KPA = math.sqrt(2) * 1.03
OFF = {"forward": False, "reverse": False, "outputs": Outputs(), "run_s": 0.0, "off_s": 10.0}
BACK = {"forward": False, "reverse": True, "last_way": -1, "outputs": Outputs(pump_reverse=True)}


def facts_of(line_kpa: float | None = TYRE_KPA + 10.0, tote_l: float | None = 500.0, **fields: object) -> Facts:
    """The pump has filled for ten seconds, and counts."""
    _, facts = moment("fill")
    usual = {
        "forward": True, "reverse": False, "outputs": Outputs(pump_run=True), "run_s": 10.0, "off_s": 0.0,
        "valve_open": True, "gas": Band(50.0, 55.0, 60.0), "line": None, "wet": True, "loss_known": True,
        "loss_gain": 1.0, "covered_m": 0.0, "wavers_kpa": 0.0, "last_way": 1, "pulse_age_s": 0.1, "gauge_age_s": 0.1,
        "contradicted": False, "venting": False, "stroke": Stroke(began_s=50.0), "stroke_s": 10.0,
    }  # fmt: skip
    reading = replace(facts.reading, now_s=100.0, line_kpa=line_kpa, tyre_kpa=None, tote_l=tote_l)
    return replace(facts, **{**usual, **fields}, reading=reading)


def counts(setup: Setup, *litres: float) -> tuple[Count, ...]:
    meters = (setup.meter, *setup.beside)
    return tuple(
        Count(Register(0), forward=round(each_l / meter.litres_per_pulse))
        for meter, each_l in zip(meters, litres, strict=True)
    )


def at(
    litres: tuple[float, ...] = (100.0, 100.0, 100.0),
    then: tuple[float, ...] = (70.0, 70.0, 70.0),
    tally: dict[str, object] | None = None,
    **fields: object,
) -> FillState:
    """What meter, level and run time have counted now, and at the last rest."""
    state = plain_state(SETUP, {"pulses_forward": round(100 * litres[0]), **(tally or {})}, **fields)
    mark = Mark(changed(state.tally, pulses_forward=round(100 * then[0])), counts(SETUP, *then))
    return changed(state, counts=counts(SETUP, *litres), mark=mark)


def seen(
    facts: Facts, state: FillState | None = None, setup: Setup = SETUP, before: Evidence | None = None
) -> Evidence:
    state = changed(at() if state is None else state, alarms=Alarms(first_out="no_flow", evidence=before))
    evidence = with_evidence(setup, state, facts).evidence
    assert evidence is not None
    return evidence


def test_without_an_alarm_there_is_no_evidence() -> None:
    assert with_evidence(SETUP, at(), facts_of()) == Alarms()


LOSS_KPA = line_loss_kpa(SETUP.line, 0.6)


@pytest.mark.parametrize(
    ("over_kpa", "fields", "sign"),
    [
        # Below twice the spread of two readings nothing is pushed; too much is half as much again as the loss.
        (2 * SPREAD_KPA - 0.01, {}, "-"), (2 * SPREAD_KPA + 0.01, {}, "0"),
        (1.5 * LOSS_KPA + SPREAD_KPA - 0.01, {}, "0"), (1.5 * LOSS_KPA + SPREAD_KPA + 0.01, {}, "+"),
        (900.0, {"loss_known": False}, "0"),
        (0.75 * LOSS_KPA + SPREAD_KPA - 0.01, {"loss_gain": 0.5}, "0"),
        (0.75 * LOSS_KPA + SPREAD_KPA + 0.01, {"loss_gain": 0.5}, "+"),
        (2 * SPREAD_KPA + 1.9, {"wavers_kpa": 1.0}, "-"), (2 * SPREAD_KPA + 2.1, {"wavers_kpa": 1.0}, "0"),
        (50.0, {"run_s": 0.9}, "?"), (0.0, {"run_s": 1.0}, "-"), (0.0, {"wet": False}, "?"), (0.0, {"gas": None}, "?"),
    ],
)  # fmt: skip
def test_what_the_pump_moves_the_gauge_by(over_kpa: float, fields: dict[str, object], sign: str) -> None:
    assert seen(facts_of(TYRE_KPA + over_kpa, **fields)).push == sign


def test_no_loss_is_expected_beyond_the_relief_s_setting() -> None:
    """At 55 kPa in the tyre the relief leaves 151.8 of a loss that would be more."""
    narrow = plain_setup(line={"bore_m": 0.004}, beside=(LEVEL, TIME))
    most_kpa = 1.5 * (narrow.line.relief_kpa - 55.0) + SPREAD_KPA
    assert line_loss_kpa(narrow.line, 0.6) > narrow.line.relief_kpa
    assert seen(facts_of(TYRE_KPA + most_kpa - 0.1), setup=narrow).push == "0"
    assert seen(facts_of(TYRE_KPA + most_kpa + 0.1), setup=narrow).push == "+"


@pytest.mark.parametrize(
    ("over_kpa", "hose_l", "sign"),
    [
        (-2 * SPREAD_KPA + 0.01, 4.0, "-"),
        (-2 * SPREAD_KPA - 0.01, 4.0, "0"),
        (30.0, 4.0, "-"),
        (0.0, 2.1, "-"),
        (0.0, 2.0, "?"),
    ],
)
def test_while_it_draws_liquid_the_gauge_falls(over_kpa: float, hose_l: float, sign: str) -> None:
    state = at(tally={"hose_l": hose_l})
    assert seen(facts_of(TYRE_KPA + over_kpa, **BACK), state).push == sign


def test_the_last_rest_stands_for_an_air_space_that_is_not_known() -> None:
    state = at()
    rested = changed(state, gas=changed(state.gas, rest_kpa=55.0))
    assert seen(facts_of(TYRE_KPA, gas=None), rested).push == "-"


@pytest.mark.parametrize(
    ("fields", "sign"),
    [
        ({"pulse_age_s": 1.4}, "0"), ({"pulse_age_s": 1.6}, "-"), ({"pulse_age_s": 9.0, "run_s": 1.4}, "?"),
        ({"pulse_age_s": 9.0, "run_s": 1.6}, "-"), ({"valve_open": False}, "?"), ({"last_way": 0}, "?"),
        ({**OFF, "pulse_age_s": 11.4}, "0"), ({**OFF, "pulse_age_s": 11.6}, "-"), ({**BACK}, "0"),
        ({**BACK, "pulse_age_s": 1.6}, "-"),
    ],
)  # fmt: skip
def test_a_meter_that_is_silent_for_a_second_and_a_half(fields: dict[str, object], sign: str) -> None:
    assert seen(facts_of(**fields)).count == sign


def test_a_meter_that_cannot_count_that_way_tells_nothing() -> None:
    up_only = plain_setup(meter={"reverse": "none"}, beside=(LEVEL, TIME))
    assert seen(facts_of(**BACK, pulse_age_s=9.0), setup=up_only).count == "?"
    assert seen(facts_of(pulse_age_s=9.0), setup=up_only).count == "-"
    by_level = plain_setup(meter={"kind": "tote level"}, beside=(LEVEL, TIME))
    assert seen(facts_of(pulse_age_s=9.0), setup=by_level).count == "?"
    blind = plain_setup(meter={"on_air": "blind"}, beside=(LEVEL, TIME))
    air = at(tally={"suction_air_kpa_l": 50.0}, outputs=Outputs(pump_run=True))
    assert seen(facts_of(pulse_age_s=9.0), air, blind).count == "?"


@pytest.mark.parametrize(
    ("counted_l", "timed_l", "then", "sign"),
    [
        # Within 30 % (twice its 15) and two steps of each, 0.22 L, of the 30 L since the rest.
        (109.2, 100.0, 70.0, "0"), (109.24, 100.0, 70.0, "+"), (100.0, 100.0, 70.0, "0"),
        # Less than two steps since the rest: the whole fill.
        (100.0, 100.0, 99.9, "0"), (130.2, 100.0, 99.9, "0"), (130.3, 100.0, 99.9, "+"),
    ],
)  # fmt: skip
def test_a_meter_that_counts_more_than_the_pump_s_time(
    counted_l: float, timed_l: float, then: float, sign: str
) -> None:
    state = at((counted_l, 100.0, timed_l), (70.0, 70.0, then))
    assert seen(facts_of(), state).count == sign
    assert seen(facts_of(), state, replace(SETUP, beside=(LEVEL, LEVEL))).count == "0"
    assert seen(facts_of(), changed(state, counts=(), mark=Mark(state.mark.tally))).count == "0"


@pytest.mark.parametrize(
    ("level_l", "sign"),
    [(100.0, "0"), (101.7, "0"), (101.9, "+"), (98.4, "0"), (98.2, "-")],
)
def test_what_left_the_tote_since_the_rest(level_l: float, sign: str) -> None:
    """Of 30 L the level is known to 1.5, the meter to 0.3, and two steps."""
    assert seen(facts_of(**OFF), at((100.0, level_l, 100.0))).tote == sign


def test_air_in_the_suction_line_and_what_came_back_are_not_missing_from_the_tote() -> None:
    state = at((100.0, 96.0, 100.0), tally={"pulses_returned": 200, "suction_air_kpa_l": 2.0 * 101.325})
    assert seen(facts_of(**OFF), state).tote == "-", "the rest before had the same air and return"
    then = changed(state.mark.tally, pulses_returned=0, suction_air_kpa_l=0.0)
    assert seen(facts_of(**OFF), changed(state, mark=replace(state.mark, tally=then))).tote == "0"


def test_a_witness_that_contradicts_the_whole_fill_decides() -> None:
    """Where the meter counts less than the level since the rest, and more over the fill."""
    state = at((100.0, 70.0, 100.0), (70.0, 35.0, 70.0))
    assert seen(facts_of(**OFF), state).tote == "+"
    assert seen(facts_of(**OFF, contradicted=True), state).tote == "-"


@pytest.mark.parametrize(
    ("shown_kpa", "sign"),
    [(60.0 + PSI - 0.01, "0"), (60.0 + PSI + 0.01, "+"), (50.0 - PSI + 0.01, "0"), (50.0 - PSI - 0.01, "-")],
)
def test_the_tyre_against_its_air_space(shown_kpa: float, sign: str) -> None:
    """A psi beyond the air space's band; more where gauge or band are wider."""
    assert seen(facts_of(shown_kpa + HEAD_KPA, **OFF)).tyre == sign
    line = Band(shown_kpa - 2.0, shown_kpa, shown_kpa + 2.0)
    wide = Band(shown_kpa, shown_kpa + (3.0 if sign == "+" else 0.0), shown_kpa + (3.0 if shown_kpa > 55.0 else 0.0))
    if shown_kpa > 55.0:
        assert seen(facts_of(line=wide)).tyre == sign
    assert seen(facts_of(line=line)).tyre == "0", "its own band overlaps"
    further = 0.5 if sign == "+" else -0.5 if sign == "-" else 0.0
    assert seen(facts_of(shown_kpa + further + HEAD_KPA, **OFF, wavers_kpa=1.0)).tyre == "0"
    assert seen(facts_of(shown_kpa + HEAD_KPA, **BACK)).tyre == "?"
    assert seen(facts_of(shown_kpa + HEAD_KPA, **{**OFF, "off_s": 3.0})).tyre == "?"
    assert seen(facts_of(shown_kpa + HEAD_KPA, **OFF, gas=None)).tyre == "?"


@pytest.mark.parametrize(
    ("behind_kpa", "sign"), [(0.69 * PSI, "0"), (0.71 * PSI, "+"), (-0.69 * PSI, "0"), (-0.71 * PSI, "-")]
)
def test_the_gauge_behind_the_gun(behind_kpa: float, sign: str) -> None:
    assert seen(facts_of(behind_kpa + HEAD_KPA, **OFF)).gauge == sign
    assert seen(facts_of(behind_kpa + HEAD_KPA)).gauge == "?"
    assert seen(facts_of(None, **OFF)).gauge == "?"


@pytest.mark.parametrize(("share", "sign"), [(0.949, "0"), (0.951, "+")])
def test_the_gauge_at_the_relief_s_setting(share: float, sign: str) -> None:
    assert seen(facts_of(share * SETUP.line.relief_kpa)).high == sign
    assert seen(facts_of(None)).high == "?"


@pytest.mark.parametrize(
    ("gauge_age_s", "fields", "sign"),
    [
        (9.9, {}, "0"), (10.1, {}, "+"), (10.1, {"run_s": 0.9}, "0"), (5.1, {"stroke": Stroke(began_s=95.0)}, "+"),
        (4.9, {"stroke": Stroke(began_s=95.0)}, "0"), (10.1, OFF, "+"), (9.9, OFF, "0"),
        (3.1, {"venting": True, "stroke_s": 3.0}, "+"), (2.9, {"venting": True, "stroke_s": 3.0}, "0"),
    ],
)  # fmt: skip
def test_a_gauge_that_has_not_moved_since(gauge_age_s: float, fields: dict[str, object], sign: str) -> None:
    assert seen(facts_of(gauge_age_s=gauge_age_s, **fields)).still == sign


@pytest.mark.parametrize(("tote_l", "sign"), [(20.0, "+"), (20.1, "0"), (None, "?")])
def test_a_level_at_its_heel(tote_l: float | None, sign: str) -> None:
    assert seen(facts_of(tote_l=tote_l), setup=replace(SETUP, heel_l=20.0)).empty == sign


# --- since everything is off -----------------------------------------------------------------------------------------


def calm() -> Evidence:
    """As everything has just come to rest."""
    return seen(facts_of(**OFF, gauge_age_s=99.0))


def test_what_was_at_the_calm_is_kept() -> None:
    evidence = calm()
    assert (evidence.calm_kpa, evidence.calm_l, evidence.calm_tote_l) == (TYRE_KPA + 10.0, 100.0, 500.0)
    assert evidence.vents
    assert not seen(facts_of(), setup=replace(SETUP, method="draw-down")).vents
    assert seen(facts_of(), before=evidence) is evidence, "nothing is told while the pump runs"
    assert seen(facts_of(None, **OFF), before=evidence) is evidence
    returned = at(tally={"pulses_returned": 300})
    assert seen(facts_of(**OFF), returned).calm_l == pytest.approx(97.0)


@pytest.mark.parametrize(("by_kpa", "sign"), [(0.99, "0"), (1.01, "+"), (-0.99, "0"), (-1.01, "-")])
def test_then_the_pressure_creeps(by_kpa: float, sign: str) -> None:
    assert seen(facts_of(TYRE_KPA + 10.0 + by_kpa, **OFF), before=calm()).creep == sign
    assert seen(facts_of(TYRE_KPA + 10.0 + by_kpa, **OFF, wavers_kpa=0.1), before=calm()).creep == "0"


@pytest.mark.parametrize(("by_l", "sign"), [(0.01, "0"), (0.02, "+"), (-0.01, "0"), (-0.02, "-")])
def test_then_the_meter_runs(by_l: float, sign: str) -> None:
    assert seen(facts_of(**OFF), at((100.0 + by_l, 100.0, 100.0)), before=calm()).runs == sign


@pytest.mark.parametrize(("by_l", "sign"), [(0.04, "0"), (0.06, "-"), (-0.04, "0"), (-0.06, "+")])
def test_then_the_tote_is_drawn_from(by_l: float, sign: str) -> None:
    """By half of the level's step of 0.1 L."""
    assert seen(facts_of(tote_l=500.0 + by_l, **OFF), before=calm()).draws == sign
    assert seen(facts_of(tote_l=None, **OFF), before=calm()).draws == "?"
    no_level = replace(SETUP, beside=(TIME,))
    assert (
        seen(facts_of(tote_l=500.0 + by_l, **OFF), changed(at(), counts=at().counts[::2]), no_level, calm()).draws
        == "?"
    )


def test_a_gauge_that_moved_once_is_not_still_later() -> None:
    assert calm().still == "+"
    assert seen(facts_of(**OFF, gauge_age_s=0.5), before=calm()).still == "0"
    assert seen(facts_of(**OFF, gauge_age_s=99.0), before=calm()).still == "+"
    assert seen(facts_of(**OFF, gauge_age_s=99.0), before=changed(calm(), still="0")).still == "0"
