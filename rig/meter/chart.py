"""A control chart of the meter against one reference: two one-sided cumulative sums of standardised deviations.

Tabular CUSUM (Page 1954; Montgomery, Introduction to Statistical Quality Control). Its false alarm rate and its delay
in detecting a drift are computed as a Markov chain (Brook and Evans, Biometrika 59, 1972), not assumed.

The bias of a reference must be learned first. Each later deviation is judged against the mean of those before it, with
the uncertainty of that mean: such values are independent, so the chart needs no long baseline and gives no more false
alarms without one (Hawkins, Self-starting cusum charts, The Statistician 36, 1987). The price, which is reported:
detection of a drift is weaker while the baseline is short.

The uncertainty stated with a comparison is a claim. Where the differences from fill to fill are far larger than it
allows, the chart scales by them instead, without the largest: a drift enlarges one of them, an optimistic claim all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

SLACK = 0.5
"""Half the drift that the chart is tuned for, in standard deviations."""
LIMIT = 5.073
"""Decision limit of the sums: one false alarm in 500 fills, both directions together."""
BASELINE_FILLS = 5
"""Number of fills that learn a reference's bias before any is judged."""
WITHIN_FILLS = 10
SURE = 0.9
_STATES = 60
_JUMPS = BASELINE_FILLS
"""Fewest differences from fill to fill from which their size is estimated."""
_MEAN_JUMP = math.sqrt(2 / math.pi)
"""Mean size of a normal value, in standard deviations."""
_PLAIN = 1.5
"""Scatter above this multiple of the claimed one is significant."""
_LARGEST_DRIFT = 20.0
"""Standard deviations; a chart that detects only larger drifts is useless."""

Direction = Literal["low", "high"]
"""Direction of the meter's error against the reference."""


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart after some fills. Deviations are relative: (meter − reference) / reference."""

    learns: bool
    """The reference has its own bias: the mean of the deviations so far."""
    fills: int = 0
    weight: float = 0.0
    """Sum of 1/sigma² of the baseline."""
    mean: float = 0.0
    """The bias so far."""
    high: float = 0.0
    low: float = 0.0
    high_fills: int = 0
    """Number of fills since the sum rose above zero."""
    low_fills: int = 0
    sigma: float = 0.0
    """Claimed uncertainty of the last fill."""
    latest: float = 0.0
    """The last deviation."""
    jumps: float = 0.0
    """Sum of the differences from fill to fill, in multiples of their claimed uncertainty."""
    largest: float = 0.0
    """The largest of them."""
    out: Direction | None = None
    """The limit that was crossed first; latched, since a proving begins a new chart."""
    out_at: int = 0

    @property
    def excess(self) -> float:
        """Ratio of the fills' scatter to the claimed one; 1 where it is not significant yet."""
        steps = self.fills - 1
        if steps < _JUMPS:
            return 1.0
        scatter = (self.jumps - self.largest) / (steps - 1) / _MEAN_JUMP
        return scatter if scatter > _PLAIN else 1.0

    def drift(self) -> float:
        """Estimated drift of the meter by the larger sum, with its sign; 0 while both sums are zero."""
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
    # Deviations out of limits must not enter the baseline.
    return _learned(chart, deviation, sigma) if chart.learns and chart.out is None else chart


def _learned(chart: Chart, deviation: float, sigma: float) -> Chart:
    weight = chart.weight + sigma**-2
    return replace(chart, weight=weight, mean=chart.mean + (deviation - chart.mean) * sigma**-2 / weight)


# --- performance of the chart ----------------------------------------------------------------------------------------


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
    """Mean number of fills until a one-sided sum from zero crosses the limit: the solution of (I − P)·x = 1."""
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
    """Probability that a drift (in standard deviations) is detected within ``fills``, from sums at zero.

    ``baseline`` is the number of fills that learned the bias before the drift began; None for a reference without bias.
    """
    shares = [1.0] + [0.0] * (_STATES - 1)
    for later in range(fills):
        chain = _chain(SLACK, LIMIT, drift * _left_of_drift(baseline, later), _STATES)
        shares = [sum(share * steps[to] for share, steps in zip(shares, chain, strict=True)) for to in range(_STATES)]
    return 1 - sum(shares)


def _left_of_drift(baseline: int | None, later: int) -> float:
    """The share of a drift that is visible ``later`` fills after it began: the mean has absorbed the rest."""
    if baseline is None:
        return 1.0
    before = baseline + later
    return baseline / before * math.sqrt(before / (before + 1))


@lru_cache(maxsize=256)
def least_drift(baseline: int | None = None) -> float | None:
    """Least drift, in standard deviations, detected within 10 fills with probability 0.9; None where there is none."""
    if baseline is not None and baseline < 1:
        return None
    low, high = 0.0, _LARGEST_DRIFT
    if chance_to_see(high, baseline) < SURE:
        return None
    while high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (low, middle) if chance_to_see(middle, baseline) >= SURE else (middle, high)
    return high
