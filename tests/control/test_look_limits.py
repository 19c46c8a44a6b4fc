"""The thresholds of a look, and what a rest on the way adds: normal distributions (any table), and sampling."""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from look_draws import AIR, PSI

from rig.control.belief.airspace import (
    Found,
    Laws,
    Rise,
    Stage,
    Verdict,
    cavity_indicated,
    expected,
    found_in,
    indicated_after_kpa,
    judged,
    pooled,
    rest_after_kpa,
    worth_a_look,
    worth_a_rest_on_the_way,
)
from rig.control.belief.loaded import inside
from rig.control.words.values import CavityFacts

START = Rise(AIR, 5 * PSI, 0.0, 5 * PSI, 80.0, put_in_u=0.002)
SIZE = CavityFacts(340.0, 320.0, 380.0, 0.79, (0.0, 0.0))
"""Known to 20 L below and 40 above, at 95 %."""


def after(cavity_l: float, rise: Rise = START) -> Rise:
    return replace(rise, to_kpa=rest_after_kpa(cavity_l, rise))


# --- a rest on the way -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("way_l", "early"), [(12.0, True), (12.1, False), (0.0, True)])
def test_a_rest_within_the_first_fifteen_per_cent_is_a_reference(way_l: float, early: bool) -> None:
    """It is taken off twice: what it shows of the start's error and of the gas's warming cancels."""
    rise = replace(after(340.0), way_kpa=40.0, way_l=way_l, way_added_kpa_l=7.0)
    assert (rise.way is not None) is early
    assert rise.indicated_kpa == pytest.approx(rise.to_kpa - (80.0 if early else 0.0))
    if rise.way is not None:
        assert (rise.way.to_kpa, rise.way.to_l, rise.way.added_kpa_l) == (40.0, way_l, 7.0)
    offset = replace(rise, from_l=5.0, to_l=85.0, way_l=5.0 + way_l)
    assert (offset.way is not None) is early
    assert offset.litres == 80.0


def test_on_the_way_the_gauge_errs_as_at_the_start_and_a_part_of_the_warming_shows() -> None:
    laws = Laws(warmer=0.04, soon=0.25, from_error_kpa=0.7, to_error_kpa=-0.2)
    assert laws.on_the_way == replace(laws, warmer=0.01, to_error_kpa=0.7)
    way_kpa = rest_after_kpa(340.0, replace(START, to_l=4.0), laws.on_the_way)
    rise = replace(START, way_kpa=way_kpa, way_l=4.0)
    kpa = indicated_after_kpa(340.0, rise, laws)
    assert kpa == pytest.approx(rest_after_kpa(340.0, START, laws) - 2 * way_kpa)


@pytest.mark.parametrize("cavity_l", [200.0, 340.0, 500.0])
@pytest.mark.parametrize("way_l", [None, 4.0, 11.0])
def test_end_and_way_together_give_the_cavity_back(cavity_l: float, way_l: float | None) -> None:
    for laws in (Laws(), Laws(n=1.1, growth_per_psi=0.003, warmer=0.01), Laws(from_error_kpa=1.0, litres_error=0.01)):
        rise = replace(START, to_kpa=rest_after_kpa(cavity_l, START, laws))
        if way_l is not None:
            way_kpa = rest_after_kpa(cavity_l, replace(START, to_l=way_l), laws.on_the_way)
            rise = replace(rise, way_kpa=way_kpa, way_l=way_l)
        assert cavity_indicated(rise, laws) == pytest.approx(cavity_l, rel=2e-3)


def test_without_a_rise_the_cavity_has_no_bound_and_a_full_one_no_pressure() -> None:
    assert math.isinf(cavity_indicated(replace(START, to_kpa=START.from_kpa - 1.0)))
    assert math.isinf(rest_after_kpa(80.0, START))
    assert rest_after_kpa(90.0, START) > 500.0


# --- what is expected ------------------------------------------------------------------------------------------------


