"""Each comparison with the air space at its very value, and what must be so for it to be made. By hand, round figures.

The air space gives 90 to 110 kPa, 300 L of it; the pump moves 0.6 L/s (0.5 back), the gauge stands 0.6 m of water
below the valve, and a rest has measured the line's loss: 30 kPa at this flow.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import moment
from plain import AIR, plain_setup
from virtual_fills import PSI

from rig.control.belief import residuals
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.state import Stroke
from rig.control.words.changed import changed
from rig.control.words.flags import End
from rig.control.words.procedure import Phase
from rig.control.words.values import GaugeFacts, Setup
from rig.plan.physics import air_loss_kpa, bore_loss_kpa, hose_loss_kpa, line_loss_kpa

SETUP = plain_setup(beside=())
HEAD_KPA = 1000 * 9.80665 * 0.6 / 1000
GAS = Band(90.0, 100.0, 110.0)
THREE = 3 * PSI
BY_LEVEL = plain_setup(meter={"kind": "tote level", "k_per_l": 0.5}, beside=())
BY_TIME = plain_setup(meter={"kind": "run time"}, beside=())


def facts_of(line_kpa: float | None = 140.0, stroke: dict[str, object] | None = None, **fields: object) -> Facts:
    """Well into a stroke, evenly."""
    _, facts = moment("fill")
    usual = {
        "phase": Phase.FILL, "forward": True, "reverse": False, "run_s": 10.0, "off_s": 0.0, "valve_open": True,
        "wet": True, "steady": True, "air_at_pump": False, "rests": False, "gas": GAS, "line": GAS, "tyre_kpa": 100.0,
        "loss_known": True, "loss_gain": 1.0, "loss_kpa": 30.0, "covered_m": 0.0, "wavers_kpa": 0.0, "offset_l": 100.0,
        "in_tyre_l": 100.0, "flow_lps": 0.6, "slow_lps": 0.6, "slow_u": 0.005, "gauge_age_s": 0.1,
        "stroke": changed(Stroke(), **(stroke or {})),
    }  # fmt: skip
    return replace(facts, **{**usual, **fields}, reading=replace(facts.reading, line_kpa=line_kpa, tyre_kpa=None))


OFF = {"forward": False, "run_s": 0.0, "off_s": 10.0, "flow_lps": 0.0}
BACK = {"forward": False, "reverse": True, "flow_lps": -0.5, "phase": Phase.DRAW_DOWN}


@pytest.mark.parametrize(("kpa", "off_kpa"), [(85.0, -5.0), (90.0, 0.0), (110.0, 0.0), (117.0, 7.0), (None, 0.0)])
def test_a_residual_is_what_lies_outside_the_band(kpa: float | None, off_kpa: float) -> None:
    assert residuals.against_gas(facts_of(), kpa) == off_kpa
    assert residuals.against_gas(facts_of(gas=None), kpa) == 0.0


# --- gauges that stand or stay ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setup", "fields", "told"),
    [
        # Unmoved since the pump started 10 s ago, though liquid flows.
        (SETUP, {"gauge_age_s": 10.1}, True), (SETUP, {"gauge_age_s": 9.9}, False),
        (SETUP, {"gauge_age_s": 10.1, "valve_open": False}, False), (SETUP, {"gauge_age_s": 10.1, "wet": False}, False),
        (SETUP, {"gauge_age_s": 10.1, "flow_lps": 0.003}, False),
        (SETUP, {"gauge_age_s": 10.1, "flow_lps": 0.0034}, True),
        (SETUP, {"gauge_age_s": 9.0, "run_s": 1.4}, False), (SETUP, {"gauge_age_s": 9.0, "run_s": 1.6}, True),
        (SETUP, {"gauge_age_s": 99.0, "run_s": 59.0}, True), (SETUP, {"gauge_age_s": 99.0, "run_s": 61.0}, False),
        # Or since it stopped, where the stroke had brought something.
        (SETUP, {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 100.21}, True),
        (SETUP, {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 100.19}, False),
        (BY_LEVEL, {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 110.1}, True),
        (BY_LEVEL, {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 109.9}, False),
        (SETUP, {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 105.0, "flow_lps": 0.6}, False),
        # A reverse is no answer's business, except in a tyre that is emptied.
        (SETUP, {**BACK, "gauge_age_s": 10.1, "in_tyre_l": 90.0}, False),
        (plain_setup(into="tote"), {**BACK, "gauge_age_s": 10.1, "in_tyre_l": 90.0}, True),
        (plain_setup(into="tote"), {**BACK, "gauge_age_s": 10.1, "in_tyre_l": 110.0}, False),
        (plain_setup(into="tote"), {**OFF, "gauge_age_s": 10.1, "in_tyre_l": 90.0}, True),
        # A gauge with a lag is given four time constants more.
        (replace(SETUP, line_gauge=GaugeFacts(lag_s=1.3)), {"gauge_age_s": 9.0, "run_s": 5.4}, False),
        (replace(SETUP, line_gauge=GaugeFacts(lag_s=1.3)), {"gauge_age_s": 9.0, "run_s": 5.6}, True),
    ],
)  # fmt: skip
def test_a_gauge_that_does_not_answer_to_flow(setup: Setup, fields: dict[str, object], told: bool) -> None:
    assert residuals.stands_through_flow(setup, facts_of(stroke={"start_l": 100.0}, **fields)) is told


@pytest.mark.parametrize(
    ("from_kpa", "fields", "told"),
    [
        (110.0 + 1.5 * PSI + 0.1, {}, True), (110.0 + 1.5 * PSI - 0.1, {}, False),
        (150.0, {"gauge_age_s": 9.9}, False), (150.0, {"run_s": 1.9, "gauge_age_s": 5.0}, False),
        (150.0, {"run_s": 2.1, "gauge_age_s": 5.0}, True), (150.0, {"air_at_pump": False}, False),
        (150.0, {"air_at_pump": False, "phase": Phase.EMPTY}, True), (150.0, {"phase": Phase.FILL}, False),
    ],
)  # fmt: skip
def test_a_gauge_that_does_not_answer_to_a_draw(from_kpa: float, fields: dict[str, object], told: bool) -> None:
    usual = {**BACK, "air_at_pump": True, "gauge_age_s": 10.1}
    facts = facts_of(stroke={"from_kpa": from_kpa}, **{**usual, **fields})
    assert residuals.stands_through_draw(SETUP, facts) is told


@pytest.mark.parametrize(("by_kpa", "far"), [(THREE - 0.1, False), (THREE + 0.1, True)])
def test_a_rest_or_a_draw_three_psi_from_what_the_count_leaves(by_kpa: float, far: bool) -> None:
    assert residuals.fell_too_far(facts_of(tyre_kpa=90.0 - by_kpa)) is far
    assert residuals.stays_too_high(facts_of(tyre_kpa=110.0 + by_kpa)) is far
    draws = {**BACK, "air_at_pump": True}
    assert residuals.air_stays_on_gauge(facts_of(110.0 + by_kpa, **draws)) is far
    assert not residuals.air_stays_on_gauge(facts_of(110.0 + by_kpa, **{**draws, "air_at_pump": False}))
    assert not residuals.air_stays_on_gauge(facts_of(110.0 + by_kpa, **{**draws, "reverse": False}))


# --- while the hose's liquid comes back ------------------------------------------------------------------------------


def returns(setup: Setup, line_kpa: float | None, **fields: object) -> bool:
    return residuals.falls_too_far(setup, facts_of(line_kpa, **{**BACK, **fields}))


MOST_LPS = 1.3 * 0.5
PATH_KPA = hose_loss_kpa(SETUP.line, MOST_LPS) + air_loss_kpa(SETUP.line, MOST_LPS, 90.0)


def test_the_whole_path_takes_no_more_than_this_off_the_gauge() -> None:
    """Hose and air's loss at a third more than the pump's flow; with a loss that was measured, what the hose and the
    bore at its freest do not explain of it, before that 3 psi."""
    least_kpa = 90.0 - PATH_KPA - THREE
    unknown_kpa = least_kpa - 3 * PSI
    assert unknown_kpa > 0.0
    assert not returns(SETUP, unknown_kpa + 0.1, loss_known=False)
    assert returns(SETUP, unknown_kpa - 0.1, loss_known=False)
    bore_kpa, hose_kpa = bore_loss_kpa(SETUP.line, 0.5), hose_loss_kpa(SETUP.line, 0.5)
    fittings_kpa = 0.8 * line_loss_kpa(SETUP.line, 0.5) - 0.65 * bore_kpa - hose_kpa
    assert fittings_kpa > 1.0
    assert not returns(SETUP, least_kpa - fittings_kpa + 0.1, loss_gain=0.8)
    assert returns(SETUP, least_kpa - fittings_kpa - 0.1, loss_gain=0.8)
    assert returns(SETUP, least_kpa - 0.1, loss_gain=0.1), "they give nothing back"
    hangs = plain_setup(line={"rise_m": -1.0}, beside=())
    assert not returns(hangs, unknown_kpa - 9.7, loss_known=False)
    assert returns(hangs, unknown_kpa - 9.9, loss_known=False)


def test_a_vacuum_or_air_at_the_pump_has_other_causes() -> None:
    high = Band(190.0, 200.0, 210.0)
    assert returns(SETUP, -THREE + 0.1, loss_known=False, gas=high)
    assert not returns(SETUP, -THREE - 0.1, loss_known=False, gas=high)
    for fields in ({"air_at_pump": True}, {"run_s": 2.0}, {"reverse": False}, {"phase": Phase.EMPTY}, {"gas": None}):
        assert not returns(SETUP, 10.0, **{"loss_known": False, "gas": high, **fields}), fields
    assert returns(SETUP, 10.0, loss_known=False, gas=high, run_s=2.1)
    assert not returns(SETUP, None, loss_known=False, gas=high)


@pytest.mark.parametrize(
    ("line_kpa", "fields", "told"),
    [
        (-50.1, {"rests": True}, True), (-50.0, {"rests": True}, False), (None, {"rests": True}, False),
        (-90.0, {"rests": True, "valve_open": False}, False), (-90.0, {}, False),
        # Drawn for five seconds without a hundredth of the pump's flow.
        (-90.0, {**BACK, "run_s": 5.1, "flow_lps": -0.0049}, True),
        (-90.0, {**BACK, "run_s": 5.1, "flow_lps": -0.0051}, False),
        (-90.0, {**BACK, "run_s": 5.0, "flow_lps": 0.0}, False),
        (-90.0, {**BACK, "flow_lps": 0.0, "air_at_pump": True}, False),
        (-90.0, {**BACK, "flow_lps": 0.0051}, False),
    ],
)  # fmt: skip
def test_a_deep_vacuum_behind_an_emptied_hose(line_kpa: float | None, fields: dict[str, object], told: bool) -> None:
    assert residuals.drew_against_shut(SETUP, facts_of(line_kpa, **fields)) is told
    up_only = plain_setup(meter={"reverse": "none"}, beside=())
    assert residuals.drew_against_shut(up_only, facts_of(line_kpa, **fields)) is (told and "rests" in fields)


# --- while it fills --------------------------------------------------------------------------------------------------


def test_a_hose_that_fills_against_a_shut_valve() -> None:
    """Head, and the measured loss with the fifth that it may be more."""
    most_kpa = 110.0 + HEAD_KPA + 30.0 / 0.8 + THREE
    assert not residuals.blocked_ahead(SETUP, facts_of(most_kpa - 0.1, wet=False))
    assert residuals.blocked_ahead(SETUP, facts_of(most_kpa + 0.1, wet=False))
    below = plain_setup(line={"rise_m": -1.0}, beside=())
    assert not residuals.blocked_ahead(below, facts_of(most_kpa - HEAD_KPA - 0.1, wet=False))
    assert residuals.blocked_ahead(below, facts_of(most_kpa - HEAD_KPA + 0.1, wet=False))
    for fields in ({"wet": True}, {"loss_known": False}, {"loss_kpa": 0.0}, {"gas": None}):
        assert not residuals.blocked_ahead(SETUP, facts_of(900.0, **{"wet": False, **fields})), fields
    assert not residuals.blocked_ahead(SETUP, facts_of(None, wet=False))


def test_a_second_outlet_leaves_the_gauge_below_the_tyre() -> None:
    """Of the hose's loss seven tenths, at the flow less one pulse."""
    least_kpa = 90.0 + HEAD_KPA + 0.7 * hose_loss_kpa(SETUP.line, 0.59) - THREE
    assert not residuals.below_tyre(SETUP, facts_of(least_kpa + 0.05))
    assert residuals.below_tyre(SETUP, facts_of(least_kpa - 0.05))
    assert not residuals.below_tyre(SETUP, facts_of(90.0 + HEAD_KPA - THREE + 0.05, flow_lps=0.005))
    assert residuals.below_tyre(SETUP, facts_of(90.0 + HEAD_KPA - THREE - 0.05, flow_lps=0.005))
    for fields in ({"forward": False}, {"wet": False}, {"run_s": 2.0}, {"gas": None}):
        assert not residuals.below_tyre(SETUP, facts_of(10.0, **fields)), fields
    assert residuals.below_tyre(SETUP, facts_of(10.0, run_s=2.1))
    assert not residuals.below_tyre(SETUP, facts_of(None))


