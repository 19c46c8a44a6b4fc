"""The arithmetic of a rest: straight lines against numpy's least squares, filters against their known variance."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.belief.rest import (
    Block,
    Demand,
    Gauge,
    Rest,
    at_rest,
    gauge_of,
    learned,
    moves,
    stepped,
    taken,
    unseen,
)

ANY = Demand(creep_kpa_s=1e6, u_kpa=1e6, least_s=2.0)
"""What meets this is taken from the shortest window of two seconds."""


def gauge_with(blocks: list[Block], variance: float = 0.04) -> Gauge:
    return Gauge(blocks[-1][1], blocks[-1][1], blocks[-1][0], variance, 75.0, tuple(blocks), blocks[-1][0])


def line(kpa_s: float, seconds: float, kpa: float = 100.0, each_s: float = 0.25) -> list[Block]:
    """Blocks of two scans each on a straight line that ends at ``kpa``."""
    ages = [n * each_s for n in range(round(seconds / each_s), -1, -1)]
    return [(50.0 - age_s, kpa - kpa_s * age_s, 2) for age_s in ages]


@given(
    st.lists(st.tuples(st.floats(-0.4, 0.4), st.integers(1, 4)), min_size=12, max_size=30),
    st.floats(-1, 1),
    st.sampled_from([1e-4, 0.04, 1.0]),
)
def test_a_rest_is_the_least_squares_line_through_its_window(
    scatter: list[tuple[float, int]], kpa_s: float, variance: float
) -> None:
    """The variance is pooled with eight scans' worth of the known noise; two standard errors are a bound at 95 %."""
    blocks = [(20.0 + 0.25 * n, 100 + kpa_s * 0.25 * n + off, scans) for n, (off, scans) in enumerate(scatter)]
    rest = at_rest(gauge_with(blocks, variance), ANY)
    assert rest is not None
    window = [block for block in blocks if blocks[-1][0] - block[0] <= 2.0 + 1e-9]
    t, p, w = (np.array(column, float) for column in zip(*window, strict=True))
    t -= t[-1]
    slope, end = np.polyfit(t, p, 1, w=np.sqrt(w))
    squares = float(np.sum(w * (p - end - slope * t) ** 2))
    across = float(np.sum(w * (t - np.average(t, weights=w)) ** 2))
    pooled = (8 * variance + squares) / (8 + len(window) - 2)
    assert rest.slope_kpa_s == pytest.approx(slope, abs=1e-7)
    assert rest.slope_u_kpa_s == pytest.approx(2 * math.sqrt(pooled / across))
    assert rest.u_kpa == pytest.approx(2 * math.sqrt(pooled / w.sum()))
    assert rest.scatter == pytest.approx(squares / (len(window) - 2), abs=1e-9)
    assert (rest.freedom, rest.span_s) == (len(window) - 2, pytest.approx(-t[0]))
    significant = abs(slope) > 2 * math.sqrt(pooled / across)
    assert rest.kpa == pytest.approx(end if significant else np.average(p, weights=w), abs=1e-6)


@pytest.mark.parametrize(("kpa_s", "rests"), [(0.1, True), (-0.1, True), (0.34, True), (0.36, False), (-0.36, False)])
def test_a_quiet_gauge_rests_below_a_twentieth_of_a_psi_per_second(kpa_s: float, rests: bool) -> None:
    assert (at_rest(gauge_with(line(kpa_s, 5.0), 1e-9)) is not None) is rests


def test_the_shortest_window_that_meets_the_demand_is_a_second() -> None:
    quiet = at_rest(gauge_with(line(0.0, 5.0), 1e-9))
    assert quiet is not None
    assert quiet.span_s == pytest.approx(1.0)
    assert at_rest(gauge_with(line(0.0, 0.75), 1e-9)) is None
    assert at_rest(gauge_with(line(0.0, 5.0)[-2:], 1e-9)) is None
    # Half a kilopascal at 95 % with one of noise: 16 scans, a window of 1.75 s.
    noisy = at_rest(gauge_with(line(0.0, 15.0), 1.0), Demand(creep_kpa_s=1e6))
    assert noisy is not None
    assert noisy.u_kpa <= 0.5
    assert noisy.span_s == pytest.approx(1.5, abs=0.26)


