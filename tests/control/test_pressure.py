"""The tyre's pressure and its cavity by Boyle's law and by weights of columns, worked by hand for each case."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain import AIR, plain_setup
from virtual_fills import PSI

from rig.control.belief.pressure import (
    Band,
    Gas,
    Remains,
    after_draw,
    at_rest,
    flowing_band,
    gun_kpa,
    least_kpa,
    rest_kpa,
    sealed_band,
    settled_kpa,
    stiffness_kpa_per_l,
    vacuum,
)
from rig.control.belief.warmth import Warmth, since
from rig.control.words.values import GaugeFacts, Reading, Setup
from rig.plan.physics import bore_loss_kpa, hose_loss_kpa

SETUP = plain_setup()
COLD = Warmth(sd=(0.0,) * 5, weight=(1.0, 0.0, 0.0, 0.0, 0.0))
"""A gas that certainly has its surroundings' temperature."""
GAS = Gas(400.0, 380.0, 420.0, rest_kpa=98.675, cold_kpa=98.675, sealed=True, warmth=COLD, rest_warmth=COLD)
"""At rest at 200 kPa absolute, nothing in it."""


def test_liquid_presses_the_sealed_air_together() -> None:
    """100 L in: 200·400/300 = 266.7 kPa absolute; a smaller cavity gives more, a larger one less."""
    band = sealed_band(GAS, SETUP, 100.0)
    assert band is not None
    assert band.best + AIR == pytest.approx(200 * 400 / 300)
    assert band.low + AIR == pytest.approx(200 * 420 / 320)
    assert band.high + AIR == pytest.approx(200 * 380 / 280)
    assert (band.shows_low, band.shows_high) == (band.low, band.high)


def test_air_that_was_drawn_or_pushed_in_is_pressure_times_volume() -> None:
    pushed = sealed_band(replace(GAS, rest_offset_l=20.0, added_kpa_l=3000.0), SETUP, 100.0)
    drawn = sealed_band(replace(GAS, rest_offset_l=100.0, added_kpa_l=-6000.0), SETUP, 100.0)
    assert pushed is not None
    assert drawn is not None
    assert pushed.best + AIR == pytest.approx((200 * 380 + 3000) / 300)
    assert drawn.best + AIR == pytest.approx((200 * 300 - 6000) / 300)
    assert drawn.low + AIR == pytest.approx((200 * 280 - 6000) / 280)
    assert drawn.high + AIR == pytest.approx((200 * 320 - 6000) / 320)


def test_what_was_drawn_by_run_time_alone_is_a_fifth_in_doubt() -> None:
    gas = replace(GAS, low_l=400.0, high_l=400.0, added_kpa_l=-6000.0, guessed_kpa_l=6000.0)
    band = sealed_band(gas, SETUP, 0.0)
    assert band is not None
    assert band.best + AIR == pytest.approx(200 - 15)
    assert (band.low + AIR, band.high + AIR) == (pytest.approx(200 - 18), pytest.approx(200 - 12))


def test_without_a_rest_or_after_air_that_nobody_counted_there_is_no_estimate() -> None:
    assert sealed_band(replace(GAS, sealed=False), SETUP, 0.0) is None
    assert sealed_band(replace(GAS, rest_kpa=None), SETUP, 0.0) is None
    assert sealed_band(Gas(400.0, 380.0, 420.0, rest_kpa=98.675), SETUP, 0.0) is None


def test_a_gas_that_has_warmed_since_presses_more() -> None:
    """At constant volume P/T is constant: 200 kPa become 206 at 3 % more of the absolute temperature."""
    warm = Warmth(theta=(0.03,) * 5, sd=(0.0,) * 5)
    band = sealed_band(replace(GAS, warmth=warm), SETUP, 0.0)
    assert band is not None
    assert band.best == pytest.approx(206 - AIR)
    least, _, most = since(warm, COLD)
    assert band.low == pytest.approx(200 * least - AIR)
    assert band.high == pytest.approx(200 * most - AIR)