def risen(to_kpa: float, gone_l: float = 20.0, **fields: object) -> Facts:
    """Watched since the air space gave 70 kPa, and the line less its loss 80."""
    stroke = {"watch_l": 100.0 - gone_l, "watch_line_kpa": 80.0, "watch_gas_kpa": 70.0}
    return facts_of(stroke=stroke, **{"line": Band(to_kpa - 5, to_kpa, to_kpa + 5), **fields})


def test_less_than_half_of_the_rise_that_the_count_must_make() -> None:
    """20 kPa at least: half of them, less half a kilopascal and 3 % of the loss, or four pulses' worth."""
    least_kpa = 80.0 + 10.0 - 0.5 - 0.03 * 30.0
    assert not residuals.rises_too_little(SETUP, risen(least_kpa + 0.01))
    assert residuals.rises_too_little(SETUP, risen(least_kpa - 0.01))
    rough = {"slow_u": 0.02}
    assert not residuals.rises_too_little(SETUP, risen(80.0 + 10.0 - 0.5 - 0.08 * 30.0 + 0.01, **rough))
    assert residuals.rises_too_little(SETUP, risen(80.0 + 10.0 - 0.5 - 0.08 * 30.0 - 0.01, **rough))


@pytest.mark.parametrize(
    ("gone_l", "offset_l", "told"),
    [
        # A twentieth of the room, or 5 L, must have gone in.
        (15.1, 100.0, True), (14.9, 100.0, False), (5.1, 350.0, True), (4.9, 350.0, False), (5.1, 450.0, True),
    ],
)  # fmt: skip
def test_a_rise_is_judged_once_enough_has_gone_in(gone_l: float, offset_l: float, told: bool) -> None:
    assert residuals.rises_too_little(SETUP, risen(80.0, gone_l, offset_l=offset_l)) is told


