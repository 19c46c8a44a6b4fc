"""Why a vessel's readings and its bookings differ: causes found by regression, at a stated rate of false alarms. Pure.

What is missing at the readings is one Gaussian vector: its covariance has the readings' own uncertainty, the sum of
the bookings' up to each, and a reading's scale that may be somewhat wrong. Each cause adds a column that is zero until
it begins and then follows what it depends on: litres past the meter, days, transfers, litres loaded or drawn, a step,
or one reading alone.

A cause has a likelihood ratio against no cause in closed form, a Bayes factor: its size has a mixture of normal priors,
the scale of all noise a conjugate one, and the readings' own noise has three values, so that stated uncertainties need
not be exactly right. As readings come, each ratio is a martingale while there is no cause. Their sum over every
beginning, weighted by the days that it stands for, is a Shiryaev-Roberts procedure: with the limit A its mean time
between false alarms is A days or more, however often the vessel is read or looked at (Pollak, Annals of Statistics 13,
1985; Shin, Ramdas and Rinaldo, E-detectors, New England Journal of Statistics in Data Science 2, 2023).

The same ratios, normalised, say how probable each cause is. Causes that the readings cannot tell apart stay together.
numpy and scipy come with the extra `fit` and are loaded only here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from rig.ledger.stocktaking import COVERAGE, Reading

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

Cause = Literal["meter", "leak", "hose", "loaded", "drawn", "step", "misread"]
FALSE_ALARM_DAYS = 365.0
"""Mean time between false alarms of a truck, or of a yard tank: this or more, if the uncertainties are as stated."""
USUAL_DAYS = 120
"""Readings that are used by default: of so many days."""
_FIRST_DAYS = 30.0
"""A cause that was there at the first reading is as likely as one that begins within so many days."""
CLAIM_READINGS = 40.0
"""Number of readings that the stated uncertainties are worth, where the scatter shows other ones. No source."""
_FACTORS = (0.5, 1.0, 2.0)
"""True uncertainties of readings in stated ones, as may be."""
_SCALE = 0.003
"""Standard uncertainty of the slope of a dipstick's or a level's scale, for changes of the content. No source."""
_WARMTH = 0.001
"""Standard uncertainty of a content by its temperature: brine expands by 0.04 % a kelvin, over 2.5 K."""
_SURE = 0.95
"""Probability that the named causes must have together."""
SPREADS = (1 / 6, 1.0, 6.0, 36.0)
"""Standard deviations of a size in its order of magnitude, equally likely: over more than two decades the priors hardly
tell causes apart, the readings must."""
_WIDE = 36.0
"""The same of a cause that was found, while others are looked for."""
_MOST = 5
"""Causes that are looked for."""


@dataclass(frozen=True, slots=True)
class _Kind:
    """What is known of a cause beforehand; all are equally probable."""

    size: float
    """Order of magnitude of its size."""
    column: Callable[[Reading], float] | None = None
    """What the missing litres follow once it began; None: a step, or one reading."""


_KINDS: dict[Cause, _Kind] = {
    "meter": _Kind(0.005, lambda each: each.metered_l),
    "leak": _Kind(3.0, lambda each: each.days),
    "hose": _Kind(0.5, lambda each: each.transfers),
    "loaded": _Kind(0.005, lambda each: each.loaded_l),
    "drawn": _Kind(0.005, lambda each: each.drawn_l),
    "step": _Kind(50.0),
    "misread": _Kind(50.0),
}
"""Sizes: share of the litres; litres a day, a transfer, at once. No source: what would matter to a shop."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """One cause, by itself beside the other findings."""

    cause: Cause
    probability: float
    """That it is this one and none of the other causes."""
    size: float
    """``meter``, ``loaded``, ``drawn``: share of the litres; ``leak``: litres a day; ``hose``: litres a transfer; else
    litres. Above zero: liquid is missing."""
    u: float
    """Of the size, at 95 %, with the uncertainty of its beginning."""
    since: str
    """The last reading before its likeliest beginning; of one reading alone, that reading."""
    since_first: str
    since_last: str
    """The beginning lies between these with 95 %."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What is no chance: its cause, or the causes that the readings cannot tell apart, the likeliest first."""

    causes: tuple[Estimate, ...]
    chance_days: float
    """By chance alone the readings say as much once in so many days, at most."""


@dataclass(frozen=True, slots=True)
class Explained:
    """What the readings say."""

    readings: int
    days: float
    missing_l: float
    """At the last reading."""
    u_l: float
    """What it may be without any cause, at 95 %."""
    chance_days: float
    """Of what is left after the findings."""
    findings: tuple[Finding, ...] = ()
    alone: tuple[Estimate, ...] = ()
    """Without a finding: each cause, had it been there since the first reading, with its uncertainty."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Columns of causes by their beginning, with their prior weights and sizes."""

    causes: tuple[Cause, ...]
    began: tuple[int, ...]
    """Number of the last reading before it."""
    columns: Numbers
    """(readings - 1, candidates)."""
    log_weight: Numbers
    size: Numbers


