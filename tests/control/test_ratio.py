"""The ratio of meter and witness within a fill: sound ones at the stated rate, slips found, and to the right side."""

from __future__ import annotations

import random

import pytest

from rig.control.belief.ratio import Pair, by_ratio

STEP_L, REPEAT = 0.8, 0.01
"""Standard deviation of two readings of a level in steps of 2 L, 2/√6, and one per cent of repeatability."""


def run(rng: random.Random, slips_after: float = 1e9, slip: float = 0.0) -> list[Pair]:
    """Rests of a fill of 261 L: the meter slips from some litres on, the tote's scale is off by 5 % (1 s)."""
    scale, true_l, meter_l, pairs = rng.gauss(1.0, 0.05), 0.0, 0.0, []
    while true_l < 261:
        stroke_l = rng.uniform(8, 40)
        slipped_l = max(0.0, min(stroke_l, true_l + stroke_l - slips_after))
        meter_l += stroke_l - slip * slipped_l
        true_l += stroke_l
        pairs.append((meter_l, 2.0 * round(scale * true_l / 2.0)))
    return pairs


def found(pairs: list[Pair]) -> tuple[float, float]:
    return by_ratio(pairs[:-1], pairs[-1], STEP_L, REPEAT)


def test_sound_meters_keep_their_ratio() -> None:
    rng = random.Random(7)
    assert sum(found(run(rng)) != (0.0, 0.0) for _ in range(2000)) <= 4


def test_a_meter_that_slips_later_is_covered_to_the_side_of_more() -> None:
    rng, held = random.Random(8), 0
    for _ in range(300):
        pairs = run(rng, 120.0, 0.15)
        less_l, more_l = found(pairs)
        missing_l = 0.15 * (pairs[-1][0] - 120.0) / 0.85
        held += more_l >= 0.7 * missing_l
        assert (less_l > 0) == (more_l > 0)
    assert held >= 0.95 * 300


def test_either_part_may_be_the_wrong_one() -> None:
    """100 L on which both agree, then 100 L by the meter where the witness shows 120: worked by hand."""
    less_l, more_l = by_ratio([(100.0, 100.0)], (200.0, 220.0), 0.5, 0.005)
    assert (less_l, more_l) == (pytest.approx(100 - 100 / 1.2), pytest.approx(20.0))
    less_l, more_l = by_ratio([(100.0, 100.0)], (200.0, 180.0), 0.5, 0.005)
    assert (less_l, more_l) == (pytest.approx(20.0), pytest.approx(25.0))


@pytest.mark.parametrize("now", [(200.0, 210.0), (200.0, 101.5), (100.5, 100.6)])
def test_little_a_stuck_witness_and_small_change_say_nothing(now: Pair) -> None:
    assert by_ratio([(100.0, 100.0)], now, 2.0, 0.01) == (0.0, 0.0)
