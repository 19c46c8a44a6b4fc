"""The control chart: against published run lengths, a textbook estimate, and seeded simulations of repeating errors.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (figures from memory; those for drifts are Lucas and
Crosier's, Technometrics 24, 1982): with a slack of 0.5 the average run length of the two-sided scheme is 168 for a
limit of 4 and 465 for 5.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import sqrt
from statistics import fmean

import pytest

from rig.meter.chart import BASELINE_FILLS, Chart, average_run_length, chance_to_see, grown, least_drift, seen

SIGMA = 0.007
"""A reference good to 0.7 % in one fill."""
REPEATS = (0.0, 0.3, 0.6)
"""Lag-1 autocorrelations of the errors."""
both_kinds = pytest.mark.parametrize("learns", [False, True])


def errors(rng: random.Random, repeats: float) -> Iterator[float]:
    """A stationary first-order autoregression of unit variance."""
    error = rng.gauss(0, 1)
    while True:
        yield error
        error = repeats * error + sqrt(1 - repeats**2) * rng.gauss(0, 1)


def run_length(rng: random.Random, repeats: float, *, learns: bool, most: int, least_l: float = 200) -> int:
    """Fills of ``least_l`` to 200 L until a sound meter is called out of limits; ``most`` + 1 where it is not."""
    chart, error = Chart(learns), errors(rng, repeats)
    while chart.out is None and chart.fills < most:
        sigma = SIGMA * 200 / rng.uniform(least_l, 200)
        chart = seen(chart, 0.004 * learns + sigma * next(error), sigma)
    return chart.out_at if chart.out else most + 1


def long_known(repeats: float, *, learns: bool, fills: int = 10_001) -> Chart:
    """A chart after so many sound fills whose errors show just this autocorrelation."""
    steps = fills - 1
    weight = steps * (1 - repeats) / (1 + repeats) / SIGMA**2
    return Chart(learns, fills, weight, square=steps, product=repeats * steps, sigma=SIGMA)


@pytest.mark.parametrize(
    ("limit", "drift", "published"),
    [
        (4, 0.0, 168), (4, 0.5, 26.6), (4, 1.0, 8.38), (4, 1.5, 4.75), (4, 2.0, 3.34), (4, 3.0, 2.19),
        (5, 0.0, 465), (5, 0.5, 38.0), (5, 1.0, 10.4), (5, 1.5, 5.75), (5, 2.0, 4.01), (5, 3.0, 2.57),
    ],
)  # fmt: skip
def test_published_run_lengths(limit: float, drift: float, published: float) -> None:
    assert average_run_length(drift, 0.5, limit) == pytest.approx(published, rel=6e-3)


def test_the_limit_has_a_reserve_for_the_unknown_autocorrelation() -> None:
    assert average_run_length(0.0) == pytest.approx(770, rel=0.005)


@both_kinds
def test_few_fills_whose_errors_repeat_give_few_false_alarms(learns: bool) -> None:
    """At one in 500 fills 0.1 of the charts give one in 50; a chart that takes errors as independent: 0.6."""
    rng = random.Random(50)
    assert fmean(run_length(rng, 0.6, learns=learns, most=50) <= 50 for _ in range(200)) < 0.2


@pytest.mark.full
@both_kinds
@pytest.mark.parametrize("repeats", REPEATS)
def test_one_false_alarm_in_500_fills_or_fewer(repeats: float, learns: bool) -> None:
    """The mean of 300 run lengths of about 600 scatters by 35; at one in 500 fills, 0.18 of charts give one in 100."""
    rng = random.Random(20)
    lengths = [run_length(rng, repeats, learns=learns, most=5000) for _ in range(300)]
    assert fmean(lengths) >= 500
    assert fmean(length <= 100 for length in lengths) < 0.26


@pytest.mark.full
def test_volumes_that_differ_give_no_more_false_alarms() -> None:
    """A level's error in litres repeats; its share of a small fill is larger."""
    rng = random.Random(6)
    lengths = [run_length(rng, 0.6, learns=True, most=5000, least_l=50) for _ in range(300)]
    assert fmean(lengths) >= 500