def test_the_spread_of_a_size_is_that_of_its_band_and_of_the_laws() -> None:
    """Sampled: half of the size's cavities are smaller, with a standard deviation of 10 L, half larger, with 20."""
    rng, higher, lower = random.Random(3), [], []
    for _ in range(4000):
        laws = Laws(
            rng.uniform(1.0, 1.1), rng.uniform(0, 0.003), rng.uniform(-3, 3) / 288, 0.25,
            rng.gauss(0, 0.515), rng.gauss(0, 0.515), rng.gauss(0, 0.001),
        )  # fmt: skip
        off = abs(rng.gauss(0, 1))
        middle = rest_after_kpa(340.0, START, laws) - rest_after_kpa(340.0, START)
        smaller = rest_after_kpa(340.0 - 10.0 * off, START) - rest_after_kpa(340.0, START)
        larger = rest_after_kpa(340.0 + 20.0 * off, START) - rest_after_kpa(340.0, START)
        higher.append(middle**2 + smaller**2)
        lower.append(middle**2 + larger**2)
    foreseen = expected(SIZE, START)
    assert foreseen.kpa == foreseen.indicated_kpa == pytest.approx(rest_after_kpa(340.0, START))
    assert foreseen.less_kpa == pytest.approx(math.sqrt(statistics.fmean(higher)), rel=0.06)
    assert foreseen.more_kpa == pytest.approx(math.sqrt(statistics.fmean(lower)), rel=0.06)
    full = expected(SIZE, replace(START, to_l=339.0))
    assert math.isinf(full.kpa)
    assert math.isinf(full.less_kpa)
    assert judged(SIZE, replace(START, to_l=339.0, to_kpa=300.0), "later") == "agrees"


@pytest.mark.parametrize(
    ("stage", "deviations", "verdict"),
    [
        # Early and later by 4.5 and 4 standard deviations to either side; at the look by 3.3 towards more space.
        ("early", 4.49, "agrees"), ("early", 4.51, "less"), ("early", -4.49, "agrees"), ("early", -4.51, "more"),
        ("later", 3.99, "agrees"), ("later", 4.01, "less"), ("later", -3.99, "agrees"), ("later", -4.01, "more"),
        ("look", -3.29, "agrees"), ("look", -3.31, "more"), ("look", 1.5, "agrees"), ("look", 6.1, "less"),
    ],
)  # fmt: skip
def test_a_rise_fits_the_size_within_so_many_deviations(stage: Stage, deviations: float, verdict: Verdict) -> None:
    foreseen = expected(SIZE, START)
    spread_kpa = foreseen.less_kpa if deviations > 0 else foreseen.more_kpa
    rise = replace(START, to_kpa=foreseen.indicated_kpa + deviations * spread_kpa)
    assert judged(SIZE, rise, stage) == verdict


def test_at_the_look_the_limit_is_what_one_sound_tyre_in_two_hundred_exceeds() -> None:
    """2.576 standard deviations of a normal distribution; a little more here, as a small air space is stiffer."""
    foreseen = expected(SIZE, START)
    limits = [
        k / 100
        for k in range(200, 400, 2)
        if judged(SIZE, replace(START, to_kpa=foreseen.indicated_kpa + k / 100 * foreseen.less_kpa), "look") == "less"
    ]
    assert 2.45 <= min(limits) <= 3.0
    assert limits == [k / 100 for k in range(round(100 * min(limits)), 400, 2)]


def litres_at(answers: object) -> float:
    """The rise, in litres, from which a question is answered with yes."""
    low, high = 1.0, 200.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if answers(replace(START, to_l=middle)) else (middle, high)  # type: ignore[operator]
    return high


def seen_by(litres: float) -> float:
    """By how many standard deviations a fifth of the cavity that is liquid already shifts the rest."""
    rise = replace(START, to_l=litres)
    shift_kpa = rest_after_kpa(340.0, rise, hidden_l=68.0) - rest_after_kpa(340.0, rise)
    return shift_kpa / expected(SIZE, rise).less_kpa


def test_a_look_is_worth_its_time_from_a_chance_of_a_quarter_to_see_a_fifth_of_liquid() -> None:
    z = NormalDist().inv_cdf
    assert seen_by(litres_at(lambda rise: worth_a_look(SIZE, rise))) == pytest.approx(z(0.995) + z(0.25), abs=0.01)
    assert not worth_a_look(SIZE, replace(START, to_l=339.0))
    sure_l = litres_at(
        lambda rise: worth_a_look(SIZE, rise) and not worth_a_rest_on_the_way(SIZE, rise, 0.1 * rise.litres)
    )
    assert seen_by(sure_l) == pytest.approx(z(0.995) + z(0.99), abs=0.01)


def test_a_rest_on_the_way_comes_early_in_the_rise() -> None:
    between = replace(START, to_l=0.8 * litres_at(lambda r: seen_by(r.litres) > 4.9))
    assert worth_a_rest_on_the_way(SIZE, between, 0.15 * between.litres)
    assert not worth_a_rest_on_the_way(SIZE, between, 0.151 * between.litres)
    assert not worth_a_rest_on_the_way(SIZE, replace(START, to_l=1.0), 0.1)