def test_a_tyre_that_is_full_has_no_upper_pressure() -> None:
    """A hundredth of the cavity is no air space that a law of gases tells anything of."""
    band = sealed_band(GAS, SETUP, 380.0)
    assert band is not None
    assert math.isinf(band.high)
    assert band.best + AIR == pytest.approx(200 * 400 / 20)
    full = sealed_band(replace(GAS, rest_offset_l=390.0), SETUP, 396.0)
    assert full is not None
    assert math.isinf(full.best)
    unmoved = sealed_band(replace(GAS, rest_offset_l=397.0), SETUP, 397.0)
    assert unmoved is not None
    assert unmoved.best == GAS.rest_kpa


def test_a_coarse_gauge_may_read_beyond_the_tyre_s_pressure() -> None:
    coarse = replace(SETUP, line_gauge=GaugeFacts(u_kpa=5.0))
    band = sealed_band(GAS, coarse, 0.0)
    assert band is not None
    beyond_kpa = coarse.rest_gauge.beyond_kpa
    assert beyond_kpa > 8.0
    assert band.shows_low == pytest.approx(band.low - beyond_kpa)
    assert band.shows_high == pytest.approx(band.high + beyond_kpa)


def test_a_litre_presses_harder_the_less_room_there_is() -> None:
    """dP/dV = P/V of an isothermal gas."""
    assert stiffness_kpa_per_l(GAS, SETUP, 98.675, 80.0) == pytest.approx(200 / 300)
    assert stiffness_kpa_per_l(GAS, SETUP, 98.675, 379.0) == pytest.approx(200 / 4)


@pytest.mark.parametrize(("hose_l", "share"), [(4.0, 1.0), (1.0, 0.25), (0.0, 0.0)])
def test_the_column_in_the_hose_is_taken_off_the_gauge_at_the_pump(hose_l: float, share: float) -> None:
    """0.6 m of water are 5.88 kPa, 0.4 m more above the valve 3.92."""
    reading = Reading(0.0, line_kpa=100.0)
    assert gun_kpa(SETUP, 100.0, hose_l) == pytest.approx(100 - share * 5.884, abs=0.001)
    assert rest_kpa(SETUP, reading, hose_l, 0.4) == pytest.approx(100 - share * 9.807, abs=0.001)


def test_a_gauge_at_the_gun_has_only_the_liquid_above_it() -> None:
    assert rest_kpa(SETUP, Reading(0.0, line_kpa=50.0, tyre_kpa=100.0), 4.0, 0.4) == pytest.approx(96.077, abs=0.001)
    assert rest_kpa(SETUP, Reading(0.0), 4.0, 0.4) is None
    hoseless = replace(SETUP, line=replace(SETUP.line, hose_l=0.0))
    assert gun_kpa(hoseless, 100.0, 0.0) == pytest.approx(94.116, abs=0.001)


def test_a_vacuum_is_below_what_a_gun_in_the_air_may_show() -> None:
    assert not vacuum(None)
    assert not vacuum(-0.69 * PSI)
    assert vacuum(-0.71 * PSI)
    assert not replace(GAS, rest_kpa=None).rested_at_nothing
    assert replace(GAS, rest_kpa=0.69 * PSI).rested_at_nothing
    assert not replace(GAS, rest_kpa=0.71 * PSI).rested_at_nothing


def test_a_tyre_is_let_down_to_two_psi_below_its_goal_and_never_below_a_psi_of_vacuum() -> None:
    floored = replace(SETUP, window=replace(SETUP.window, floor_kpa=5 * PSI))
    assert least_kpa(floored, 10 * PSI) == pytest.approx(3 * PSI)
    assert least_kpa(floored, 4 * PSI) == pytest.approx(2 * PSI)
    assert least_kpa(floored, 0.0) == pytest.approx(-PSI)