@pytest.mark.parametrize("repeats", REPEATS)
def test_the_learned_bias_is_the_best_unbiased_estimate(repeats: float) -> None:
    """Generalised least squares of the mean of a first-order autoregression has a closed form (textbook, from memory):
    the ends weigh 1, the fills between 1 − φ; the variance is (1 + φ) / (n − (n − 2)φ)."""
    deviations = [0.011, -0.004, 0.007, 0.013, 0.002]
    chart = Chart(learns=True, square=1e12, product=repeats * 1e12)
    for deviation in deviations:
        chart = seen(chart, deviation, 0.01)
    shares = [1, *[1 - repeats] * 3, 1]
    assert chart.mean == pytest.approx(sum(map(float.__mul__, map(float, shares), deviations)) / sum(shares), rel=1e-6)
    assert chart.weight * 0.01**2 == pytest.approx((5 - 3 * repeats) / (1 + repeats), rel=1e-6)


@pytest.mark.parametrize("repeats", REPEATS)
def test_the_autocorrelation_is_found_and_drawn_towards_the_worst_while_fills_are_few(repeats: float) -> None:
    rng = random.Random(3)
    found = []
    for fills in (6, 400):
        charts = []
        for _ in range(40):
            chart, error = Chart(learns=True), errors(rng, repeats)
            for _ in range(fills):
                chart = seen(chart, SIGMA * next(error), SIGMA)
            charts.append(chart.repeats())
        found.append(fmean(charts))
    assert Chart(learns=True).repeats() == 0.6
    assert found[1] == pytest.approx(repeats, abs=0.03)
    assert found[0] >= found[1] - 0.25


@both_kinds
@pytest.mark.parametrize("repeats", REPEATS)
def test_the_stated_chance_where_the_autocorrelation_is_known(repeats: float, learns: bool) -> None:
    known, rng, found = long_known(repeats, learns=learns), random.Random(7), 0
    for number in range(1500):
        error = errors(rng, repeats)
        drift = 0.01 if number % 2 else -0.01
        chart = seen(known, SIGMA * next(error), SIGMA)
        chart = Chart(learns, known.fills, known.weight, 0.0, sigma=SIGMA, latest=chart.latest,
                      square=known.square, product=known.product)  # fmt: skip
        for _ in range(10):
            chart = seen(chart, drift + SIGMA * next(error), SIGMA)
        found += chart.out is not None
    assert chance_to_see(known, 0.01) == pytest.approx(found / 1500, abs=0.03)


@pytest.mark.release
@pytest.mark.parametrize("fills", [5, 10, 20, 50])
def test_the_stated_chance_where_the_autocorrelation_is_not_known(fills: int) -> None:
    """A shop does not know it. The statement is right for rigs of all three kinds together; for each kind it is less
    exact, since it goes by an estimate from few fills."""
    rng, errs = random.Random(fills + 100), []
    for repeats in REPEATS:
        found, stated = [], []
        while len(found) < 800:
            chart, error = Chart(learns=True), errors(rng, repeats)
            for _ in range(fills):
                chart = seen(chart, 0.02 + SIGMA * next(error), SIGMA)
            if chart.out is not None:
                continue
            if len(found) < 200:
                stated.append(chance_to_see(chart, 0.01))
            for _ in range(10):
                chart = seen(chart, 0.03 + SIGMA * next(error), SIGMA)
            found.append(chart.out == "high")
        errs.append(fmean(stated) - fmean(found))
    assert abs(fmean(errs)) < 0.03
    assert max(map(abs, errs)) < 0.08


def test_the_stated_chance_is_that_of_a_chart_which_learns_its_bias() -> None:
    """A drift of 1 % by a reference of 0.7 %: 0.94 with independent errors and no bias. By simulation of independent
    errors 0.35, 0.63, 0.80 after 5, 10, 20 fills are the most that a learned bias allows."""
    for fills, most in ((5, 0.35), (10, 0.63), (20, 0.80)):
        assert 0.05 < chance_to_see(long_known(0.0, learns=True, fills=fills), 0.01) < most
    assert chance_to_see(long_known(0.0, learns=False), 0.01) == pytest.approx(0.92, abs=0.02)