def test_a_rise_is_judged_in_an_even_flow_that_is_watched() -> None:
    for fields in ({"line": None}, {"gas": None}, {"steady": False}, {"stroke": Stroke()}):
        little, much = replace(risen(80.0), **fields), replace(risen(900.0), **fields)
        assert not residuals.rises_too_little(SETUP, little), fields
        assert not residuals.rises_too_much(much), fields


@pytest.mark.parametrize(("loss_kpa", "most_kpa"), [(30.0, 12.0), (20.0, 1.5 * PSI)])
def test_far_more_than_the_count_can_make(loss_kpa: float, most_kpa: float) -> None:
    """The air space's 40 kPa at most, and two fifths of the loss or a psi and a half."""
    assert not residuals.rises_too_much(risen(80.0 + 40.0 + most_kpa - 0.01, loss_kpa=loss_kpa))
    assert residuals.rises_too_much(risen(80.0 + 40.0 + most_kpa + 0.01, loss_kpa=loss_kpa))


# --- at the rest after it --------------------------------------------------------------------------------------------


def rested(tyre_kpa: float | None, from_kpa: float = 88.0, ended_by: End = End.TARGET, **fields: object) -> Facts:
    stroke = {"ended_by": ended_by, "from_kpa": from_kpa}
    return facts_of(stroke=stroke, **{**OFF, "rests": True, "tyre_kpa": tyre_kpa, **fields})


