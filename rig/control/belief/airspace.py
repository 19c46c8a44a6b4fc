"""Measure the cavity from a sealed pressure rise, with its uncertainty, and check it against the tyre's size.

A stroke between two pressures at rest measures the air space by Boyle's law, with sidewall growth and polytropic
exponent at mid-range: P2·(V·(1 + c·g2) − L2) = τ·(P1·(V·(1 + c·g1) − L1) + pushed air), τ = (P2/P1)^((n − 1)/n). The
uncertainties of n, c, the gauge, the gas temperature and the meter are propagated by finite differences to first order
(the GUM, JCGM 100:2008, section 5), and near a decision threshold by distributions (its supplement 1, JCGM 101:2008),
at fixed sample points. Must not depend on phases or screens.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from functools import cache, partial
from statistics import NormalDist
from typing import Literal

from rig.control.words.changed import changeable, changed
from rig.control.words.values import USUAL_U_KPA, CavityFacts
from rig.units import KPA_PER_PSI

_THIRD_ROOT = math.sqrt(3)
"""Half-width of a rectangular distribution over its standard deviation (GUM 4.3.7)."""
_MOST_STEPS = 40
"""Iterations of a pressure and the growth that it causes; usually five converge."""
_HIDDEN_SHARE = 0.2
"""The liquid already inside that a look should detect, as a share of the cavity."""
_LEAST_CHANCE, _SURE = 0.25, 0.99
"""Probabilities of detecting it from which a look is worth a stop, and from which no further rest adds to it."""
LESS_RATE = 0.005
"""Rate at which the one decisive look may take a sound tyre for one with less air space: 1 in 200."""
_NEAR, _FAR = 2.0, 6.0
"""Range in standard deviations in which the full distribution is evaluated."""
_MORE, _LATER, _EARLY = 3.3, 4.0, 4.5
"""Thresholds in standard deviations: more space than the size; either deviation after, and before, the look."""
_POINTS = 1024
"""Sample points for a probability of 1 in 200: some five of them are beyond it."""
_EARLY_SHARE = 0.15
"""Share of a rise up to which a rest on the way is a better reference than the start: it costs little rise."""
_WAY_WEIGHT = 2.0
"""Weight of the rest on the way, which shows mainly the gas warming: twice it removes twice as much of that."""
_LEAST_RISE = 2.0
"""Least rise that is used, in uncertainties of a reading: two readings that err by theirs to opposite sides show as
much of nothing."""
_MOST_U = 0.2
"""Largest standard uncertainty of the measured cavity, relative. A rise of four uncertainties of a reading has
sqrt(2) / 2 / 4, 0.18, of its two ends, and a little of gas, tyre and meter."""
_TURNS = 4
"""Iterations after which the cavity from end and way has converged: the way is a small part of the rise."""


@changeable
class Rise:
    """A sealed rise between two rests. Gauge pressures; offsets are liquid in the tyre less air in the hose."""

    atmosphere_kpa_abs: float
    from_kpa: float
    from_l: float
    to_kpa: float
    to_l: float
    added_kpa_l: float = 0.0
    """Air that was pushed in meanwhile, absolute pressure × volume."""
    put_in_u: float = 0.0
    """Relative uncertainty of what was put in, at 95 %: the meter's, for liquid."""
    gauge_u_kpa: float = USUAL_U_KPA
    """Uncertainty of the gauge itself, at 95 %."""
    from_u_kpa: float = 0.0
    to_u_kpa: float = 0.0
    """Uncertainty at 95 % from gauge noise in each of the two rests."""
    way_kpa: float | None = None
    """The first rest reading on the way, if there was one."""
    way_l: float = 0.0
    way_added_kpa_l: float = 0.0
    way_u_kpa: float = 0.0

    @property
    def indicated_kpa(self) -> float:
        """What is compared with the size: the end pressure, less twice that of an early rest on the way, if any.

        Both contain the error of the start and a part of the gas's warming, which so cancels in part.
        """
        way = self.way
        return self.to_kpa if way is None else self.to_kpa - _WAY_WEIGHT * way.to_kpa

    @property
    def way(self) -> Rise | None:
        """The part of the rise to the rest on the way, if that was early."""
        if self.way_kpa is None or self.way_l - self.from_l > _EARLY_SHARE * self.litres:
            return None
        return changed(self, to_kpa=self.way_kpa, to_l=self.way_l, added_kpa_l=self.way_added_kpa_l)

    @property
    def litres(self) -> float:
        """Reduction of the air space."""
        return self.to_l - self.from_l

    @property
    def read_u_kpa(self) -> float:
        """Uncertainty of one of its readings, at 95 %: of the gauge and of the noise in both."""
        return math.hypot(self.gauge_u_kpa, self.from_u_kpa, self.to_u_kpa)


