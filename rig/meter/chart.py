"""A control chart of the meter against one reference: two one-sided cumulative sums of standardised deviations.

Tabular CUSUM (Page 1954; Montgomery, Introduction to Statistical Quality Control). How often it cries wolf and how soon
it sees a drift is computed as a Markov chain (Brook and Evans, Biometrika 59, 1972), not taken on trust.

A reference with a bias of its own first has to be learned. Each later deviation is judged against the mean of those
before it, with the uncertainty of that mean: such values are independent, so the chart needs no long baseline and does
not cry wolf more often for want of one (Hawkins, Self-starting cusum charts, The Statistician 36, 1987). The price is
told: a drift is seen less well while the baseline is short.

The uncertainty that comes with a comparison is a claim. Where the differences from one fill to the next are far larger
than it allows, the chart goes by them, the largest left out: a drift makes one of them larger, a claim that is too good
makes them all so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

SLACK = 0.5
"""Half of the drift that the chart is tuned for, in standard deviations."""
LIMIT = 5.073
"""Decision limit of the sums: one false alarm in 500 fills, both directions together."""
BASELINE_FILLS = 5
"""Fills that teach a reference's bias before any is judged."""
WITHIN_FILLS = 10
SURE = 0.9
_STATES = 60
_JUMPS = BASELINE_FILLS
"""Fewer differences from fill to fill say nothing of their size."""
_MEAN_JUMP = math.sqrt(2 / math.pi)
"""Mean size of a normal value, in standard deviations."""
_PLAIN = 1.5
"""Scatter this many times the claimed is hardly chance."""
_LARGEST_DRIFT = 20.0
"""Standard deviations; beyond it the chart is not worth having."""

Direction = Literal["low", "high"]
"""Which way the meter reads against the reference."""


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart after some fills. Deviations are relative: (meter − reference) / reference."""

    learns: bool
    """The reference has a bias of its own, which is the mean of what was seen."""
    fills: int = 0
    weight: float = 0.0
    """Sum of 1/sigma² of the baseline."""
    mean: float = 0.0
    """The bias so far."""
    high: float = 0.0
    low: float = 0.0
    high_fills: int = 0
    """Since when the sum is above nought."""
    low_fills: int = 0
    sigma: float = 0.0
    """Of the last fill, as claimed."""
    latest: float = 0.0
    """The last deviation."""
    jumps: float = 0.0
    """Sum of the differences from fill to fill, in what they should be."""
    largest: float = 0.0
    """The largest of them."""
    out: Direction | None = None
    """Which limit was crossed first; a proving begins a new chart."""
    out_at: int = 0

    @property
    def excess(self) -> float:
        """How many times more the fills scatter than they claim to; 1 where that is not plain yet."""
        steps = self.fills - 1
        if steps < _JUMPS:
            return 1.0
        scatter = (self.jumps - self.largest) / (steps - 1) / _MEAN_JUMP
        return scatter if scatter > _PLAIN else 1.0

    def drift(self) -> float:
        """About how far the meter is off by what the larger sum says, with its sign; 0 while both are at nought."""
        if not (self.high_fills or self.low_fills):
            return 0.0
        if self.high >= self.low:
            return (SLACK + self.high / self.high_fills) * self.sigma * self.excess
        return -(SLACK + self.low / self.low_fills) * self.sigma * self.excess


def seen(chart: Chart, deviation: float, sigma: float) -> Chart:
    """The chart with one more fill; ``sigma`` is the comparison's standard uncertainty, relative, above zero."""
    assert sigma > 0
    jump = abs(deviation - chart.latest) / math.hypot(sigma, chart.sigma) if chart.fills else 0.0
    chart = replace(
        chart,
        fills=chart.fills + 1,
        sigma=sigma,
        latest=deviation,
        jumps=chart.jumps + jump,
        largest=max(chart.largest, jump),
    )
    if chart.learns and chart.fills <= BASELINE_FILLS:
        return _learned(chart, deviation, sigma)
    spread = math.hypot(sigma, chart.weight**-0.5) if chart.learns else sigma
    z = (deviation - chart.mean) / (spread * chart.excess)
    high, low = max(0.0, chart.high + z - SLACK), max(0.0, chart.low - z - SLACK)
    chart = replace(
        chart,
        high=high,
        low=low,
        high_fills=chart.high_fills + 1 if high else 0,
        low_fills=chart.low_fills + 1 if low else 0,
    )
    if chart.out is None and max(high, low) > LIMIT:
        chart = replace(chart, out="high" if high > low else "low", out_at=chart.fills)
    # What is out of limits must not become the baseline.
    return _learned(chart, deviation, sigma) if chart.learns and chart.out is None else chart