def stepped_kpa(kpa: float, litres: float) -> float:
    """By Boyle's law, 300 L of air, or six where a step is two: that much of the count may be still to come."""
    return (kpa + AIR) * 300.0 / (300.0 - litres) - AIR


@pytest.mark.parametrize(("setup", "step_l"), [(SETUP, 0.01), (BY_LEVEL, 2.0)])
@pytest.mark.parametrize(("from_kpa", "share"), [(88.0, 0.0), (20.0, 0.4)])
def test_a_tyre_below_what_the_count_must_have_made(setup: Setup, step_l: float, from_kpa: float, share: float) -> None:
    """By a psi, and by two fifths of the rise."""
    least_kpa = stepped_kpa(90.0, -step_l)
    short_kpa = max(PSI, share * (least_kpa - from_kpa))
    assert not residuals.rose_too_little(setup, rested(least_kpa - short_kpa + 0.01, from_kpa))
    assert residuals.rose_too_little(setup, rested(least_kpa - short_kpa - 0.01, from_kpa))


def test_it_is_judged_at_a_rest_after_a_stroke_by_more_than_the_pump_s_time() -> None:
    assert residuals.rose_too_little(SETUP, rested(10.0))
    assert not residuals.rose_too_little(BY_TIME, rested(10.0))
    for facts in (
        rested(None), rested(10.0, rests=False), rested(10.0, gas=None), rested(10.0, ended_by=End.FLOOR),
        rested(10.0, ended_by=End.BROKEN_OFF),
    ):  # fmt: skip
        assert not residuals.rose_too_little(SETUP, facts)
    crowded = replace(rested(110.0, offset_l=399.0), gas=Band(200.0, 210.0, 220.0))
    least_kpa = (200.0 + AIR) * 6.0 / 8.0 - AIR
    assert residuals.rose_too_little(BY_LEVEL, replace(crowded, tyre_kpa=least_kpa - PSI - 9.0))
    assert not residuals.rose_too_little(BY_LEVEL, replace(crowded, tyre_kpa=least_kpa - PSI + 0.1))


