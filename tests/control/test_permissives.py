"""What must be so before the pump may move: each condition at its value, and what is asked of a person besides."""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import plain_setup, plain_state
from virtual_fills import PSI

from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState
from rig.control.safety.permissives import asked_by_gauge, missing, open_checks
from rig.control.safety.unconfirmed import figures_age_s, in_doubt, in_the_way, is_reported, unconfirmed_for_s
from rig.control.words.checks import like_air
from rig.control.words.procedure import Phase
from rig.control.words.values import Confirmation, Reading, Setup

SETUP = plain_setup(tote_l=500.0, heel_l=20.0, has_timeout=True, timeout_s=2.0, arrival_kpa=100.0)
READING = Reading(100.0, counts=(0,), line_kpa=50.0, tote_l=500.0, estop_ok=True, output_timeout_s=2.0)


def asked(
    reading: dict[str, object] | None = None, setup: Setup = SETUP, state: FillState | None = None, **fields: object
) -> list[str]:
    """The names of what is missing; with nothing changed, nothing is."""
    _, facts = moment("fill")
    usual = {"in_tyre_l": 0.0, "tyre_kpa": 50.0, "flow_lps": 0.0, "moves_kpa_s": 0.0, "off_s": 0.0, "stray_l": 0.0}
    facts = replace(facts, **{**usual, **fields}, reading=replace(READING, **(reading or {})))
    return [each.name for each in missing(setup, plain_state(setup) if state is None else state, facts)]


def with_(**fields: object) -> Setup:
    return replace(SETUP, **fields)


UNREAD, HALF, CUT_OFF = (
    {"reading": {"output_timeout_s": None}},
    {"in_tyre_l": 100.0},
    {"setup": with_(cuts_gauge_off=True)},
)
FULL = with_(target_l=340.0, existing_l=20.0)
GUN_FIRST = with_(stop_order="gun off, then core back", target_l=(SETUP.cavity.fraction_at_valve - 0.015) * 400 - 0.1)


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("field", {}, {"reading": {"reachable": False}}),
        ("field", {}, {"reading": {"untrusted": frozenset({"tote_level"})}}),
        ("emergency_stop", {"reading": {"estop_ok": None}}, {"reading": {"estop_ok": False}}),
        ("stop_button", {"reading": {"stop_pressed": False}}, {"reading": {"stop_pressed": True}}),
        ("output_timeout", {"reading": {"output_timeout_s": 2.05}}, {"reading": {"output_timeout_s": 2.06}}),
        ("output_timeout", {**UNREAD, "setup": with_(has_timeout=False)}, UNREAD),
        ("output_timeout", {}, {"reading": {"output_timeout_s": 0.0}}),
        # 300 L and the heel's 20.
        ("tote", {"reading": {"tote_l": 320.0}}, {"reading": {"tote_l": 319.9}}),
        ("tote", {"reading": {"tote_l": 220.0}, **HALF}, {"reading": {"tote_l": 219.9}, **HALF}),
        ("tote", {"reading": {"tote_l": None}}, {"reading": {"tote_l": None}, "setup": with_(tote_l=319.9)}),
        ("tote", {"reading": {"tote_l": 0.0}, "setup": with_(into="tote")}, {"reading": {"tote_l": 0.0}}),
        ("target", {"setup": with_(target_l=0.1)}, {"setup": with_(target_l=0.0)}),
        # Nine tenths of 400 L.
        ("target", {"setup": FULL}, {"setup": replace(FULL, existing_l=20.1)}),
        ("target", {}, {"setup": with_(plan_reaches=False)}),
        ("target", {"setup": GUN_FIRST}, {"setup": replace(GUN_FIRST, existing_l=0.2)}),
        ("arrival_pressure", {"tyre_kpa": 100.0}, {"tyre_kpa": 100.1}),
        ("arrival_pressure", {}, {"tyre_kpa": None}),
        ("arrival_pressure", {**CUT_OFF, "tyre_kpa": None}, {**CUT_OFF, "tyre_kpa": 101.0}),
        ("no_flow", {"flow_lps": 0.0033}, {"flow_lps": 0.0034}),
        ("no_flow", {"flow_lps": -0.0033}, {"flow_lps": -0.0034}),
    ],
)  # fmt: skip
def test_a_condition_blocks_at_its_value(name: str, good: dict[str, object], bad: dict[str, object]) -> None:
    assert asked(**good) == []
    assert asked(**bad) == [name]