def test_what_moves_now_does_not_rest_however_long_it_stood() -> None:
    stood = [(at_s - 1.75, kpa, scans) for at_s, kpa, scans in line(0.0, 12.0)]
    assert at_rest(gauge_with([*stood, *line(2.0, 1.5, 103.0)], 1e-4)) is None


def test_after_a_time_out_the_last_ten_seconds_count_whatever_they_show() -> None:
    """And no more of them than lie on one line."""
    rest = at_rest(gauge_with(line(1.0, 18.0), 1e-6), longest=True)
    assert rest is not None
    assert (rest.slope_kpa_s, rest.kpa) == (pytest.approx(1.0), pytest.approx(100.0))
    assert 9.7 <= rest.span_s <= 10.3
    before = [(at_s - 4.25, 60.0, scans) for at_s, _, scans in line(0.0, 8.0)]
    after = at_rest(gauge_with([*before, *line(0.0, 4.0)], 1e-6), longest=True)
    assert after is not None
    assert after.kpa == pytest.approx(100.0, abs=0.05)
    assert 3.9 <= after.span_s <= 4.6


# --- blocks and noise ------------------------------------------------------------------------------------------------


def test_scans_are_kept_as_means_of_fifths_of_a_second_for_twenty() -> None:
    gauge = gauge_of(0.05)
    for scan in range(600):
        gauge = taken(gauge, scan / 16, 100.0 + scan, None, may_rest=True)
    first, second = gauge.blocks[0], gauge.blocks[1]
    assert first[2] == 4
    assert first[1] == pytest.approx(100.0 + 16 * first[0]), "mean time and mean pressure of the same scans"
    assert second[0] - first[0] == pytest.approx(0.25)
    assert 19.7 <= gauge.at_s - first[0] <= 20.2


def test_while_something_moves_no_window_grows_and_a_gap_keeps_only_the_noise() -> None:
    gauge = gauge_of(0.5)
    for scan in range(20):
        gauge = taken(gauge, scan * 0.1, 100.0, None, may_rest=True)
    assert gauge.blocks
    moving = taken(gauge, 2.0, 100.0, None, may_rest=False)
    assert (moving.blocks, moving.began_s, moving.raw_kpa) == ((), 2.0, 100.0)
    gap = taken(gauge, 2.0, None, None, may_rest=True)
    assert gap == unseen(gauge) == Gauge(variance=gauge.variance, weight=gauge.weight)


@pytest.mark.parametrize(
    ("noise_kpa", "smoothed_kpa", "wavers_kpa"),
    # Up to 0.3 kPa as it is; smoothed to that, or to three tenths where it is more; none is not displayed as a band.
    [(0.0, 0.02, 0.0), (0.02, 0.02, 0.0), (0.03, 0.03, 0.12), (0.3, 0.3, 1.2), (0.9, 0.3, 1.2), (2.0, 0.6, 2.4)],
)
def test_a_gauge_wavers_by_what_smoothing_leaves_of_its_noise(
    noise_kpa: float, smoothed_kpa: float, wavers_kpa: float
) -> None:
    gauge = gauge_of(noise_kpa)
    assert gauge.noise_kpa == pytest.approx(max(noise_kpa, 0.02))
    assert (gauge.smoothed_kpa, gauge.wavers_kpa) == (pytest.approx(smoothed_kpa), pytest.approx(wavers_kpa))
    assert gauge_of(None) == Gauge()
    assert (Gauge().raw_kpa, Gauge().noise_kpa, Gauge().weight) == (None, pytest.approx(0.02), 0.0)


def filtered(noise_kpa: float, damping_s: float | None = None, by_kpa: float = 0.0) -> float:
    """One scan of a tenth of a second that lies ``by_kpa`` from where the gauge stood."""
    gauge = replace(gauge_of(noise_kpa), raw_kpa=100.0, kpa=100.0, at_s=5.0)
    kpa = taken(gauge, 5.1, 100.0 + by_kpa, damping_s, may_rest=False).kpa
    assert kpa is not None
    return kpa - 100.0


