"""Subset simulation: the probability of a rare event by levels, each reached by a share of those that reach the last.

S.-K. Au and J. L. Beck, Probabilistic Engineering Mechanics 16 (2001) 263. A state is one seed for each of several
independent parts. A proposal replaces some seeds by fresh ones and is accepted where its value still reaches the level:
a Metropolis chain whose stationary distribution is that of the states above the level. What a state stands for and how
its value is found is not known here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import random

State = tuple[int, ...]
"""A seed for each part."""
Measure = Callable[[Sequence[State]], Sequence[float]]
"""Gives the value of each state."""
_ALPHA = 0.05
_SEEDS = 10**9
_REDRAWN = (1, 1, 2, 4)
"""How many parts a proposal replaces: one keeps more proposals, four move further."""


class Sample(NamedTuple):
    """A state, its value, and which of the first states its chain comes from."""

    state: State
    value: float
    ancestor: int


_Chain = list[Sample]


@dataclass(frozen=True, slots=True)
class Level:
    """The samples of one level, and how many of them reach the next."""

    at: float
    """Value that has to be reached."""
    reached: int
    samples: int
    correlation: float
    """Factor γ of Au and Beck: the variance is 1 + γ times that of independent samples."""
    accepted: float
    """Share of the proposals accepted on the way to these samples."""
    ancestors: int
    """Number of different first states from which those that reach come."""

    @property
    def probability(self) -> float:
        """Estimated probability to reach it from the level before."""
        return self.reached / self.samples

    @property
    def variation(self) -> float:
        """Coefficient of variation of that probability (Au and Beck); infinite where none reached it."""
        if not self.reached:
            return math.inf
        return math.sqrt((1.0 - self.probability) / self.reached * (1.0 + self.correlation))


@dataclass(frozen=True, slots=True)
class Estimate:
    """The result; the last level is the event itself."""

    levels: tuple[Level, ...]
    best: tuple[Sample, ...]
    """Different states with the largest values of the last level, in falling order."""
    measured: int
    """Number of states whose value was found."""

    @property
    def probability(self) -> float:
        """Estimated probability of the event; 0 where it did not occur."""
        return math.prod(level.probability for level in self.levels)

    @property
    def variation(self) -> float:
        """Its coefficient of variation at most: with errors of all levels that go together (Au and Beck's upper bound).

        The chains of all levels come from the same few first states; with independent levels it would be too small.
        """
        return sum(level.variation for level in self.levels)

    @property
    def bound(self) -> float:
        """Upper limit of the probability at a nominal 95 %.

        The estimate as log-normal; where the event did not occur, what none of the last level's samples excludes (the
        rule of three) times the upper limit of the level before, each at 97.5 %.
        """
        *before, last = self.levels
        reached = Estimate(tuple(before), (), 0)
        if last.reached:
            return min(1.0, self.probability * math.exp(NormalDist().inv_cdf(1 - _ALPHA) * self.variation))
        alpha = _ALPHA / 2 if before else _ALPHA
        none_of = min(1.0, -math.log(alpha) * (1.0 + last.correlation) / last.samples)
        return min(1.0, reached.probability * math.exp(NormalDist().inv_cdf(1 - alpha) * reached.variation) * none_of)


def subset_simulation(
    first: Sequence[State],
    measure: Measure,
    rng: random.Random,
    *,
    wanted: float,
    share: float,
    most_levels: int,
    on_level: Callable[[Level], None] = lambda _: None,
) -> Estimate:
    """Estimate the probability that a state's value is ``wanted`` or more.

    ``first`` are independent draws, as many as each level shall have; about ``share`` of them reach the next one.
    """
    chains = [[Sample(*each)] for each in zip(first, measure(first), range(len(first)), strict=True)]
    levels = list[Level]()
    measured, accepted = len(first), 1.0
    while True:
        samples = [sample for chain in chains for sample in chain]
        top = _top([sample.value for sample in samples], share)
        last = top is None or top >= wanted or len(levels) + 1 == most_levels
        at = wanted if top is None or last else top
        reaching = [sample for sample in samples if sample.value >= at]
        # Too few that reach the event tell no correlation: it is that of the share at the top.
        correlation = _correlation(chains, at if top is None else min(at, top))
        ancestors = len({sample.ancestor for sample in reaching})
        levels.append(Level(at, len(reaching), len(samples), correlation, accepted, ancestors))
        on_level(levels[-1])
        if last:
            best = sorted({sample.state: sample for sample in samples}.values(), key=lambda one: -one.value)
            return Estimate(tuple(levels), tuple(best), measured)
        chains, accepted = _grown(reaching, len(first), at, measure, rng)
        measured += len(first) - len(reaching)


def proposed(state: State, rng: random.Random) -> State:
    """The state with some of its parts redrawn, whatever they are: as likely as the way back."""
    places = rng.sample(range(len(state)), min(rng.choice(_REDRAWN), len(state)))
    return tuple(rng.randrange(_SEEDS) if place in places else seed for place, seed in enumerate(state))


def _top(values: Sequence[float], share: float) -> float | None:
    """The value that the given share reaches, above the least one; None where all are the same."""
    ordered = sorted(values, reverse=True)
    at, least = ordered[max(1, round(share * len(values))) - 1], ordered[-1]
    return at if at > least else min((value for value in values if value > least), default=None)


def _grown(
    seeds: Sequence[Sample], count: int, at: float, measure: Measure, rng: random.Random
) -> tuple[list[_Chain], float]:
    """Chains from samples that reach a level, ``count`` samples in all; and the share of accepted proposals."""
    chains = [[seed] for seed in seeds]
    proposals = accepted = 0
    while proposals < count - len(seeds):
        moving = chains[: count - len(seeds) - proposals]
        states = [proposed(chain[-1].state, rng) for chain in moving]
        for chain, state, value in zip(moving, states, measure(states), strict=True):
            last = chain[-1]
            chain.append(Sample(state, value, last.ancestor) if value >= at else last)
            accepted += value >= at
        proposals += len(moving)
    return chains, accepted / max(proposals, 1)


def _correlation(chains: Sequence[_Chain], at: float) -> float:
    """γ: twice the sum of the autocorrelations of "reaches the level" along the chains, weighted by their pairs."""
    series = [[sample.value >= at for sample in chain] for chain in chains]
    count = sum(map(len, series))
    mean = sum(map(sum, series)) / count
    variance = mean * (1.0 - mean)
    if not variance:
        # Nothing tells how far the chains have moved: as if each were a single sample.
        return count / len(series) - 1.0
    found = 0.0
    for lag in range(1, max(map(len, series))):
        both = [one and other for each in series for one, other in zip(each, each[lag:], strict=False)]
        found += 2.0 * (sum(both) - len(both) * mean * mean) / count / variance
    return max(0.0, found)