def _learned(chart: Chart, deviation: float, sigma: float) -> Chart:
    weight = chart.weight + sigma**-2
    return replace(chart, weight=weight, mean=chart.mean + (deviation - chart.mean) * sigma**-2 / weight)


# --- what the chart can do -------------------------------------------------------------------------------------------


def _normal(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2))


@lru_cache(maxsize=256)
def _chain(slack: float, limit: float, mean: float, states: int) -> tuple[tuple[float, ...], ...]:
    """Probabilities of a one-sided sum's steps between its transient states."""
    width = 2 * limit / (2 * states - 1)

    def below(steps: int) -> float:
        return _normal((steps + 0.5) * width + slack - mean)

    belows = {steps: below(steps) for steps in range(-states, states)}
    return tuple(
        tuple(belows[to - at] - (belows[to - at - 1] if to else 0.0) for to in range(states)) for at in range(states)
    )


def _one_sided(slack: float, limit: float, mean: float) -> float:
    """Mean number of fills until a one-sided sum that begins at nought crosses the limit: (I − P)·x = 1, solved."""
    chain = _chain(slack, limit, mean, _STATES)
    rows = [[(1.0 if at == to else 0.0) - p for to, p in enumerate(steps)] + [1.0] for at, steps in enumerate(chain)]
    for at in range(_STATES - 1, 0, -1):
        pivot = rows[at]
        for up in range(at):
            share = rows[up][at] / pivot[at]
            rows[up] = [a - share * b for a, b in zip(rows[up], pivot, strict=True)]
    return rows[0][-1] / rows[0][0]


def average_run_length(drift: float, slack: float = SLACK, limit: float = LIMIT) -> float:
    """Mean number of fills until either sum crosses the limit, at a constant drift in standard deviations."""
    return 1 / (1 / _one_sided(slack, limit, drift) + 1 / _one_sided(slack, limit, -drift))


def chance_to_see(drift: float, baseline: int | None = None, fills: int = WITHIN_FILLS) -> float:
    """Chance that a drift (in standard deviations) is seen within ``fills``, from sums at nought.

    ``baseline`` fills had taught the reference's bias before the drift began; None is a reference without one.
    """
    shares = [1.0] + [0.0] * (_STATES - 1)
    for later in range(fills):
        chain = _chain(SLACK, LIMIT, drift * _left_of_drift(baseline, later), _STATES)
        shares = [sum(share * steps[to] for share, steps in zip(shares, chain, strict=True)) for to in range(_STATES)]
    return 1 - sum(shares)


def _left_of_drift(baseline: int | None, later: int) -> float:
    """How much of the drift shows in fill ``later`` after it began: the rest has gone into the mean."""
    if baseline is None:
        return 1.0
    before = baseline + later
    return baseline / before * math.sqrt(before / (before + 1))


@lru_cache(maxsize=256)
def least_drift(baseline: int | None = None) -> float | None:
    """The least drift, in standard deviations, seen within 10 fills with a chance of 0.9; None where there is none."""
    if baseline is not None and baseline < 1:
        return None
    low, high = 0.0, _LARGEST_DRIFT
    if chance_to_see(high, baseline) < SURE:
        return None
    while high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (low, middle) if chance_to_see(middle, baseline) >= SURE else (middle, high)
    return high