@dataclass(frozen=True, slots=True)
class Fit:
    """Each candidate alone against none: logarithm of the likelihood ratio, mean and standard deviation of its size."""

    log_ratio: Numbers
    mean: Numbers
    deviation: Numbers


def explain(readings: Sequence[Reading], limit_days: float = FALSE_ALARM_DAYS) -> Explained:
    """Causes of what is missing in a vessel, from its readings in order; at least one.

    ``limit_days`` is the least mean time between false alarms of this vessel.
    """
    last = readings[-1]
    if len(readings) < 2:
        return Explained(len(readings), last.days, last.missing_l, COVERAGE * last.u_l, 0.0)
    missing, noises, candidates = missing_of(readings), covariances(readings), candidates_of(readings)
    own_u_l = COVERAGE * float(_covariance(readings, 1.0)[-1, -1]) ** 0.5
    accepted: list[int] = []
    while True:
        found = fit(missing, _with(noises, candidates, accepted), candidates)
        chance = chance_days(found, candidates)
        if chance < limit_days or len(accepted) == _MOST:
            break
        accepted.append(int((found.log_ratio + candidates.log_weight).argmax()))
    findings = []
    for each in accepted:
        others = [other for other in accepted if other != each]
        again = fit(missing, _with(noises, candidates, others), candidates)
        findings.append(Finding(_named(again, candidates, readings), chance_days(again, candidates)))
    alone = () if findings else _alone(found, candidates, readings)
    return Explained(len(readings), last.days, last.missing_l, own_u_l, chance, tuple(findings), alone)


def missing_of(readings: Sequence[Reading]) -> Numbers:
    """Litres missing at each reading after the first."""
    import numpy as np

    return np.array([each.missing_l for each in readings[1:]], dtype=float)


def covariances(readings: Sequence[Reading]) -> tuple[Numbers, ...]:
    """Covariances of the litres missing at each reading after the first, if there is no cause.

    One each for readings that are better than stated, as stated, and worse, beside the same bookings.
    """
    return tuple(_covariance(readings, factor) for factor in _FACTORS)


def _covariance(readings: Sequence[Reading], factor: float) -> Numbers:
    import numpy as np

    first, later = readings[0], readings[1:]
    level = np.array([each.found_l for each in later])
    moved = _SCALE * (level - first.found_l)
    booked = np.array([each.booked_var_l2 for each in later])
    own = np.array([factor * each.u_l for each in later]) ** 2 + (_WARMTH * level) ** 2
    of_first = (factor * first.u_l) ** 2 + (_WARMTH * first.found_l) ** 2
    noise: Numbers = np.diag(own) + of_first + np.minimum.outer(booked, booked) + np.outer(moved, moved)
    return noise


def candidates_of(readings: Sequence[Reading]) -> Candidates:
    """Every cause with every beginning that the readings could show."""
    import numpy as np

    assert len(readings) > 1
    days = np.array([each.days for each in readings])
    stands_for = np.concatenate([[_FIRST_DAYS], np.diff(days)])[:-1]
    causes: list[Cause] = []
    blocks, began, weights, sizes = [], [], [], []
    for cause, kind in _KINDS.items():
        block = _block(kind, cause, readings)
        shows = np.flatnonzero(block.any(axis=0) & (stands_for > 0))
        causes += [cause] * len(shows)
        began += shows.tolist()
        blocks.append(block[:, shows])
        weights.append(np.log(stands_for[shows] / len(_KINDS)))
        sizes.append(np.full(len(shows), kind.size))
    return Candidates(tuple(causes), tuple(began), np.hstack(blocks), np.concatenate(weights), np.concatenate(sizes))


def _block(kind: _Kind, cause: Cause, readings: Sequence[Reading]) -> Numbers:
    """Columns of one cause, a column for each beginning: after the first reading, the second, ..."""
    import numpy as np

    began: Numbers = np.tri(len(readings) - 1)
    if kind.column is None:
        return began if cause == "step" else np.eye(len(began))
    follows = np.array([kind.column(each) for each in readings])
    began *= follows[1:, None] - follows[None, :-1]
    return began


def _with(noises: Sequence[Numbers], candidates: Candidates, accepted: Sequence[int]) -> list[Numbers]:
    """The covariances with causes of unknown size that are known to be there."""
    columns = candidates.columns[:, accepted] * (_WIDE * candidates.size[accepted])
    return [noise + columns @ columns.T for noise in noises]