def test_a_first_order_filter_follows_by_its_damping() -> None:
    """A tenth of a second at a time constant of 0.9: a tenth of the way."""
    assert filtered(1.0, 0.9, 2.0) == pytest.approx(0.2)
    assert filtered(1.0, 0.9, -2.0) == pytest.approx(-0.2)
    assert filtered(1.0, 0.0, 2.0) == 2.0
    assert filtered(0.3, None, 1.0) == 1.0, "a quiet gauge is not smoothed"


def test_by_its_noise_a_gauge_is_smoothed_to_a_quiet_one_within_limits() -> None:
    """White noise through x += a·(z − x) keeps a/(2 − a) of its variance (any text): 0.3² of 0.6² wants a quarter."""
    share = filtered(0.6, None, 1.0)
    assert share / (2 - share) == pytest.approx(0.25)
    assert filtered(3.0, None, 1.0) == pytest.approx(0.1 / 0.9), "no slower than a damping of 0.8 s"


def test_what_jumps_by_five_standard_deviations_is_followed_at_once() -> None:
    assert filtered(1.0, 0.9, 4.99) == pytest.approx(0.499)
    assert filtered(1.0, 0.9, 5.01) == pytest.approx(5.01)
    assert filtered(1.0, 0.9, -5.01) == pytest.approx(-5.01)


REST = Rest(100.0, 0.1, 0.0, 0.1, 2.0, 0.25, 6)


def test_noise_is_learned_from_the_first_rest_and_then_scan_by_scan() -> None:
    """Half the mean square of successive differences (von Neumann 1941): white noise of 0.5 kPa gives 0.25."""
    new = Gauge(100.0, 100.0, 5.0)
    first = learned(new, 100.1, REST)
    assert (first.variance, first.weight) == (0.25, 6.0)
    assert learned(new, 100.1, replace(REST, scatter=0.0)).variance == pytest.approx(0.02**2)
    second = learned(first, 101.0, REST)
    assert second.weight == 7.0
    assert second.variance == pytest.approx(0.25 + (0.5 - 0.25) / 8)
    hands = learned(first, 200.0, REST)
    assert hands.variance == pytest.approx(0.25 + (25 * 0.25 - 0.25) / 8), "hands move gauges too"
    assert learned(first, None, REST) is first
    assert learned(Gauge(), 100.0, REST) == Gauge()
    rng, gauge, before = random.Random(2), Gauge(0.0, 0.0, 0.0, 1.0, 150.0), 0.0
    for _ in range(3000):
        now = rng.gauss(0, 0.5)
        gauge = learned(replace(gauge, raw_kpa=now), before, REST)
        before = now
    assert gauge.weight == 150.0
    assert gauge.noise_kpa == pytest.approx(0.5, rel=0.15)
    still = learned(replace(gauge, raw_kpa=1.0, variance=0.02**2), 1.0, REST)
    assert still.variance == pytest.approx(0.02**2), "no less than its resolution"


# --- movement --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kpa_s", "up", "down", "told"),
    [
        (-1.0, 9.0, 0.99, True), (-1.0, 9.0, 1.01, False), (1.0, 0.99, 9.0, True), (1.0, 1.01, 9.0, False),
        (-1.0, 0.1, 9.0, False), (1.0, 9.0, 0.1, False),
    ],
)  # fmt: skip
def test_an_even_movement_is_told_beyond_what_is_permitted_that_way(
    kpa_s: float, up: float, down: float, told: bool
) -> None:
    slope = moves(gauge_with(line(kpa_s, 6.0), 1e-6), lambda _: (up, down), 1.25)
    assert slope == (pytest.approx(kpa_s) if told else None)
    assert moves(gauge_with(line(kpa_s, 0.75), 1e-6), lambda _: (0.0, 0.0), 1.25) is None


def test_windows_double_and_each_has_its_own_limit() -> None:
    asked: list[float] = []

    def most(ago_s: float) -> tuple[float, float]:
        asked.append(ago_s)
        return (0.1, 0.1) if ago_s > 9.0 else (9.0, 9.0)

    assert moves(gauge_with(line(-0.5, 15.0), 1e-6), most, 1.25) == pytest.approx(-0.5)
    assert asked == [pytest.approx(each, abs=0.26) for each in (1.25, 2.4, 4.9, 9.9)]