def test_in_flow_the_losses_are_taken_off_within_the_spread_of_a_bore_s_coefficient() -> None:
    """Unmeasured the coefficient of a short tube gives 0.65 to 1.5 of the loss, measured it is known to 5 %."""
    reading = Reading(0.0, line_kpa=200.0)
    loss_kpa = bore_loss_kpa(SETUP.line, 0.5) + hose_loss_kpa(SETUP.line, 0.5)
    base_kpa = 200.0 - 1000 * 9.80665 * (0.6 + 0.1) / 1000
    for known, (least, most) in {False: (0.65, 1.5), True: (0.95, 1.05)}.items():
        band = flowing_band(SETUP, reading, (0.5, 0.5), 0.1, 1.2, loss_known=known)
        assert band is not None
        assert band.best == pytest.approx(base_kpa - 1.2 * loss_kpa)
        assert band.low == pytest.approx(base_kpa - 1.2 * most * loss_kpa)
        assert band.high == pytest.approx(base_kpa - 1.2 * least * loss_kpa)


def test_at_the_gun_only_the_bore_s_loss_is_between() -> None:
    band = flowing_band(SETUP, Reading(0.0, line_kpa=200.0, tyre_kpa=150.0), (0.5, 0.5), 0.1, 1.0, loss_known=True)
    assert band is not None
    assert band.best == pytest.approx(150.0 - 0.98067 - bore_loss_kpa(SETUP.line, 0.5), abs=0.001)
    assert flowing_band(SETUP, Reading(0.0), (0.5, 0.5), 0.1, 1.0, loss_known=True) is None


@pytest.mark.parametrize(("fast_lps", "counts_lps"), [(0.37, 0.5), (0.36, 0.36), (0.0, 0.0), (-0.1, 0.0)])
def test_while_pulses_fail_to_come_the_tyre_may_have_all_that_the_gauge_shows(
    fast_lps: float, counts_lps: float
) -> None:
    """From a quarter less on, and by more than the one pulse of 10 mL that its second may miss."""
    steady = flowing_band(SETUP, Reading(0.0, line_kpa=200.0), (0.5, 0.5), 0.0, 1.0, loss_known=True)
    band = flowing_band(SETUP, Reading(0.0, line_kpa=200.0), (fast_lps, 0.5), 0.0, 1.0, loss_known=True)
    assert steady is not None
    assert band is not None
    assert (band.low, band.best) == (steady.low, steady.best)
    loss_kpa = bore_loss_kpa(SETUP.line, counts_lps) + hose_loss_kpa(SETUP.line, counts_lps)
    assert band.high == pytest.approx(200.0 - 5.884 - 0.95 * loss_kpa, abs=0.001)


def stroke(cavity_l: float, litres: float, setup: Setup = SETUP, gas: Gas = GAS, added_kpa_l: float = 0.0) -> Gas:
    """A rest at the pressure that Boyle's law gives after a sealed stroke into a true cavity."""
    assert gas.rest_kpa is not None
    before = (gas.rest_kpa + AIR) * (cavity_l - gas.rest_offset_l) + added_kpa_l
    to_l = gas.rest_offset_l + litres
    after_kpa = before / (cavity_l - to_l) - AIR
    return at_rest(replace(gas, added_kpa_l=added_kpa_l), setup, after_kpa, to_l, 0.0, pumped=True)


@given(st.floats(250, 600), st.floats(60, 150), st.floats(-500, 500))
def test_a_stroke_measures_the_cavity(cavity_l: float, litres: float, added_kpa_l: float) -> None:
    gas = stroke(cavity_l, litres, added_kpa_l=added_kpa_l)
    assert gas.cavity_l == pytest.approx(cavity_l)
    assert gas.cavity_l - gas.low_l == pytest.approx(gas.high_l - gas.cavity_l)
    assert gas.high_l - gas.cavity_l >= 0.015 * cavity_l - 1e-6
    assert (gas.rest_offset_l, gas.added_kpa_l, gas.sealed) == (litres, 0.0, True)