@pytest.mark.parametrize(
    ("cavity_l", "stated_l", "low_l", "best_l", "high_l"),
    [
        # 20 L and 40 L are two standard deviations, as are 15 of the measured one: 25 L below, 42.7 above.
        (260.0, 0.0, 55.0, 80.0, 122.72), (260.0, 30.0, 85.0, 110.0, 152.72),
        # No less than nothing, no more than the cavity.
        (330.0, 0.0, 0.0, 10.0, 52.72), (500.0, 0.0, 0.0, 0.0, 0.0), (2.0, 0.0, 313.0, 338.0, 340.0),
    ],
)  # fmt: skip
def test_liquid_inside_is_the_size_s_cavity_less_the_measured_one(
    cavity_l: float, stated_l: float, low_l: float, best_l: float, high_l: float
) -> None:
    found = inside(SIZE, Found(cavity_l, 7.5, 0.0), "agrees", stated_l)
    assert (found.low_l, found.litres, found.high_l) == tuple(
        pytest.approx(each, abs=0.01) for each in (low_l, best_l, high_l)
    )


@pytest.mark.parametrize(
    ("verdict", "cavity_l", "answer"),
    [("less", 339.0, "yes"), ("agrees", 314.6, "cannot tell"), ("agrees", 314.8, "no"), ("more", 400.0, "cannot tell")],
)
def test_a_look_says_no_where_a_fifth_of_the_cavity_is_out_of_question(
    verdict: Verdict, cavity_l: float, answer: str
) -> None:
    """68 L of 340, 42.7 above what was measured."""
    assert inside(SIZE, Found(cavity_l, 7.5, 0.0), verdict).answer == answer


# --- several rises ---------------------------------------------------------------------------------------------------


def test_one_rise_measures_from_about_four_uncertainties_of_its_readings_on() -> None:
    read_u = math.hypot(1.03, 0.8, 0.6)
    for share, measures in ((4.0, False), (4.5, True)):
        to_kpa = START.from_kpa + share * read_u
        rise = replace(START, from_u_kpa=0.8, to_u_kpa=0.6, to_kpa=to_kpa)
        assert rise.read_u_kpa == pytest.approx(read_u)
        assert (found_in(rise) is not None) is measures


def test_several_short_rises_measure_what_none_of_them_does() -> None:
    """Three of 2.2 uncertainties: noise averages out. Below two a rise is used only if its errors raise it."""
    size = after(340.0, replace(START, to_l=40.0))
    each_u = (size.to_kpa - size.from_kpa) / 2.2 / math.sqrt(2)
    noisy = replace(size, gauge_u_kpa=0.0, from_u_kpa=each_u, to_u_kpa=each_u)
    assert found_in(noisy) is None
    three = pooled((noisy,) * 3)
    assert three is not None
    assert three.cavity_l == pytest.approx(340.0, rel=1e-3)
    short = replace(noisy, to_u_kpa=2 * each_u)
    assert pooled((short,) * 30) is None
    assert pooled((noisy,) * 3 + (short,) * 30) == three


def test_the_error_of_a_coarse_gauge_is_the_same_in_every_rise() -> None:
    size = after(340.0, replace(START, to_l=40.0))
    coarse = replace(size, gauge_u_kpa=(size.to_kpa - size.from_kpa) / 2.5)
    assert pooled((coarse,) * 30) is None


def test_several_rises_are_pooled_by_the_inverse_variances_of_their_stiffness() -> None:
    long, short = after(360.0), after(330.0, replace(START, to_l=40.0))
    found = [each for each in map(found_in, (long, short)) if each is not None]
    stiffness = np.array([1 / each.cavity_l for each in found])
    weights = np.array([each.sigma_l for each in found]) ** -2.0 * stiffness**-4.0
    both = pooled((long, short))
    assert both is not None
    assert 1 / both.cavity_l == pytest.approx(np.average(stiffness, weights=weights))
    of_cavity = both.cavity_l**2 * stiffness**2
    shares = weights / weights.sum() * of_cavity
    assert both.common_l == pytest.approx(sum(shares * [each.common_l for each in found]))
    assert both.single_l == pytest.approx(math.sqrt(sum((shares * [each.single_l for each in found]) ** 2)))
    assert both.u_l == pytest.approx(2 * math.hypot(both.common_l, both.single_l))
    assert Found(100.0, 3.0, 4.0).sigma_l == 5.0
