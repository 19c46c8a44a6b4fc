"""Detect whether a gauge is steady, and what it then shows: the one place that judges steady pressure.

A gauge's scans are kept as means over short blocks. A straight line fitted to the last of them gives a slope; its
scatter gives the standard errors of slope and mean (least squares, any textbook; GUM H.3 works the same example). The
scatter is pooled with the gauge's known noise, so that a few quiet scans do not pass for a quiet gauge. Pure: depends
on neither phases nor tyres.

Stated rates, for white noise with a fifth of it slow, as ``tests/control/test_rest.py`` draws them: a gauge that creeps
at twice a demand's ``creep_kpa_s`` is taken as steady in at most 1 of 200 windows; :func:`moves` reports a steady one
as moving at most once in 100 hours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

_BLOCK_S = 0.2
"""Time over which scans are averaged into one value: two usual scans."""
_LONGEST_S = 20.0
"""Longest window: beyond it gas and hands have moved."""
ENOUGH_S = 10.0
"""Longest window of a gauge that does not settle: what came before, such as the gun being put on, is irrelevant."""
_FEWEST = 3
"""Fewest blocks for which a line has a scatter."""
_WORTH = 8.0
"""Weight of the known noise in blocks, against a window's own scatter. An assumption."""
_BOUND = 2.0
"""Standard errors of a bound at 95 %."""
_MOVES = 3.0
"""Standard errors beyond which a window is not steady: a false "no" costs some tenths of a second."""
_SURE = 5.5
"""Standard errors of a slope never reached by a steady gauge: it is tested in every scan of a shift."""
_EVEN = 0.5
"""A pump moves evenly: the slower half of the window has at least this share of the other's slope. A step, or a gauge
that lags, does not."""
_DOUBT = 1.5
"""Standard errors by which each half may be less even than it looks."""
_STRAIGHT = 0.08
"""Largest r.m.s. deviation from a straight line as a share of the movement; a step's is a sixth."""
_AFTER_S, _BETWEEN_S, _BEFORE_S = 0.4, 1.6, 1.0
"""A step: time at the new level, time that contactor, pump and line may take, and time at the old level."""
_LEVEL = 0.12
"""Share of a step by which either level may slope: a gauge on its way to another level slopes more."""
_QUIET_KPA = 0.3
"""Noise that a smoothed gauge may keep; below it no smoothing is applied. An assumption."""
_MOST_DAMPING_S = 0.8
"""Longest time constant of the smoothing. An assumption; the limits use the raw value."""
_JUMP = 5.0
"""Standard deviations of a scan beyond which a smoothed gauge follows at once."""
_FLOOR_KPA = 0.02
"""Least noise assumed of a gauge: its own resolution."""
_FORGETS = 150.0
"""Averaging length of the learned noise, in scans: 15 s of usual ones. An assumption."""
_ROBUST = 25.0
"""Limit of a single difference, in multiples of the variance known so far: hands move gauges too."""

Block = tuple[float, float, int]
"""Mean time, mean pressure, number of scans."""


@dataclass(frozen=True, slots=True)
class Demand:
    """Required accuracy of a rest."""

    creep_kpa_s: float = 0.35
    """Limit of the slope with its bound at 95 %. A twentieth of a psi in a second: common practice, no source."""
    u_kpa: float = 0.5
    """Limit of the noise's contribution to the mean's uncertainty, at 95 %."""
    least_s: float = 1.0


TYRE = Demand()
"""For the tyre's pressure: a gauge of 0.25 % of 60 psi has itself an uncertainty of twice ``u_kpa``."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Result of a steady gauge."""

    kpa: float
    u_kpa: float
    """Uncertainty from its noise, at 95 %."""
    slope_kpa_s: float
    slope_u_kpa_s: float
    """Uncertainty of the slope, at 95 %."""
    span_s: float
    scatter: float
    """Variance of a scan within the window, and its degrees of freedom."""
    freedom: int