@changeable
class Laws:
    """Parameters of a rise besides cavity and count, at mid-range. Spans of n and growth are assumptions, no source.

    n 1.0 to 1.1 in a fill of minutes (1 is isothermal, 1.4 adiabatic, from memory of any textbook), growth 0 to 0.003
    of the volume per psi; the gas is within 3 K of the temperature that n gives.
    """

    n: float = 1.05
    growth_per_psi: float = 0.0015
    warmer: float = 0.0
    """Relative absolute temperature of the gas, beyond what n gives."""
    soon: float = 0.25
    """Share of that which a rest on the way already shows: of the liquid's warmth a little or all (an assumption)."""
    from_error_kpa: float = 0.0
    to_error_kpa: float = 0.0
    litres_error: float = 0.0
    """Relative error of what was put in."""

    @property
    def on_the_way(self) -> Laws:
        """The parameters at the rest on the way: its pressure and the gauge's error are nearly those of the start."""
        return changed(self, warmer=self.soon * self.warmer, to_error_kpa=self.from_error_kpa)


_MIDDLE = Laws()
_RECTANGULAR: dict[str, float] = {
    "n": 0.05 / _THIRD_ROOT,
    "growth_per_psi": 0.0015 / _THIRD_ROOT,
    "warmer": 3.0 / 288.0 / _THIRD_ROOT,
    "soon": 0.25 / _THIRD_ROOT,
}
"""Standard uncertainties of rectangular distributions (GUM 4.3.7)."""
_READ = ("from_error_kpa", "to_error_kpa")
_SYSTEMATIC = ("n", "growth_per_psi", "litres_error", *_READ)
"""Of tyre, meter and gauge, in every stroke of a fill: more strokes do not average it out."""
_OF_EACH_RISE = ("warmer", *_READ)
"""Of the gas's temperature, and of noise where that is read: it averages out."""
_LAWS = tuple(field.name for field in fields(Laws))


def _spread(name: str, rise: Rise) -> float:
    if name == "litres_error":
        return rise.put_in_u / 2
    if name == "from_error_kpa":
        return math.hypot(rise.gauge_u_kpa, rise.from_u_kpa) / 2
    if name == "to_error_kpa":
        # The noise of a rest on the way has the weight of its pressure; the gauge error there is that of the start.
        way_u_kpa = _WAY_WEIGHT * rise.way_u_kpa if rise.way is not None else 0.0
        return math.hypot(rise.gauge_u_kpa, rise.to_u_kpa, way_u_kpa) / 2
    return _RECTANGULAR[name]


