"""Subset simulation against tails that are known: sums of normal parts, and of coins.

The method: S.-K. Au and J. L. Beck, Probabilistic Engineering Mechanics 16 (2001) 263, who try it on such cases.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from functools import cache
from statistics import NormalDist, fmean, pstdev

import pytest

from sim.subset_simulation import Estimate, Level, State, subset_simulation

PARTS = 16
RUNS = 30
NORMAL = NormalDist()


@cache
def normal(seed: int) -> float:
    return NORMAL.inv_cdf(random.Random(seed).random())


def sums(states: Sequence[State]) -> list[float]:
    """Standard normal: a sum of independent normal parts."""
    return [sum(map(normal, state)) / math.sqrt(PARTS) for state in states]


def searched(measure: Callable[[Sequence[State]], list[float]], wanted: float, seed: int, levels: int = 12) -> Estimate:
    rng = random.Random(seed)
    first = [tuple(rng.randrange(10**9) for _ in range(PARTS)) for _ in range(300)]
    return subset_simulation(first, measure, rng, wanted=wanted, share=0.2, most_levels=levels)


@cache
def runs(probability: float, levels: int = 12) -> list[Estimate]:
    return [searched(sums, NORMAL.inv_cdf(1 - probability), seed, levels) for seed in range(RUNS)]


@pytest.mark.parametrize("true", [1e-4, 1e-6])
def test_the_tail_of_a_normal_sum_is_found_within_the_stated_spread(true: float) -> None:
    found = [run.probability for run in runs(true)]
    between = pstdev(found) / true
    assert abs(fmean(found) / true - 1) < 3 * between / math.sqrt(RUNS)
    stated = fmean(run.variation for run in runs(true))
    assert between < stated < 2.5 * between
    assert sum(run.bound >= true for run in runs(true)) >= 0.95 * RUNS


@pytest.mark.parametrize("true", [1e-4, 1e-6])
def test_its_variance_is_less_than_that_of_as_many_blind_draws(true: float) -> None:
    found = runs(true)
    mean_square = fmean((run.probability / true - 1) ** 2 for run in found)
    blind = (1 - true) / (true * fmean(run.measured for run in found))
    assert mean_square < 0.2 * blind


def test_an_event_out_of_reach_is_bounded_far_below_the_rule_of_three() -> None:
    found = runs(1e-7, 5)
    missed = [run for run in found if not run.probability]
    assert len(missed) > 0.9 * RUNS
    assert all(1e-7 < run.bound < 0.3 * 3 / run.measured for run in missed)


def test_the_bound_of_an_event_that_never_came_holds() -> None:
    """The event is just out of the last level's reach, so that some runs meet it and others do not."""
    found = runs(5e-6, 5)
    assert 0.2 * RUNS < sum(not run.probability for run in found) < 0.8 * RUNS
    assert sum(run.bound >= 5e-6 for run in found) >= 0.95 * RUNS


def test_values_in_steps_and_a_majority_that_is_all_alike() -> None:
    """Heads of 16 coins, counted above 10: the exact binomial tail."""

    def heads(states: Sequence[State]) -> list[float]:
        return [float(max(10, sum(seed % 2 for seed in state))) for state in states]

    true = (1 + 16 + 120) / 2**16
    found = [searched(heads, 14.0, seed) for seed in range(RUNS)]
    spread = pstdev(run.probability for run in found) / math.sqrt(RUNS)
    assert abs(fmean(run.probability for run in found) - true) < 3 * spread


def test_where_all_are_alike_the_rule_of_three_remains() -> None:
    found = searched(lambda states: [0.0] * len(states), 1.0, 1)
    assert (found.probability, found.measured, len(found.levels)) == (0.0, 300, 1)
    assert found.bound == pytest.approx(3 / 300, rel=0.01)


def test_a_frequent_event_is_counted_as_it_is() -> None:
    found = searched(sums, 0.0, 2)
    assert len(found.levels) == 1
    assert found.probability == pytest.approx(0.5, abs=0.1)
    assert all(sample.value >= 0.0 for sample in found.best[:100])


def test_the_same_seed_finds_the_same_and_each_state_has_its_own_value() -> None:
    told = list[Level]()
    rng = random.Random(5)
    first = [tuple(rng.randrange(10**9) for _ in range(PARTS)) for _ in range(50)]

    def search(on_level: Callable[[Level], None]) -> Estimate:
        return subset_simulation(first, sums, random.Random(6), wanted=3.0, share=0.2, most_levels=9, on_level=on_level)

    found = search(told.append)
    assert search(lambda _: None) == found
    assert tuple(told) == found.levels
    assert [sample.value for sample in found.best] == sums([sample.state for sample in found.best])
    assert [level.at for level in found.levels] == sorted(level.at for level in found.levels)