@dataclass(frozen=True, slots=True)
class Gauge:
    """State of one pressure gauge."""

    raw_kpa: float | None = None
    kpa: float | None = None
    """Smoothed as far as its noise requires."""
    at_s: float = 0.0
    variance: float = _FLOOR_KPA**2
    """Of one scan."""
    weight: float = 0.0
    """Number of scan differences that it was learned from."""
    blocks: tuple[Block, ...] = ()
    """Since it could be steady, oldest first; the last one is still filling."""
    began_s: float = 0.0
    """When the last block began."""

    @property
    def noise_kpa(self) -> float:
        """One standard deviation of a scan."""
        return math.sqrt(self.variance)

    @property
    def smoothed_kpa(self) -> float:
        """One standard deviation of the smoothed value."""
        noise_kpa = self.noise_kpa
        return noise_kpa if noise_kpa <= _QUIET_KPA else min(noise_kpa, max(_QUIET_KPA, 0.3 * noise_kpa))

    @property
    def wavers_kpa(self) -> float:
        """Noise band of the displayed value; 0 for a gauge without noise."""
        return 4 * self.smoothed_kpa if self.variance > 2 * _FLOOR_KPA**2 else 0.0


def gauge_of(noise_kpa: float | None) -> Gauge:
    """A gauge that has not been read yet; ``noise_kpa`` is the configured noise of one scan."""
    if noise_kpa is None:
        return Gauge()
    return Gauge(variance=max(noise_kpa, _FLOOR_KPA) ** 2, weight=_FORGETS / 2)


def taken(gauge: Gauge, now_s: float, raw_kpa: float | None, damping_s: float | None, *, may_rest: bool) -> Gauge:
    """Process one scan. ``may_rest``: nothing is commanded to move; only then the window grows."""
    if raw_kpa is None:
        return unseen(gauge)
    kpa = _smoothed(gauge, now_s, raw_kpa, damping_s)
    blocks, began_s = _with_scan(gauge, now_s, raw_kpa) if may_rest else ((), now_s)
    return Gauge(raw_kpa, kpa, now_s, gauge.variance, gauge.weight, blocks, began_s)


def learned(gauge: Gauge, before_kpa: float | None, rest: Rest) -> Gauge:
    """Learn the noise at rest: from the window's scatter, then from each scan against the one ``before_kpa``.

    Half the mean square of successive differences is the variance, insensitive to slow drift (J. von Neumann, 1941).
    """
    if gauge.raw_kpa is None or before_kpa is None:
        return gauge
    if rest.freedom > gauge.weight:
        variance, weight = max(rest.scatter, _FLOOR_KPA**2), float(rest.freedom)
        return Gauge(gauge.raw_kpa, gauge.kpa, gauge.at_s, variance, weight, gauge.blocks, gauge.began_s)
    half = min(0.5 * (gauge.raw_kpa - before_kpa) ** 2, _ROBUST * gauge.variance)
    weight = min(gauge.weight + 1.0, _FORGETS)
    variance = max(gauge.variance + (half - gauge.variance) / (weight + 1.0), _FLOOR_KPA**2)
    return Gauge(gauge.raw_kpa, gauge.kpa, gauge.at_s, variance, weight, gauge.blocks, gauge.began_s)


def _smoothed(gauge: Gauge, now_s: float, raw_kpa: float, damping_s: float | None) -> float:
    """A first-order filter; its time constant is the point's damping, or what the noise requires."""
    noise_kpa = gauge.noise_kpa
    if gauge.kpa is None or abs(raw_kpa - gauge.kpa) > _JUMP * noise_kpa:
        return raw_kpa
    dt_s = now_s - gauge.at_s
    if damping_s is not None:
        share = 1.0 if damping_s <= 0 else dt_s / (damping_s + dt_s)
    elif noise_kpa <= _QUIET_KPA:
        return raw_kpa
    else:
        kept = (_QUIET_KPA / noise_kpa) ** 2
        share = max(2 * kept / (1 + kept), dt_s / (_MOST_DAMPING_S + dt_s))
    return gauge.kpa + share * (raw_kpa - gauge.kpa)


def _with_scan(gauge: Gauge, now_s: float, kpa: float) -> tuple[tuple[Block, ...], float]:
    blocks = gauge.blocks
    if blocks and now_s - gauge.began_s < _BLOCK_S:
        at_s, mean_kpa, count = blocks[-1]
        share = 1 / (count + 1)
        last = (at_s + share * (now_s - at_s), mean_kpa + share * (kpa - mean_kpa), count + 1)
        return (*blocks[:-1], last), gauge.began_s
    first = 0
    while first < len(blocks) and now_s - blocks[first][0] > _LONGEST_S:
        first += 1
    return (*blocks[first:], (now_s, kpa, 1)), now_s