@pytest.mark.parametrize(
    ("state", "blocks"),
    [({}, True), ({"fills": 1}, False), ({"valve_open": False}, False), ({"gas": "rested"}, False)],
)
def test_the_arrival_is_judged_once_by_an_open_valve(state: dict[str, object], blocks: bool) -> None:
    fill = plain_state(SETUP, **{name: value for name, value in state.items() if name != "gas"})
    if "gas" in state:
        fill = replace(fill, gas=replace(fill.gas, rest_kpa=150.0))
    assert ("arrival_pressure" in asked(state=fill, tyre_kpa=150.0)) is blocks


@pytest.mark.parametrize(
    ("line_kpa", "phase", "valve_open", "blocks"),
    [
        (100.0 + 15 * PSI - 0.1, Phase.SETTLE, False, False), (100.0 + 15 * PSI + 0.1, Phase.SETTLE, False, True),
        (900.0, Phase.SETTLE, True, False), (900.0, Phase.SHUT, False, False), (900.0, Phase.UNCOUPLE, False, False),
        (None, Phase.SETTLE, False, False),
    ],
)  # fmt: skip
def test_a_hose_under_pressure_is_reversed_off_first(
    line_kpa: float | None, phase: Phase, valve_open: bool, blocks: bool
) -> None:
    state = plain_state(SETUP, phase=phase, valve_open=valve_open)
    assert ("hose" in asked({"line_kpa": line_kpa}, state=state)) is blocks


def test_a_pressure_that_moves_blocks_where_the_meter_would_not_show_the_pump() -> None:
    up_only = plain_setup(meter={"reverse": "none"}, tote_l=500.0, arrival_kpa=100.0)
    assert asked(setup=up_only, moves_kpa_s=-1.0) == ["pressure_stands"]
    assert asked(moves_kpa_s=-1.0) == []


def facts_of(line_kpa: float | None, tyre_kpa: float | None = 50.0) -> Facts:
    _, facts = moment("fill")
    return replace(facts, tyre_kpa=tyre_kpa, reading=replace(READING, line_kpa=line_kpa))


@pytest.mark.parametrize(
    ("line_kpa", "looks_like_it"),
    [(96.3, False), (96.4, True), (101.3, True), (106.3, True), (106.4, False), (0.0, False), (None, False)],
)
def test_a_gauge_at_the_air_s_own_pressure_may_be_an_absolute_one(line_kpa: float | None, looks_like_it: bool) -> None:
    """Within 5 kPa of 101.325."""
    expected = (like_air(line_kpa),) if looks_like_it and line_kpa is not None else ()
    assert asked_by_gauge(SETUP, plain_state(SETUP), facts_of(line_kpa)) == expected


def test_it_is_asked_once_and_of_an_open_tyre() -> None:
    before = (like_air(101.0),)
    assert asked_by_gauge(SETUP, plain_state(SETUP, asked=before), facts_of(0.0)) == before
    assert asked_by_gauge(with_(into="tote"), plain_state(SETUP), facts_of(101.0)) == ()
    assert asked_by_gauge(SETUP, plain_state(SETUP, valve_open=False), facts_of(101.0)) == ()
    assert asked_by_gauge(SETUP, plain_state(SETUP), facts_of(101.0, None)) == ()


def test_open_are_the_checks_that_nobody_has_confirmed_in_their_order() -> None:
    extra = (like_air(101.0),)
    names = [check.name for check in SETUP.checks]
    state = plain_state(SETUP, asked=extra, confirmed=(Confirmation(names[1], "Jo", 1.0),))
    assert [check.name for check in open_checks(SETUP, state)] == [names[0], *names[2:], "like_air"]


# --- outputs that are not confirmed, ---------------------------------------------------------------------------------


def test_an_off_that_is_not_confirmed_is_reported_after_a_second_and_blocks_until_the_supply_is_cut() -> None:
    known = plain_state(SETUP, now_s=100.0)
    assert (unconfirmed_for_s(known), is_reported(known), in_doubt(known), in_the_way(known)) == (0.0, False, False, ())
    assert not is_reported(replace(known, unconfirmed_s=99.1))
    doubted = replace(known, unconfirmed_s=99.0)
    assert (unconfirmed_for_s(doubted), is_reported(doubted), in_doubt(doubted)) == (1.0, True, True)
    assert [each.name for each in in_the_way(doubted)] == ["off_unconfirmed"]
    cut = replace(doubted, supply_cut=True)
    assert (in_doubt(cut), in_the_way(cut)) == (False, ())


@pytest.mark.parametrize(("fresh_s", "age_s"), [(99.0, 0.0), (98.9, 1.1), (100.0, 0.0), (0.0, 100.0)])
def test_figures_are_old_after_a_second_without_new_values(fresh_s: float, age_s: float) -> None:
    assert figures_age_s(plain_state(SETUP, now_s=100.0, fresh_s=fresh_s)) == pytest.approx(age_s)
