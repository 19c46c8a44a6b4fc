"""The pressure that a fill leaves: from which rests it is taken, when it is doubtful, and its bounds.

A rest at 100 kPa with 100 L in a cavity of 400 L; the gauge errs by 1.03 kPa and stands 0.6 m of water below.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from moments import moment
from plain import AIR, plain_setup, plain_state
from virtual_fills import PSI

from rig.control.belief.airspace import Found
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Gas, Remains
from rig.control.belief.remains import final_band, final_static_kpa, follow
from rig.control.belief.state import Alarms, FillState
from rig.control.belief.uncertainty import net_within
from rig.control.belief.warmth import Warmth
from rig.control.words.flags import Flag

SETUP = plain_setup(beside=())
COLD = Warmth(sd=(0.0,) * 5, weight=(1.0, 0.0, 0.0, 0.0, 0.0))
GAS = Gas(400.0, 400.0, 400.0, rest_kpa=100.0, rest_offset_l=100.0, sealed=True, warmth=COLD, rest_warmth=COLD)
HEAD_KPA = 1000 * 9.80665 * 0.6 / 1000
SURE = Remains(100.0, sure=True)


def at(tally: dict[str, object] | None = None, **fields: object) -> FillState:
    return plain_state(SETUP, {"pulses_forward": 10_000, **(tally or {})}, **{"gas": GAS, **fields})


def facts_of(kpa: float | None = 100.0, line_kpa: float | None = None, **fields: object) -> Facts:
    _, facts = moment("fill")
    shows = {name: fields.pop(name) for name in ("reachable", "fresh") if name in fields}
    if line_kpa is None:
        line_kpa = (kpa or 0.0) + HEAD_KPA
    usual = {
        "rests": True, "restless": False, "venting": False, "still": True, "valve_open": True, "tyre_kpa": kpa,
        "rest_u_kpa": 0.0, "offset_l": 100.0, "filled_l": 100.0, "covered_m": 0.0, "wavers_kpa": 0.0,
    }  # fmt: skip
    reading = replace(facts.reading, line_kpa=line_kpa, tyre_kpa=None, **{"reachable": True, "fresh": True, **shows})
    return replace(facts, **{**usual, **fields}, reading=reading)


def left(facts: Facts, state: FillState | None = None) -> Remains:
    remains = follow(SETUP, at() if state is None else state, facts)
    assert remains is not None
    return remains


def test_at_a_rest_it_is_the_gauge_with_what_noise_and_temperature_leave() -> None:
    assert left(facts_of()) == Remains(100.0, sure=True, u_kpa=0.0, settles_kpa=pytest.approx(100.0))
    assert left(facts_of(rest_u_kpa=0.4)).u_kpa == pytest.approx(0.4)
    warm = replace(GAS, warmth=Warmth(theta=(0.02,) * 5, sd=(0.0,) * 5))
    assert left(facts_of(), at(gas=warm)).settles_kpa == pytest.approx((100.0 + AIR) / 1.02 - AIR)


@pytest.mark.parametrize(
    "fields",
    [
        {"rests": False, "still": False}, {"restless": True}, {"venting": True}, {"reachable": False},
        {"kpa": None, "still": False},
        {"state": {"alarms": Alarms(timers=(("flow_while_stopped", 1.0),))}, "still": False},
    ],
)  # fmt: skip
def test_any_movement_clears_it(fields: dict[str, object]) -> None:
    state = at(remains=SURE, **fields.pop("state", {}))
    assert follow(SETUP, state, facts_of(**fields)) is None


@pytest.mark.parametrize("fields", [{"valve_open": False}, {"fresh": False}])
def test_behind_a_shut_valve_and_without_new_values_it_is_kept(fields: dict[str, object]) -> None:
    state = at(remains=SURE, valve_open=fields.pop("valve_open", True))
    assert follow(SETUP, state, facts_of(50.0, **fields)) is SURE
    can = replace(SETUP, into="open vessel")
    assert follow(can, state, facts_of(50.0, **fields)) is None


@pytest.mark.parametrize(
    ("kpa", "sure"),
    [
        # Twice the gauge's 1.03 kPa and a meter's step, 0.01 L of 300, below what the air space gives; 3 psi above.
        (100.0 - 2.06 - 0.005, True), (100.0 - 2.06 - 0.02, False), (100.0 + 3 * PSI - 0.01, True),
        (100.0 + 3 * PSI + 0.01, False),
    ],
)  # fmt: skip
def test_it_is_sure_where_it_fits_the_air_space(kpa: float, sure: bool) -> None:
    assert left(facts_of(kpa)).sure is sure


def test_noise_widens_what_fits_and_a_larger_measured_cavity_gives_less() -> None:
    assert left(facts_of(100.0 - 3.0, wavers_kpa=1.0)).sure
    assert not left(facts_of(100.0 - 3.0)).sure
    coarse = plain_setup(meter={"k_per_l": 0.5}, beside=())
    step_kpa = (97.0 + AIR) / 300.0 * 2.0
    assert step_kpa > 1.0
    found = follow(coarse, at(), facts_of(97.0))
    assert found is not None
    assert found.sure
    wider = replace(GAS, found=Found(440.0, 5.0, 0.0), rest_offset_l=60.0)
    least_kpa = (100.0 + AIR) * 380 / 340 - AIR - 2.06
    assert left(facts_of(least_kpa + 0.05), at(gas=wider)).sure
    assert not left(facts_of(least_kpa - 0.05), at(gas=wider)).sure


def test_without_a_sealed_air_space_nothing_contradicts_it_but_an_interruption_keeps_it() -> None:
    unsealed = replace(GAS, sealed=False)
    assert left(facts_of(10.0), at(gas=unsealed)).sure
    assert not left(facts_of(10.0), at(gas=unsealed, flags=frozenset({Flag.INTERRUPTED}))).sure


def test_a_doubtful_rest_stays_so_until_something_moves() -> None:
    doubtful = Remains(10.0, sure=False)
    assert not left(facts_of(100.0), at(remains=doubtful)).sure
    assert left(facts_of(100.0, still=False), at(remains=doubtful)).sure
    assert left(facts_of(None, rests=False), at(remains=doubtful)) is doubtful


@pytest.mark.parametrize(("line_kpa", "kept"), [(99.6, True), (99.4, False), (103.4, True), (103.6, False)])
def test_a_gauge_that_only_wavers_and_creeps_keeps_it(line_kpa: float, kept: bool) -> None:
    """Between the rest at 100 and where it settles, 103, with half a kilopascal of noise."""
    state = at(remains=Remains(100.0, sure=True, settles_kpa=103.0))
    facts = facts_of(None, line_kpa + HEAD_KPA, rests=False, wavers_kpa=0.5)
    assert (follow(SETUP, state, facts) is not None) is kept
    for moved in ({"still": False}, {"venting": True}, {"restless": True}, {"valve_open": False}):
        assert follow(SETUP, state, replace(facts, **moved)) is None, moved


@pytest.mark.parametrize(
    ("tally", "setup", "u_kpa"),
    [
        # Of the 4 L half, 0.6 m of column by half.
        ({"hose_l": 2.0, "hose_more_l": 1.0}, {}, HEAD_KPA / 4), ({"hose_less_l": 2.0}, {}, HEAD_KPA / 2),
        ({"hose_l": 2.0, "hose_less_l": 0.5, "hose_more_l": 1.0}, {}, HEAD_KPA / 4), ({}, {}, 0.0),
        ({"hose_less_l": 2.0}, {"tyre_gauge": SETUP.line_gauge}, 0.0),
    ],
)  # fmt: skip
def test_what_the_hose_may_hold_otherwise_is_a_column_that_may_be_missing(
    tally: dict[str, object], setup: dict[str, object], u_kpa: float
) -> None:
    remains = follow(replace(SETUP, **setup), at(tally), facts_of())
    assert remains is not None
    assert remains.u_kpa == pytest.approx(u_kpa)
    assert remains.sure is (u_kpa <= 2.06)


def test_near_the_level_the_hose_may_be_full() -> None:
    litres = SETUP.cavity.fraction_at_valve * 400
    near = at({"pulses_forward": round(100 * litres) - 200, "hose_l": 2.0}, gas=replace(GAS, sealed=False))
    assert left(facts_of(), near).u_kpa == pytest.approx(HEAD_KPA / 2)


def test_of_a_tyre_that_was_emptied_it_is_the_pressure_at_the_gun() -> None:
    emptied = replace(SETUP, into="tote")
    remains = follow(emptied, at(), facts_of(90.0, line_kpa=100.0 + HEAD_KPA))
    assert remains is not None
    assert remains.kpa == pytest.approx(100.0)


# --- what the record states ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "known"),
    [
        ({}, True), ({"remains": None}, False), ({"remains": Remains(100.0, sure=False)}, False),
        ({"unseen_s": 0.1}, False), ({"unconfirmed_s": 3.0}, False),
        ({"alarms": Alarms(first_out="gauge_stuck")}, False), ({"alarms": Alarms(followers=("bead_lost",))}, False),
        ({"alarms": Alarms(first_out="pressure_low")}, True), ({"alarms": Alarms(first_out="estop")}, True),
        ({"alarms": Alarms(first_out="suction_dry")}, False), ({"flags": frozenset({"air_pumped"})}, False),
        ({"flags": frozenset({"gauge_stuck"})}, True),
        ({"remains": Remains(0.69 * PSI, sure=True), "alarms": Alarms(first_out="pressure_low")}, False),
        ({"remains": Remains(0.71 * PSI, sure=True), "alarms": Alarms(first_out="pressure_low")}, True),
    ],
)  # fmt: skip
def test_the_final_pressure_is_unknown_after_what_puts_gauge_or_hose_in_doubt(
    fields: dict[str, object], known: bool
) -> None:
    state = at(**{"remains": SURE, **fields})
    assert final_static_kpa(state) == (state.remains.kpa if known and state.remains else None)


def test_its_bounds_are_the_gauge_s_and_the_rest_s_around_now_and_later() -> None:
    state = at(remains=Remains(100.0, sure=True, u_kpa=2.0, settles_kpa=104.0))
    band = final_band(SETUP, state)
    assert band is not None
    u_kpa = math.hypot(1.03, 2.0)
    assert (band.low, band.best, band.high) == (pytest.approx(100 - u_kpa), 100.0, pytest.approx(104 + u_kpa))


def test_without_a_rest_the_air_space_gives_it_within_what_the_account_leaves() -> None:
    """A tenth of the litres since the rest, and two psi either side."""
    state = at({"pulses_forward": 12_000, "doubts": ()}, remains=None)
    band = final_band(SETUP, state)
    within = net_within(SETUP, state)
    assert band is not None
    kpa = {
        litres: (100 + AIR) * 300 / (400 - litres) - AIR for litres in (120.0, 120 - within.less_l, 120 + within.more_l)
    }
    assert band.best == pytest.approx(kpa[120.0])
    assert band.low == pytest.approx(kpa[120 - within.less_l] - 2 * PSI)
    assert band.high == pytest.approx(kpa[120 + within.more_l] + 2 * PSI)
    doubted = at({"pulses_forward": 12_000, "doubts": state.tally.doubting("a", less_l=90.0).doubts}, remains=None)
    wide = final_band(SETUP, doubted)
    assert wide is not None
    assert wide.low == pytest.approx(100.0 - 2 * PSI), "no less than at the rest"
    shown = final_band(SETUP, replace(state, remains=Remains(300.0, sure=False)))
    assert shown is not None
    assert (shown.best, shown.high) == (band.best, 300.0)
    low = final_band(SETUP, replace(state, remains=Remains(10.0, sure=False)))
    assert low is not None
    assert low.low == 10.0


@pytest.mark.parametrize(
    ("fields", "setup", "known"),
    [
        ({}, {}, True), ({}, {"into": "tote"}, False), ({"gas": replace(GAS, sealed=False)}, {}, False),
        ({"alarms": Alarms(first_out="field_lost")}, {}, False),
        ({"alarms": Alarms(first_out="suction_dry")}, {}, False),
        ({"flags": frozenset({"field_lost"})}, {}, True),
        ({"gas": replace(GAS, rest_kpa=0.0), "flags": frozenset({"bead_lost"})}, {}, False),
        ({"gas": replace(GAS, rest_kpa=0.0)}, {}, True), ({"flags": frozenset({"bead_lost"})}, {}, True),
    ],
)  # fmt: skip
def test_the_air_space_is_asked_only_where_all_that_moved_was_seen(
    fields: dict[str, object], setup: dict[str, object], known: bool
) -> None:
    assert (final_band(replace(SETUP, **setup), at(remains=None, **fields)) is not None) is known