def rest_after_kpa(cavity_l: float, rise: Rise, laws: Laws = _MIDDLE, hidden_l: float = 0.0) -> float:
    """Gauge pressure at rest after a rise, whose ``to_kpa`` is not used; infinite when the tyre is full.

    ``hidden_l`` is unreported liquid inside.
    """
    air, growth = rise.atmosphere_kpa_abs, laws.growth_per_psi / KPA_PER_PSI
    start = rise.from_kpa + air
    from_l = rise.from_l + hidden_l
    to_l = from_l + rise.litres * (1 + laws.litres_error)
    gas = start * (cavity_l * (1 + growth * rise.from_kpa) - from_l) + rise.added_kpa_l * (1 + laws.litres_error)
    end = start
    for _ in range(_MOST_STEPS):
        room_l = cavity_l * (1 + growth * (end - air)) - to_l
        if room_l <= 0.01 * cavity_l or end > 1e4:
            return math.inf
        before, end = end, gas * _warming(start, end, laws) / room_l
        if abs(end - before) < 1e-3:
            break
    # The gauge at the start was taken as true: its error there is part of the expected pressure.
    return end - air + laws.to_error_kpa - laws.from_error_kpa * end / start


def indicated_after_kpa(cavity_l: float, rise: Rise, laws: Laws = _MIDDLE, hidden_l: float = 0.0) -> float:
    """Expected indication of a rise: its end, less twice the early rest on the way where there was one."""
    kpa, way = rest_after_kpa(cavity_l, rise, laws, hidden_l), rise.way
    return kpa if way is None else kpa - _WAY_WEIGHT * rest_after_kpa(cavity_l, way, laws.on_the_way, hidden_l)


def cavity_indicated(rise: Rise, laws: Laws = _MIDDLE) -> float:
    """The cavity from end and way together, litres; infinite where there was no rise."""
    cavity_l, way = cavity_of_rise(rise, laws), rise.way
    if way is None:
        return cavity_l
    indicated_kpa, then = rise.indicated_kpa, laws.on_the_way
    for _ in range(_TURNS):
        if math.isinf(cavity_l):
            break
        end_kpa = indicated_kpa + _WAY_WEIGHT * rest_after_kpa(cavity_l, way, then)
        cavity_l = cavity_of_rise(changed(rise, to_kpa=end_kpa), laws)
    return cavity_l


def cavity_of_rise(rise: Rise, laws: Laws = _MIDDLE) -> float:
    """The cavity at ambient pressure given by a rise, litres; infinite where there was no rise."""
    stiffness = _stiffness(rise, laws)
    return 1 / stiffness if stiffness > 0 else math.inf


def _stiffness(rise: Rise, laws: Laws = _MIDDLE) -> float:
    """The reciprocal of the cavity given by a rise, per litre: proportional to the rise, so linear in the errors of its
    readings."""
    air, growth = rise.atmosphere_kpa_abs, laws.growth_per_psi / KPA_PER_PSI
    from_kpa, to_kpa = rise.from_kpa - laws.from_error_kpa, rise.to_kpa - laws.to_error_kpa
    start, end = from_kpa + air, to_kpa + air
    warming = _warming(start, end, laws)
    to_l = rise.from_l + rise.litres * (1 + laws.litres_error)
    below = end * (1 + growth * to_kpa) - warming * start * (1 + growth * from_kpa)
    before = start * rise.from_l - rise.added_kpa_l * (1 + laws.litres_error)
    moved = end * to_l - warming * before
    return below / moved if moved > 0 else 0.0


def _warming(start_kpa_abs: float, end_kpa_abs: float, laws: Laws) -> float:
    return float((end_kpa_abs / start_kpa_abs) ** ((laws.n - 1) / laws.n)) * (1 + laws.warmer)


def _parts(value: Callable[[Laws], float], rise: Rise, names: tuple[str, ...] = _LAWS) -> dict[str, float]:
    """Contribution of one standard uncertainty of each law named to a value."""
    parts = {}
    for name in names:
        middle, step = getattr(_MIDDLE, name), _spread(name, rise)
        up, down = (value(changed(_MIDDLE, **{name: middle + sign * step})) for sign in (1, -1))
        parts[name] = (up - down) / 2
    return parts