def test_above_what_a_level_has_counted_it_is_stuck() -> None:
    most_kpa = stepped_kpa(110.0, 2.0) + PSI
    assert not residuals.rose_uncounted(BY_LEVEL, rested(most_kpa - 0.01))
    assert residuals.rose_uncounted(BY_LEVEL, rested(most_kpa + 0.01))
    assert not residuals.rose_uncounted(SETUP, rested(900.0))
    assert not residuals.rose_uncounted(BY_TIME, rested(900.0))
    for facts in (
        rested(None), rested(900.0, rests=False), rested(900.0, gas=None), rested(900.0, ended_by=End.FLOOR),
        rested(900.0, off_s=3.0),
    ):  # fmt: skip
        assert not residuals.rose_uncounted(BY_LEVEL, facts)


def test_a_stop_is_unconfirmed_by_an_estimate_until_the_line_is_calm() -> None:
    assert residuals.unconfirmed_stop(BY_LEVEL, facts_of(**{**OFF, "off_s": 3.0}))
    assert not residuals.unconfirmed_stop(BY_LEVEL, facts_of(**{**OFF, "off_s": 3.1}))
    assert not residuals.unconfirmed_stop(SETUP, facts_of(**{**OFF, "off_s": 1.0}))


# --- bands, loss and flow --------------------------------------------------------------------------------------------


def test_bands_that_do_not_overlap_by_three_psi() -> None:
    def line(low: float, high: float, **fields: object) -> bool:
        return residuals.apart(facts_of(line=Band(low, (low + high) / 2, high), **fields))

    assert not line(50.0, 90.0 - THREE + 0.1)
    assert line(50.0, 90.0 - THREE - 0.1)
    assert not line(50.0, 60.0, loss_known=False)
    assert not line(110.0 + THREE - 0.1, 190.0)
    assert line(110.0 + THREE + 0.1, 190.0, loss_known=False)
    assert not line(300.0, 390.0, steady=False)
    assert not residuals.apart(facts_of(line=None))