@dataclass(slots=True)
class _Line:
    """Sums of a straight line that grows backwards from the newest block; times are relative to that."""

    blocks: int = 0
    scans: float = 0.0
    t: float = 0.0
    p: float = 0.0
    tt: float = 0.0
    tp: float = 0.0
    pp: float = 0.0

    def add(self, t: float, p: float, scans: int) -> None:
        """Add one block, with its pressure relative to the newest block's."""
        self.blocks += 1
        self.scans += scans
        self.t += scans * t
        self.p += scans * p
        self.tt += scans * t * t
        self.tp += scans * t * p
        self.pp += scans * p * p

    def _across(self) -> float:
        return self.tt - self.t * self.t / self.scans

    def _fit(self) -> tuple[float, float]:
        """Slope, and the sum of squares about the line."""
        across, slanted = self._across(), self.tp - self.t * self.p / self.scans
        return slanted / across, max(self.pp - self.p * self.p / self.scans - slanted * slanted / across, 0.0)

    def span_s(self) -> float:
        """Approximate length of the window, for evenly spaced times."""
        return math.sqrt(12 * self._across() / self.scans)

    def misfit(self) -> float:
        """Mean square of the residuals."""
        return self._fit()[1] / self.scans

    def pooled(self, variance: float) -> tuple[float, float]:
        """Slope, and the variance of one scan about the line, pooled with the known variance."""
        slope, scatter = self._fit()
        return slope, (_WORTH * variance + scatter) / (_WORTH + self.blocks - 2)

    def noise_u(self, variance: float) -> float:
        """The slope's standard error from the known noise alone, whatever the misfit."""
        return math.sqrt(variance / self._across())

    def straight(self, variance: float) -> bool:
        """Whether the points lie on the line within the noise."""
        return self.misfit() <= (_STRAIGHT * self._fit()[0] * self.span_s()) ** 2 + _BOUND**2 * variance

    def slope(self, variance: float) -> tuple[float, float]:
        """Slope and its standard error."""
        slope, pooled = self.pooled(variance)
        return slope, math.sqrt(pooled / self._across())


def at_rest(gauge: Gauge, demand: Demand = TYRE, *, longest: bool = False) -> Rest | None:
    """Return the rest if the gauge is steady, from the shortest window that meets the demand.

    ``longest``: from as much of the last ten seconds as lies on one line, whatever that shows, after a time-out.
    """
    blocks = gauge.blocks
    if len(blocks) < _FEWEST:
        return None
    now_s, now_kpa, _ = blocks[-1]
    line, meets, stepped_within = _Line(), False, False
    slope = slope_u = mean_u = scan_u = 0.0
    for at_s, kpa, scans in reversed(blocks):
        kept = replace(line) if longest and mean_u else line
        line.add(at_s - now_s, kpa - now_kpa, scans)
        if line.blocks < _FEWEST:
            continue
        if at_s - now_s > -demand.least_s:
            continue
        bent = longest and not line.straight(gauge.variance)
        if mean_u and longest and (at_s - now_s < -ENOUGH_S or bent):
            # Before that it was at another level, for example before a gun came off.
            line = kept
            break
        stepped_within = bent
        slope, slope_u = line.slope(gauge.variance)
        scan_u = math.sqrt(line.pooled(gauge.variance)[1])
        mean_u = scan_u / math.sqrt(line.scans)
        meets = abs(slope) + _BOUND * slope_u <= demand.creep_kpa_s and _BOUND * mean_u <= demand.u_kpa
        if not longest and abs(slope) - _MOVES * slope_u > demand.creep_kpa_s:
            # It moves now, however long it was steady before.
            return None
        if meets and not longest:
            break
    if not (meets or longest) or not mean_u:
        return None
    # A significant slope is extrapolated to the window's end; otherwise only the mean is reliable.
    ends = line.p / line.scans
    if stepped_within:
        # A step within the shortest window: a line through two levels ends beyond both, so the newest block is used.
        ends = 0.0
    elif abs(slope) > _BOUND * slope_u:
        ends -= slope * line.t / line.scans
    assert gauge.raw_kpa is not None, "a window without a scan"
    strays_kpa = abs(gauge.raw_kpa - now_kpa - ends)
    if not longest and strays_kpa > _JUMP * scan_u + demand.creep_kpa_s * _BLOCK_S:
        # It was steady until a moment ago.
        return None
    freedom = line.blocks - 2
    scatter = line.misfit() * line.scans / freedom
    return Rest(now_kpa + ends, _BOUND * mean_u, slope, _BOUND * slope_u, now_s - at_s, scatter, freedom)


def unseen(gauge: Gauge) -> Gauge:
    """The same gauge after a gap in its readings: its noise remains known."""
    return Gauge(variance=gauge.variance, weight=gauge.weight)