def test_the_uncertainty_of_a_stroke_is_the_gauge_s_over_its_rise() -> None:
    """100 L into 400: 66.7 kPa, read to 1.5 times 1.03 kPa: 2.3 % of the 300 L that are left; a step of 0.01 L is
    a tenth of a litre there at most."""
    gas = stroke(400.0, 100.0)
    assert gas.stroke_u_l == pytest.approx(300 * 1.5 * 1.03 / 66.667, abs=0.01)
    assert gas.high_l == pytest.approx(400.0 + 300 * 1.5 * 1.03 / 66.667, abs=0.01)
    coarse = replace(SETUP, meter=replace(SETUP.meter, k_per_l=0.1))
    assert stroke(400.0, 100.0, coarse).stroke_u_l == pytest.approx(math.hypot(6.95, 30.0), abs=0.05)
    hot = replace(SETUP, line=replace(SETUP.line, vapour_kpa=4.7))
    assert stroke(400.0, 100.0, hot).stroke_u_l == pytest.approx(300 * math.hypot(1.545, 3.0) / 66.667, abs=0.01)
    assert stroke(400.0, 100.0, gas=replace(GAS, cold_u_kpa=2.0)).stroke_u_l == pytest.approx(
        300 * math.hypot(1.545, 2.0) / 66.667, abs=0.01
    )


def test_a_warm_gas_settles_to_its_surroundings_temperature() -> None:
    """At constant volume P/T is constant: 200 kPa at 5 % above ambient become 190.5."""
    warm = replace(GAS, warmth=Warmth(theta=(0.05,) * 5, sd=(0.01,) * 5))
    kpa, u_kpa = settled_kpa(warm, SETUP, 98.675, 0.5)
    assert kpa == pytest.approx(200 / 1.05 - AIR)
    assert u_kpa == pytest.approx(math.hypot(0.5, warm.warmth.u * 200 / 1.05))
    assert settled_kpa(GAS, SETUP, 98.675, 0.5) == (pytest.approx(98.675), 0.5)


def test_a_small_rise_or_one_that_is_not_the_pump_s_measures_nothing() -> None:
    """36 L press 200 kPa together by 19.8, 37 L by 20.4."""
    fine = replace(SETUP, line_gauge=GaugeFacts(u_kpa=0.1))
    assert stroke(400.0, 36.0, fine).stroke_u_l is None
    assert stroke(400.0, 37.0, fine).stroke_u_l is not None
    risen = at_rest(GAS, SETUP, 165.0, 100.0, 0.0, pumped=False)
    assert (risen.stroke_u_l, risen.rest_kpa, risen.rest_offset_l) == (None, 165.0, 100.0)
    assert at_rest(replace(GAS, sealed=False), SETUP, 165.0, 100.0, 0.0, pumped=True).stroke_u_l is None


def test_a_coarser_stroke_does_not_replace_a_finer_one() -> None:
    fine = stroke(400.0, 150.0)
    coarse = at_rest(fine, SETUP, (fine.rest_kpa or 0.0) + 30.0, 165.0, 0.0, pumped=True)
    assert (coarse.cavity_l, coarse.stroke_u_l) == (pytest.approx(400.0), fine.stroke_u_l)
    assert stroke(400.0, 100.0, gas=stroke(400.0, 60.0)).stroke_u_l == pytest.approx(
        (400 - 160) * 1.545 / (200 * 400 / 240 - 200 * 400 / 340), abs=0.01
    )


def test_a_coarse_gauge_that_agrees_with_the_size_leaves_it_as_it_is() -> None:
    """Read to 10 kPa of 66.7, the 300 L are known to 45: worse than the size's 20, from which only a clear
    difference is taken."""
    coarse = replace(SETUP, line_gauge=GaugeFacts(u_kpa=10 / 1.5))
    agrees = stroke(430.0, 100.0, coarse)
    assert (agrees.cavity_l, agrees.low_l, agrees.high_l, agrees.stroke_u_l) == (400.0, 380.0, 420.0, None)
    differs = stroke(550.0, 100.0, coarse)
    assert differs.cavity_l == pytest.approx(550.0)