@pytest.mark.parametrize(("noise_kpa", "told"), [(0.02, True), (2.0, False)])
def test_a_slope_that_noise_may_make_is_none(noise_kpa: float, told: bool) -> None:
    """0.5 kPa/s over 5 s, 2.6 kPa: five and a half standard errors are needed."""
    gauge = gauge_with(line(-0.5, 5.0), noise_kpa**2)
    assert (moves(gauge, lambda _: (0.1, 0.1), 1.25) is not None) is told


@pytest.mark.parametrize(
    ("earlier", "later", "told"), [(0.0, 2.0, False), (2.0, 0.0, False), (0.9, 1.1, True), (1.1, 0.9, True)]
)
def test_only_what_goes_alike_in_both_halves_is_even(earlier: float, later: float, told: bool) -> None:
    first = [(at_s - 1.25, kpa - 1.25 * later, scans) for at_s, kpa, scans in line(earlier, 1.25)]
    gauge = gauge_with([*first, *line(later, 1.0)], 1e-6)
    assert (moves(gauge, lambda _: (0.1, 0.1), 2.5) is not None) is told


def step(kpa: float, took_s: float = 0.5, after_s: float = 1.0, before_s: float = 6.0) -> Gauge:
    """From 100 kPa by so much, within so many seconds, and the new level since then."""
    old = [(at_s - after_s - took_s, 100.0, scans) for at_s, _, scans in line(0.0, before_s)]
    way = [(50.0 - after_s - took_s / 2, 100.0 + kpa / 2, 2)]
    return gauge_with([*old, *way, *line(0.0, after_s, 100.0 + kpa)], 1e-4)


@pytest.mark.parametrize("kpa", [40.0, -40.0])
def test_a_step_is_told_as_the_rate_from_level_to_level(kpa: float) -> None:
    """From the new level back over what a contactor may take, and a second of the old one: 2.6 s."""
    rate = stepped(step(kpa), lambda _: 10.0)
    assert math.copysign(1.0, rate) == math.copysign(1.0, kpa)
    assert 40.0 / 3.6 <= abs(rate) <= 40.0 / 2.6


@pytest.mark.parametrize(("kpa", "told"), [(9.9, False), (-9.9, False), (10.2, True), (-10.2, True)])
def test_a_step_must_be_more_than_is_permitted(kpa: float, told: bool) -> None:
    assert (stepped(step(kpa), lambda _: 10.0) != 0.0) is told


def test_neither_a_new_level_of_a_moment_nor_a_slope_is_a_step() -> None:
    assert stepped(step(-40.0, after_s=0.25), lambda _: 10.0) == 0.0
    assert stepped(gauge_with(line(-8.0, 5.0), 1e-4), lambda _: 1.0) == 0.0
    assert stepped(step(-40.0, before_s=0.5), lambda _: 10.0) == 0.0
    assert stepped(gauge_with(line(0.0, 0.5), 1e-4), lambda _: 0.0) == 0.0


def test_few_blocks_of_slow_scans_suffice_three_for_a_level_and_five_for_a_slope() -> None:
    """Scans half a second apart: from the new level three blocks back to the old one's third, 3 s."""
    old = [(at_s - 1.5, 100.0, scans) for at_s, _, scans in line(0.0, 6.0, each_s=0.5)]
    rate = stepped(gauge_with([*old, *line(0.0, 1.0, 60.0, each_s=0.5)], 1e-4), lambda _: 10.0)
    assert rate == pytest.approx(-40.0 / 3.0)
    for seconds, told in ((3.0, False), (4.0, True)):
        slope = moves(gauge_with(line(-1.0, seconds, each_s=1.0), 1e-6), lambda _: (0.1, 0.1), 3.0)
        assert (slope is not None) is told


def test_slow_movement_is_told_from_a_level_of_longer_ago() -> None:
    """3 kPa/s for 4 s: of the levels two, four and eight seconds ago the last one stood."""
    stood = [(at_s - 5.0, 112.0, scans) for at_s, _, scans in line(0.0, 10.0)]
    falls = [(at_s - 0.75, kpa, scans) for at_s, kpa, scans in line(-3.0, 4.0)]
    gauge = gauge_with([*stood, *falls, *line(0.0, 0.5)], 1e-4)
    rate = stepped(gauge, lambda _: 3.0)
    assert -3.0 < rate < -1.0