def moves(gauge: Gauge, most_kpa_s: Callable[[float], tuple[float, float]], span_s: float) -> float | None:
    """Slope of a gauge that moves evenly and too fast over its last ``span_s`` seconds; else ``None``.

    Longer windows, each twice the one before, are tested too, for slower movement. ``most_kpa_s`` gives the permitted
    rise and fall rates for a window that began so many seconds ago.
    """
    blocks = gauge.blocks
    if len(blocks) < 2 * _FEWEST - 1:
        return None
    now_s, now_kpa, _ = blocks[-1]
    newest, older, whole = _Line(), _Line(), _Line()
    for at_s, kpa, scans in reversed(blocks):
        t, p = at_s - now_s, kpa - now_kpa
        whole.add(t, p, scans)
        (newest if t > -span_s / 2 else older).add(t, p, scans)
        if t > -span_s + _BLOCK_S:
            continue
        if min(newest.blocks, older.blocks) >= _FEWEST - 1:
            slope = _even_slope(gauge, whole, newest, older)
            if slope:
                up_kpa_s, down_kpa_s = most_kpa_s(-t)
                if slope > up_kpa_s or slope < -down_kpa_s:
                    return slope
        span_s *= 2
        newest = _sum(newest, older)
        older = _Line()
    return None


def stepped(gauge: Gauge, most_kpa: Callable[[float], float]) -> float:
    """Rate at which a gauge has gone from a steady level to about its present one, kPa/s; 0 where it has not.

    ``most_kpa`` gives the permitted change from a level so many seconds ago, besides noise. Older levels are tested
    too, each twice as long ago: slow movement is far from those.
    """
    blocks, after, last = gauge.blocks, _Line(), len(gauge.blocks) - 1
    while last >= 0 and (after.blocks < _FEWEST or blocks[-1][0] - blocks[last][0] <= _AFTER_S):
        after.add(blocks[last][0] - blocks[-1][0], blocks[last][1] - blocks[-1][1], blocks[last][2])
        last -= 1
    if last < _FEWEST:
        return 0.0
    level_kpa, began_s, lag_s = blocks[-1][1] + after.p / after.scans, blocks[last + 1][0], _BETWEEN_S
    if all(abs(kpa - level_kpa) <= most_kpa(0.0) for _, kpa, _ in blocks):
        return 0.0
    before = _Line()
    for at_s, kpa, scans in blocks[last::-1]:
        if began_s - at_s < lag_s:
            continue
        before.add(at_s - began_s, kpa - level_kpa, scans)
        if before.blocks < _FEWEST or began_s - at_s < lag_s + _BEFORE_S:
            continue
        step_kpa = -before.p / before.scans
        step_u = math.sqrt(gauge.variance * (1 / after.scans + 1 / before.scans))
        far = abs(step_kpa) > most_kpa(began_s - at_s) + _SURE * step_u
        if far and all(_level(line, gauge.variance, step_kpa) for line in (before, after)):
            return step_kpa / (began_s - at_s)
        lag_s, before = 2 * lag_s, _Line()
    return 0.0


def _level(line: _Line, variance: float, step_kpa: float) -> bool:
    """Whether a short window slopes by no more than a small part of the step that leads to it or from it."""
    leans_kpa = (abs(line.slope(variance)[0]) - _BOUND * line.noise_u(variance)) * line.span_s()
    return leans_kpa <= _LEVEL * abs(step_kpa)


def _sum(one: _Line, other: _Line) -> _Line:
    return _Line(
        one.blocks + other.blocks,
        one.scans + other.scans,
        one.t + other.t,
        one.p + other.p,
        one.tt + other.tt,
        one.tp + other.tp,
        one.pp + other.pp,
    )


def _even_slope(gauge: Gauge, whole: _Line, newest: _Line, older: _Line) -> float:
    """Slope of a window that is reliably the same in both halves; 0 otherwise."""
    slope, slope_u = whole.slope(gauge.variance)
    if abs(slope) <= _SURE * slope_u:
        return 0.0
    way = math.copysign(1.0, slope)
    (slower, slow_u), (faster, fast_u) = sorted(
        (way * half.pooled(gauge.variance)[0], _DOUBT * half.noise_u(gauge.variance)) for half in (newest, older)
    )
    # With a margin for noise, which must not make the tail of a stop's fall look even.
    return slope if whole.straight(gauge.variance) and slower - slow_u >= _EVEN * (faster + fast_u) else 0.0