@dataclass(frozen=True, slots=True)
class Found:
    """A measured cavity with two standard uncertainties: systematic of the tyre, and of the single rise."""

    cavity_l: float
    common_l: float
    single_l: float

    @property
    def sigma_l(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(self.common_l, self.single_l)

    @property
    def u_l(self) -> float:
        """Expanded uncertainty, about 95 %."""
        return 2 * self.sigma_l


def found_in(rise: Rise) -> Found | None:
    """The cavity that one rise measures; ``None`` where the rise is too short."""
    return pooled((rise,))


def pooled(rises: tuple[Rise, ...]) -> Found | None:
    """One cavity from several sealed rises; ``None`` where all of them together measure it too inaccurately.

    The mean of their stiffnesses by inverse variances: short rises by a coarse gauge count for what they are worth. The
    systematic part does not average out.
    """
    long = [rise for rise in rises if rise.to_kpa - rise.from_kpa >= _LEAST_RISE * rise.read_u_kpa]
    # A rise without litres, of air or of gas that warms, has none.
    all_found = [found for found in map(_one, long) if found[0] > 0]
    if not all_found:
        return None
    weights = [1 / (common * common + single * single) for _, common, single in all_found]
    shares = [weight / math.fsum(weights) for weight in weights]
    each = [(share, *found) for share, found in zip(shares, all_found, strict=True)]
    stiffness = math.fsum([share * value for share, value, _, _ in each])
    common = math.fsum([share * part for share, _, part, _ in each])
    single = math.hypot(*[share * part for share, _, _, part in each])
    if math.hypot(common, single) > _MOST_U * stiffness:
        return None
    return Found(1 / stiffness, common / stiffness**2, single / stiffness**2)


def _one(rise: Rise) -> tuple[float, float, float]:
    """The stiffness by one rise, measured from end to end, and its systematic and its other standard uncertainty."""
    stiffness, even = partial(_stiffness, rise), changed(rise, way_kpa=None)
    by_gauge, by_noise = changed(even, from_u_kpa=0.0, to_u_kpa=0.0), changed(even, gauge_u_kpa=0.0)
    common = math.hypot(*_parts(stiffness, by_gauge, _SYSTEMATIC).values())
    return stiffness(), common, math.hypot(*_parts(stiffness, by_noise, _OF_EACH_RISE).values())


Stage = Literal["early", "look", "later"]
Verdict = Literal["agrees", "less", "more"]


@dataclass(frozen=True, slots=True)
class Expected:
    """The expected rest of the size's cavity after a rise, and the indication of the rise, with its deviations."""

    kpa: float
    indicated_kpa: float
    less_kpa: float
    """Standard deviation of the indication towards less air space, which gives a higher pressure."""
    more_kpa: float


def expected(cavity: CavityFacts, rise: Rise) -> Expected:
    """The expected rest of a size's cavity after ``rise``, from its band and the laws' spans.

    A band is taken as two standard deviations either side, whatever its basis: a taught wheel, a published value or
    geometry (for geometry that is how it was made; for the others an assumption).
    """
    kpa, indicated = rest_after_kpa(cavity.volume_l, rise), indicated_after_kpa(cavity.volume_l, rise)
    if math.isinf(kpa):
        return Expected(kpa, indicated, math.inf, math.inf)
    own = math.hypot(*_parts(lambda laws: indicated_after_kpa(cavity.volume_l, rise, laws), rise).values())
    smaller = indicated_after_kpa((cavity.volume_l + cavity.low_l) / 2, rise) - indicated
    larger = indicated - indicated_after_kpa((cavity.volume_l + cavity.high_l) / 2, rise)
    return Expected(kpa, indicated, math.hypot(own, smaller), math.hypot(own, larger))


def judged(cavity: CavityFacts, rise: Rise, stage: Stage) -> Verdict:
    """Whether the rest at the end of ``rise`` fits the size: ``less`` air space than it has, or ``more``."""
    foreseen = expected(cavity, rise)
    if math.isinf(foreseen.less_kpa):
        return "agrees"
    less = (rise.indicated_kpa - foreseen.indicated_kpa) / foreseen.less_kpa
    more = (foreseen.indicated_kpa - rise.indicated_kpa) / foreseen.more_kpa
    if more > {"early": _EARLY, "look": _MORE, "later": _LATER}[stage]:
        return "more"
    if stage == "look":
        return "less" if less > _FAR or (less > _NEAR and _share_above(cavity, rise) < LESS_RATE) else "agrees"
    return "less" if less > (_EARLY if stage == "early" else _LATER) else "agrees"


def _share_above(cavity: CavityFacts, rise: Rise) -> float:
    """Share of the sound tyres of this size that would read as high as this rise or higher: the smaller cavities.

    A small air space gets stiffer as it shrinks, so the high tail is longer than first order gives.
    """
    return sum(_share_smaller(cavity, cavity_indicated(rise, laws)) for laws in _spread_laws(cavity, rise)) / _POINTS


def _share_smaller(cavity: CavityFacts, litres: float) -> float:
    """The share of tyres of this size whose cavity is below ``litres``: half a normal curve to either side."""
    side = cavity.volume_l - cavity.low_l if litres < cavity.volume_l else cavity.high_l - cavity.volume_l
    return NormalDist(cavity.volume_l, side / 2).cdf(litres)


def _spread_laws(cavity: CavityFacts, rise: Rise) -> Iterator[Laws]:
    """Sample the parameters. Errors of readings and litres add linearly, so they are one error of the end pressure."""
    parts = _parts(lambda laws: indicated_after_kpa(cavity.volume_l, rise, laws), rise)
    read_u = math.hypot(*(part for name, part in parts.items() if name not in _RECTANGULAR))
    steps = {**_RECTANGULAR, "to_error_kpa": read_u}
    for point in _spread_points():
        each = zip(steps.items(), point, strict=True)
        yield Laws(**{name: getattr(_MIDDLE, name) + step * at for (name, step), at in each})


@cache
def _spread_points() -> tuple[tuple[float, ...], ...]:
    """Points in units of standard deviations, the last normal: a Halton sequence, which fills space evenly."""
    normal = NormalDist().inv_cdf
    return tuple(
        (
            *(_THIRD_ROOT * (2 * _halton(number, base) - 1) for base in _PRIMES[: len(_RECTANGULAR)]),
            normal(_halton(number, _PRIMES[-1])),
        )
        for number in range(1, _POINTS + 1)
    )


_PRIMES = (2, 3, 5, 7, 11)


def _halton(number: int, base: int) -> float:
    """Radical inverse: the digits of ``number`` mirrored at the point (J. H. Halton, Numerische Mathematik, 1960)."""
    share, digit = 0.0, 1.0
    while number:
        digit /= base
        number, left = divmod(number, base)
        share += digit * left
    return share


def _noticed(cavity: CavityFacts, rise: Rise) -> float:
    """Probability that a rest after ``rise`` detects a fifth of the cavity already inside, 0 to 1."""
    foreseen = expected(cavity, rise)
    if math.isinf(foreseen.less_kpa):
        return 0.0
    shift = (
        indicated_after_kpa(cavity.volume_l, rise, hidden_l=_HIDDEN_SHARE * cavity.volume_l) - foreseen.indicated_kpa
    )
    normal = NormalDist()
    return normal.cdf(shift / foreseen.less_kpa - normal.inv_cdf(1 - LESS_RATE))


def worth_a_look(cavity: CavityFacts, rise: Rise) -> bool:
    """Whether the pump should stop for a rest after ``rise``, to compare the air space with the size."""
    return _noticed(cavity, rise) >= _LEAST_CHANCE


def worth_a_rest_on_the_way(cavity: CavityFacts, rise: Rise, way_l: float) -> bool:
    """Whether to stop after the first ``way_l`` as well, which makes the look more accurate."""
    return way_l <= _EARLY_SHARE * rise.litres and _LEAST_CHANCE <= _noticed(cavity, rise) < _SURE