@pytest.mark.parametrize(
    ("quick_lps", "slow_lps", "sure_lps"),
    # The slow flow within one pulse, 0.01 L/s, of the fast one, less two of its pulses, 1 %.
    [(0.6, 0.6, 0.594), (0.56, 0.6, 0.57), (0.64, 0.6, 0.63), (0.595, 0.6, 0.594)],
)
def test_a_count_too_high_would_lose_more_than_the_gauge_shows(
    quick_lps: float, slow_lps: float, sure_lps: float
) -> None:
    """Four fifths of the loss, by the square of the flow that is certain."""
    least_kpa = 90.0 + HEAD_KPA + 0.8 * 30.0 * (sure_lps / slow_lps) ** 2 - THREE
    flow = {"flow_lps": quick_lps, "slow_lps": slow_lps}
    assert not residuals.counts_too_much(SETUP, facts_of(least_kpa + 0.01, **flow))
    assert residuals.counts_too_much(SETUP, facts_of(least_kpa - 0.01, **flow))
    for fields in ({"wet": False}, {"loss_known": False}, {"loss_kpa": 0.0}, {"gas": None}):
        assert not residuals.counts_too_much(SETUP, facts_of(10.0, **{**flow, **fields})), fields
    assert not residuals.counts_too_much(SETUP, facts_of(None, **flow))
    assert not residuals.counts_too_much(BY_LEVEL, facts_of(10.0, **flow))


def test_a_loss_that_is_missing_means_that_air_is_counted() -> None:
    """Air loses less than three tenths of what liquid surely does, 24 kPa of 30."""
    least_kpa = 90.0 + HEAD_KPA + 0.3 * 24.0
    assert not residuals.loses_nothing(SETUP, facts_of(least_kpa + 0.01))
    assert residuals.loses_nothing(SETUP, facts_of(least_kpa - 0.01))
    for fields in (
        {"wet": False},
        {"loss_known": False},
        {"steady": False},
        {"gas": None},
        {"loss_kpa": PSI / 0.8 - 0.01},
    ):
        assert not residuals.loses_nothing(SETUP, facts_of(10.0, **fields)), fields
    assert residuals.loses_nothing(SETUP, facts_of(10.0, loss_kpa=PSI / 0.8 + 0.01))
    assert not residuals.loses_nothing(SETUP, facts_of(None))


def starving(line_kpa: float | None, flow_lps: float = 0.3, setup: Setup = SETUP, **fields: object) -> bool:
    """An even flow of 0.6 L/s had the gauge 40 kPa above the air space's best, 100."""
    stroke = {"even_lps": 0.6, "even_over_kpa": 40.0}
    facts = facts_of(line_kpa, **{"stroke": stroke, "flow_lps": flow_lps, **fields})
    return residuals.starves(setup, facts)


def test_flow_and_gauge_that_collapse_together_are_an_empty_suction() -> None:
    """Half of what the hose's loss must drop by, a kilopascal at least, and the gauge's noise."""
    narrow = plain_setup(line={"hose_bore_m": 0.015}, beside=())
    less_kpa = hose_loss_kpa(narrow.line, 0.6) - hose_loss_kpa(narrow.line, 0.3)
    assert less_kpa > 4.0
    wide = plain_setup(line={"hose_bore_m": 0.05}, beside=())
    for setup, fell_kpa in ((wide, 1.0), (narrow, 0.5 * less_kpa)):
        for noise_kpa in (0.0, 2.0):
            least_kpa = 140.0 - fell_kpa - noise_kpa
            assert not starving(least_kpa + 0.01, setup=setup, wavers_kpa=noise_kpa)
            assert starving(least_kpa - 0.01, setup=setup, wavers_kpa=noise_kpa)


@pytest.mark.parametrize(
    ("flow_lps", "told"), [(0.479, True), (0.481, False), (0.001, True), (0.0, False), (-0.1, False)]
)
def test_a_flow_has_collapsed_below_four_fifths_of_the_even_one(flow_lps: float, told: bool) -> None:
    assert starving(100.0, flow_lps) is told


def test_it_is_judged_in_liquid_that_flowed_evenly_and_by_a_meter_in_the_line() -> None:
    for fields in ({"forward": False}, {"wet": False}, {"run_s": 2.2}, {"gas": None}, {"stroke": {}}):
        assert not starving(100.0, **fields), fields
    assert starving(100.0, run_s=2.3)
    assert not starving(None)
    assert not starving(100.0, setup=plain_setup(meter={"kind": "scale"}, beside=()))
    coarse = plain_setup(meter={"k_per_l": 5.0}, beside=())
    assert not starving(100.0, 0.21, coarse)
    assert starving(100.0, 0.19, coarse), "two pulses of 0.2 L"
    relief = plain_setup(line={"relief_kpa": 120.0}, beside=())
    assert not starving(114.1, setup=relief)
    assert starving(113.9, setup=relief)