@pytest.mark.full
def test_the_shorter_the_baseline_and_the_more_errors_repeat_the_more_must_drift() -> None:
    for repeats in REPEATS:
        drifts = [least_drift(long_known(repeats, learns=True, fills=fills)) or 9 for fills in (5, 10, 20, 50, 10_001)]
        assert drifts == sorted(drifts, reverse=True)
        assert drifts[-1] == pytest.approx(least_drift(long_known(repeats, learns=False)), rel=0.02)
    by_repeats = [least_drift(long_known(repeats, learns=True)) or 9 for repeats in REPEATS]
    assert by_repeats == sorted(by_repeats)
    assert least_drift(Chart(learns=True)) is None


def test_a_chart_that_learns_on_sees_more() -> None:
    young = long_known(0.3, learns=True, fills=6)
    old = grown(young, 20)
    assert chance_to_see(old, 0.01) > chance_to_see(young, 0.01) + 0.1
    assert old.repeats() == young.repeats()
    assert grown(old, 3).weight == old.weight


def test_the_sums_by_hand() -> None:
    """Deviations of 1.5, 0.2, 2.0, -4.0 %, an autocorrelation of 0.6: z is 1.5, then (x − 0.6 x') / 0.8."""
    chart, highs, lows = Chart(learns=False, square=1e12, product=6e11), [], []
    for percent in (1.5, 0.2, 2.0, -4.0):
        chart = seen(chart, 0.01 * percent, 0.01)
        highs.append(chart.high)
        lows.append(chart.low)
    assert highs == pytest.approx([1.0, 0.0, 1.85, 0.0])
    assert lows == pytest.approx([0.0, 0.375, 0.0, 6.0])
    assert (chart.high_fills, chart.low_fills, chart.out, chart.out_at) == (0, 1, "low", 4)
    # The last fill alone made the sum: -4 % - 0.6 · 2 %.
    assert chart.drift() == pytest.approx(-0.052)


def test_a_limit_once_crossed_stays_crossed_and_teaches_nothing() -> None:
    chart = Chart(learns=True)
    for deviation in [0.01] * BASELINE_FILLS + [0.10] * 3:
        chart = seen(chart, deviation, 0.01)
    assert chart.out == "high"
    mean = chart.mean
    for _ in range(50):
        chart = seen(chart, 0.01, 0.01)
    assert (chart.out, chart.mean) == ("high", mean)


def test_a_vaguer_comparison_weighs_less() -> None:
    chart = seen(seen(Chart(learns=True, square=1e12), 0.0, 0.01), 0.01, 0.02)
    assert chart.mean == pytest.approx(0.01 / 5)
    assert chart.weight == pytest.approx(0.01**-2 + 0.02**-2)
    assert (chart.high, chart.low) == (0.0, 0.0)


def test_a_claim_that_is_too_good_is_found_out_by_the_scatter() -> None:
    """Fills that scatter three times as much as claimed; were that believed, the limit were crossed within a dozen."""
    assert average_run_length(0.0, 0.5 / 3, 5.5 / 3) < 15
    rng = random.Random(11)
    quiet = 0
    for _ in range(400):
        chart = Chart(learns=True)
        for _ in range(60):
            chart = seen(chart, rng.gauss(0.0, 0.03), 0.01)
        quiet += chart.out is None
        assert chart.out or chart.excess == pytest.approx(3.0, rel=0.45)
    # Of charts that knew it from the first fill on, exp(-60/500) would be quiet: 0.89.
    assert quiet / 400 > 0.6


def test_a_drift_is_no_scatter() -> None:
    chart = Chart(learns=False)
    for fill in range(40):
        chart = seen(chart, 0.03 if fill > 20 else 0.0, 0.01)
    assert (chart.excess, chart.out) == (1.0, "high")