def test_a_fall_by_liquid_that_was_drawn_measures_the_cavity_as_well() -> None:
    full = replace(GAS, rest_offset_l=100.0)
    drawn = after_draw(full, SETUP, 200 * 300 / 400 - AIR, 0.0, 0.0)
    assert drawn.cavity_l == pytest.approx(400.0)
    assert drawn.stroke_u_l == pytest.approx(400 * 1.545 / 50, abs=0.01)
    assert (drawn.rest_offset_l, drawn.sealed) == (0.0, True)
    fine = replace(SETUP, line_gauge=GaugeFacts(u_kpa=0.1))
    little = after_draw(full, fine, 200 * 300 / 330 - AIR, 70.0, 0.0)
    assert little.stroke_u_l is None


def test_strokes_make_one_rise_until_air_is_let_out() -> None:
    begun = at_rest(GAS, SETUP, 98.675, 0.0, 0.3, pumped=False)
    first = at_rest(begun, SETUP, 120.0, 30.0, 0.4, pumped=True)
    second = at_rest(replace(first, added_kpa_l=50.0), SETUP, 160.0, 80.0, 0.5, pumped=True)
    rise = second.rise
    assert rise is not None
    assert (rise.from_kpa, rise.from_l, rise.to_kpa, rise.to_l) == (98.675, 0.0, 160.0, 80.0)
    assert (rise.from_u_kpa, rise.to_u_kpa, rise.way_u_kpa) == (0.3, 0.5, 0.4)
    assert (rise.way_kpa, rise.way_l, rise.added_kpa_l, rise.way_added_kpa_l) == (pytest.approx(120.0), 30.0, 50.0, 0.0)
    assert rise.put_in_u == pytest.approx(math.hypot(SETUP.meter.uncertainty, 0.01 / 80))
    vented = at_rest(second, SETUP, 60.0, 80.0, 0.2, pumped=False)
    assert vented.rises == (rise,)
    assert vented.rise is not None
    assert (vented.rise.from_kpa, vented.rise.litres) == (pytest.approx(60.0), 0.0)
    again = at_rest(vented, SETUP, 60.0, 80.0, 0.2, pumped=False)
    assert again.rises == (rise,), "nothing was put in between these"
    third = at_rest(second, SETUP, 200.0, 120.0, 0.5, pumped=True)
    assert third.rise is not None
    assert (third.rise.way_kpa, third.rise.way_l, third.rise.to_l) == (pytest.approx(120.0), 30.0, 120.0)


def test_what_remains_spans_from_now_to_where_it_settles() -> None:
    assert Remains(50.0, sure=True).span_kpa == (50.0, 50.0)
    assert Remains(50.0, sure=True, settles_kpa=53.0).span_kpa == (50.0, 53.0)
    assert Remains(50.0, sure=True, settles_kpa=47.0).span_kpa == (47.0, 50.0)


def test_a_band_shows_no_more_than_it_is_by_default() -> None:
    assert (Band(1.0, 2.0, 3.0).shows_low, Band(1.0, 2.0, 3.0).shows_high) == (1.0, 3.0)


@pytest.mark.parametrize(("kpa", "beyond"), [(39.0, -1.0), (40.0, 0.0), (65.0, 0.0), (80.0, 0.0), (82.0, 2.0)])
def test_a_gauge_is_beyond_a_band_by_what_it_may_not_show(kpa: float, beyond: float) -> None:
    """50 to 70 kPa by a gauge that may read ten beyond it."""
    assert Band(50.0, 60.0, 70.0, 10.0).beyond(kpa) == beyond
