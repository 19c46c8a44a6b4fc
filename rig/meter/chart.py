"""A control chart of the meter against one reference: two one-sided cumulative sums of standardised deviations.

Tabular CUSUM (Page 1954; Montgomery, Introduction to Statistical Quality Control). Its false alarm rate and its delay
in detecting a drift are computed as a Markov chain (Brook and Evans, Biometrika 59, 1972), not assumed.

Errors repeat from fill to fill: a level float that sticks, a tote that stands askew. A chart that takes them as
independent gives ten times its false alarms at a lag-1 autocorrelation of 0.6. So each deviation is judged against its
forecast from the one before, as a first-order autoregression (Lu and Reynolds, Journal of Quality Technology 31, 1999):
the forecast errors are independent. The autocorrelation is estimated from the fills so far with a high prior, for a
chart of few fills cannot know it.

The bias of a reference must be learned first. The forecast of a later deviation has the uncertainty of the bias learned
before it: such forecast errors are independent too, so the chart needs no long baseline and gives no more false alarms
without one (Hawkins, Self-starting cusum charts, The Statistician 36, 1987).

The price of both is computed for the chart as it is: detection of a drift is weaker while the baseline is short and
where errors repeat.

The uncertainty stated with a comparison is a claim. Where the fills scatter about their mean far more than it allows,
the chart scales by their scatter instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

SLACK = 0.5
"""Half the drift that the chart is tuned for, in standard deviations."""
LIMIT = 5.5
"""Decision limit of the sums, both directions together: one false alarm in 770 fills were the autocorrelation known; as
it is estimated, by simulation, one in 600 to 900 at an autocorrelation from 0.6 to 0."""
BASELINE_FILLS = 5
"""Number of fills that learn a reference's bias before any is judged."""
WITHIN_FILLS = 10
SURE = 0.9
_STATES = 60
_REPEATS = 0.6
"""Autocorrelation assumed before any fill, for the judgement: the most that the chart holds its false alarm rate for.
No source; drifting levels and scales repeat their errors, true standards do not."""
_LIKELY_REPEATS = 0.45
"""The same for a forecast of what the chart will find: neither the best case nor the worst."""
_ASSUMED_FILLS = 3.0
"""Number of fills that the assumption is worth."""
_MOST_REPEATS = 0.95
_PLAIN = 1.5
"""Scatter above this multiple of the claimed one is significant."""
_LARGEST_DRIFT = 50.0
"""In claimed uncertainties; a chart that detects only larger drifts is useless."""

Direction = Literal["low", "high"]
"""Direction of the meter's error against the reference."""


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart after some fills. Deviations are relative: (meter − reference) / reference."""

    learns: bool
    """The reference has its own bias: the mean of the deviations so far."""
    fills: int = 0
    weight: float = 0.0
    """Inverse square of the mean's standard uncertainty."""
    mean: float = 0.0
    """Mean of the deviations so far, as estimated from errors that repeat."""
    high: float = 0.0
    low: float = 0.0
    high_fills: int = 0
    """Number of fills since the sum rose above zero."""
    low_fills: int = 0
    sigma: float = 0.0
    """Claimed uncertainty of the last fill."""
    latest: float = 0.0
    """The last deviation."""
    square: float = 0.0
    """Sum of the squared deviations from the mean, in claimed uncertainties, over pairs of successive fills."""
    product: float = 0.0
    """Sum of the products of successive deviations from the mean, in claimed uncertainties."""
    out: Direction | None = None
    """The limit that was crossed first; latched, since a proving begins a new chart."""
    out_at: int = 0

    @property
    def excess(self) -> float:
        """Ratio of the fills' scatter to the claimed one; 1 where it is not significant yet."""
        if self.fills <= BASELINE_FILLS:
            return 1.0
        scatter = math.sqrt(self.square / (self.fills - 1))
        return scatter if scatter > _PLAIN else 1.0

    def repeats(self, assumed: float = _REPEATS) -> float:
        """Lag-1 autocorrelation of the errors: the estimate, drawn towards ``assumed`` while the fills are few."""
        weight = _ASSUMED_FILLS * self.excess**2
        return min(max((weight * assumed + self.product) / (weight + self.square), 0.0), _MOST_REPEATS)

    def drift(self) -> float:
        """Estimated drift of the meter by the larger sum, with its sign; 0 while both sums are zero."""
        if not (self.high_fills or self.low_fills):
            return 0.0
        rises = self.high >= self.low
        total, fills = (self.high, self.high_fills) if rises else (self.low, self.low_fills)
        repeats = self.repeats()
        # The first fill differs from its forecast by the whole drift, the next by what the one before did not show.
        share = (1 + (fills - 1) * (1 - repeats)) / math.sqrt(1 - repeats**2)
        found = (total + SLACK * fills) / share * self.sigma * self.excess
        return found if rises else -found