def fit(missing: Numbers, noises: Sequence[Numbers], candidates: Candidates, claim: float = CLAIM_READINGS) -> Fit:
    """Fit each candidate alone; the covariances are equally likely, their scale is worth ``claim`` readings."""
    import numpy as np

    whitened = [_whitened(missing, noise, candidates) for noise in noises]
    nothing = np.array([each.nothing(claim) for each in whitened])
    fits = [each.fit(spread * candidates.size, claim) for each in whitened for spread in SPREADS]
    log_share, mean, variance = (np.array(each) for each in zip(*fits, strict=True))
    whole = np.logaddexp.reduce(log_share)
    share = np.exp(log_share - whole)
    middle = (share * mean).sum(axis=0)
    deviation = np.sqrt((share * (variance + (mean - middle) ** 2)).sum(axis=0))
    return Fit(whole - np.logaddexp.reduce(nothing) - math.log(len(SPREADS)), middle, deviation)


@dataclass(frozen=True, slots=True)
class _Whitened:
    """Litres and columns in units in which the noise is independent and of one size."""

    count: int
    log_root: float
    """Half the logarithm of the covariance's determinant."""
    square_l: float
    along: Numbers
    square: Numbers

    def nothing(self, claim: float) -> float:
        """Logarithm of the likelihood without a cause, up to a constant."""
        return -self.log_root - 0.5 * (claim + self.count) * math.log(claim + self.square_l)

    def fit(self, size: Numbers, claim: float) -> tuple[Numbers, Numbers, Numbers]:
        """Of each candidate: logarithm of the likelihood, mean and variance of its size, for priors of this size."""
        import numpy as np

        gain = size**2 / (1 + size**2 * self.square)
        rest = claim + self.square_l - gain * self.along**2
        count = claim + self.count
        log_likelihood = 0.5 * np.log(gain / size**2) - 0.5 * count * np.log(rest) - self.log_root
        return log_likelihood, gain * self.along, gain * rest / count


def _whitened(missing: Numbers, noise: Numbers, candidates: Candidates) -> _Whitened:
    import numpy as np
    from scipy.linalg import cholesky, solve_triangular

    root = cholesky(noise, lower=True)
    white = solve_triangular(root, np.column_stack([missing, candidates.columns]), lower=True)
    left, columns = white[:, 0], white[:, 1:]
    log_root = float(np.log(np.diag(root)).sum())
    return _Whitened(len(missing), log_root, float(left @ left), columns.T @ left, (columns**2).sum(axis=0))


def chance_days(found: Fit, candidates: Candidates) -> float:
    """The procedure's statistic: by chance it comes so high once in so many days, at most."""
    import numpy as np

    return float(np.exp(np.minimum(np.logaddexp.reduce(found.log_ratio + candidates.log_weight), 700.0)))


def _named(found: Fit, candidates: Candidates, readings: Sequence[Reading]) -> tuple[Estimate, ...]:
    """The likeliest causes, as many as are needed to be sure that it is one of them."""
    import numpy as np

    log_share = found.log_ratio + candidates.log_weight
    share = np.exp(log_share - np.logaddexp.reduce(log_share))
    of = np.array(candidates.causes)
    sums = sorted(((float(share[of == cause].sum()), cause) for cause in _KINDS), reverse=True)
    named: list[Estimate] = []
    for probability, cause in sums:
        named.append(_estimate(cause, probability, found, candidates, readings, np.where(of == cause, share, 0.0)))
        if sum(each.probability for each in named) >= _SURE:
            break
    return tuple(named)


def _estimate(
    cause: Cause, probability: float, found: Fit, candidates: Candidates, readings: Sequence[Reading], share: Numbers
) -> Estimate:
    """Size and beginning of one cause over its candidates, which have these shares of probability."""
    import numpy as np

    share = share / share.sum()
    mean = float(share @ found.mean)
    variance = float(share @ (found.deviation**2 + (found.mean - mean) ** 2))
    began = np.array(candidates.began)
    by_reading = np.bincount(began, share, len(readings))
    first, last = np.searchsorted(by_reading.cumsum(), ((1 - _SURE) / 2, (1 + _SURE) / 2))
    itself = cause == "misread"
    times = [readings[min(int(each) + itself, len(readings) - 1)].at for each in (by_reading.argmax(), first, last)]
    return Estimate(cause, probability, mean, COVERAGE * variance**0.5, *times)


def _alone(found: Fit, candidates: Candidates, readings: Sequence[Reading]) -> tuple[Estimate, ...]:
    """Estimates of each lasting cause, assuming that it acted from the first reading on."""
    first = readings[0].at
    return tuple(
        Estimate(cause, 0.0, float(mean), COVERAGE * float(deviation), first, first, first)
        for cause, began, mean, deviation in zip(
            candidates.causes, candidates.began, found.mean, found.deviation, strict=True
        )
        if began == 0 and _KINDS[cause].column is not None
    )