def seen(chart: Chart, deviation: float, sigma: float) -> Chart:
    """The chart with one more fill; ``sigma`` is the comparison's standard uncertainty, relative, above zero."""
    assert sigma > 0
    fills, out, out_at = chart.fills + 1, chart.out, chart.out_at
    high, low = 0.0, 0.0
    if not (chart.learns and fills <= BASELINE_FILLS):
        z = _surprise(chart, deviation, sigma)
        high, low = max(0.0, chart.high + z - SLACK), max(0.0, chart.low - z - SLACK)
    if out is None and max(high, low) > LIMIT:
        out, out_at = "high" if high > low else "low", fills
    # Deviations out of limits must not enter the baseline.
    learned = chart if out else _scattered(_learned(chart, deviation, sigma), deviation, sigma)
    return replace(
        learned,
        fills=fills,
        sigma=sigma,
        latest=deviation,
        high=high,
        low=low,
        high_fills=chart.high_fills + 1 if high else 0,
        low_fills=chart.low_fills + 1 if low else 0,
        out=out,
        out_at=out_at,
    )


def _step(chart: Chart, sigma: float) -> tuple[float, float]:
    """The share of the last error that repeats in the next fill, and the uncertainty of the rest."""
    if not chart.fills:
        return 0.0, sigma
    repeats = chart.repeats()
    return repeats * sigma / chart.sigma, sigma * math.sqrt(1 - repeats**2)


def _surprise(chart: Chart, deviation: float, sigma: float) -> float:
    """Difference from the forecast, in its standard deviations."""
    share, rest = _step(chart, sigma)
    mean = chart.mean if chart.learns else 0.0
    spread = math.hypot(rest, (1 - share) * chart.weight**-0.5) if chart.learns else rest
    return (deviation - mean - share * (chart.latest - mean)) / (spread * chart.excess)


def _learned(chart: Chart, deviation: float, sigma: float) -> Chart:
    """The mean with one more fill: the estimate of least variance for errors that repeat."""
    share, rest = _step(chart, sigma)
    gain = (1 - share) / rest**2
    weight = chart.weight + (1 - share) * gain
    error = deviation - chart.mean - share * (chart.latest - chart.mean)
    return replace(chart, weight=weight, mean=chart.mean + error * gain / weight)


def _scattered(chart: Chart, deviation: float, sigma: float) -> Chart:
    """The scatter about the mean with one more pair of fills."""
    if not chart.fills:
        return chart
    before, now = (chart.latest - chart.mean) / chart.sigma, (deviation - chart.mean) / sigma
    return replace(chart, square=chart.square + (before**2 + now**2) / 2, product=chart.product + before * now)


# --- performance of the chart ----------------------------------------------------------------------------------------


def _normal(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2))


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


def chance_to_see(chart: Chart, drift: float) -> float:
    """Probability that a relative ``drift`` that begins now is detected within 10 fills, after at least one fill.

    From sums at zero, and with the autocorrelation as it is estimated now. Where the judgement assumes more of it than
    is likely, the sums scatter less than they may.
    """
    assumed, likely = chart.repeats(), chart.repeats(_LIKELY_REPEATS)
    noise = math.sqrt((1 - assumed) * (1 + likely) / ((1 + assumed) * (1 - likely)))
    shares = [1.0] + [0.0] * (_STATES - 1)
    for mean in _surprises(chart, drift):
        chain = _chain(SLACK / noise, LIMIT / noise, mean / noise, _STATES)
        shares = [sum(share * steps[to] for share, steps in zip(shares, chain, strict=True)) for to in range(_STATES)]
    return 1 - sum(shares)


def _surprises(chart: Chart, drift: float) -> Iterator[float]:
    """Expected differences from the forecast in the fills after a drift began: the learned mean absorbs it."""
    chart = replace(chart, mean=0.0, latest=0.0)
    for _ in range(WITHIN_FILLS):
        yield _surprise(chart, drift, chart.sigma)
        chart = replace(_learned(chart, drift, chart.sigma), latest=drift)


def grown(chart: Chart, fills: int) -> Chart:
    """The chart after ``fills`` in all, with the mean learned on; what is known of the autocorrelation stays."""
    assert chart.fills
    later = replace(chart, latest=chart.mean)
    for _ in range(chart.fills, fills):
        later = _learned(later, chart.mean, chart.sigma)
    return later


def least_drift(chart: Chart) -> float | None:
    """Least relative drift detected within 10 fills with probability 0.9; None where there is none."""
    low, high = 0.0, _LARGEST_DRIFT * chart.sigma
    if not chart.fills or chance_to_see(chart, high) < SURE:
        return None
    while high - low > 0.01 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if chance_to_see(chart, middle) >= SURE else (middle, high)
    return high
