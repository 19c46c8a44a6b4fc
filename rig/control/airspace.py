"""What a sealed rise of the pressure tells of the cavity, with its uncertainty, and whether that fits the tyre's size.

A stroke between two pressures at rest measures the air space by Boyle's law, growth of the sidewalls and the polytropic
exponent taken at their middle: P2·(V·(1 + c·g2) − L2) = τ·(P1·(V·(1 + c·g1) − L1) + pushed air),
τ = (P2/P1)^((n − 1)/n). What is not known of n, c, the gauge, the gas's own temperature and the meter is propagated by
differences to first order (the GUM, JCGM 100:2008, section 5). It must not know phases, prompts or screens.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from statistics import NormalDist
from typing import Literal

from rig.control.values import CavityFacts
from rig.units import KPA_PER_PSI

GAUGE_U_KPA = 1.03
"""Uncertainty of one rest reading at 95 %: 0.25 % of a 60 psi gauge."""
_THIRD_ROOT = math.sqrt(3)
_STEPS = 12
_HIDDEN_SHARE = 0.2
"""The liquid already inside that a look is for, as a share of the cavity."""
_LEAST_CHANCE = NormalDist().inv_cdf(0.25)
LESS_RATE, MORE_RATE = 0.003, 0.0004
"""How often the one decisive look may take a sound tyre for one with less air space, or with more: together below 1 in
200, most of it where liquid inside shows."""
_FAR = 2.5
_EARLY, _LATER = 4.0, 3.5
"""Standard deviations at the rests before and after the decisive one: next to nothing of the rate is spent there."""


@dataclass(frozen=True, slots=True)
class Rise:
    """A sealed rise between two rests. Gauge pressures; offsets are liquid in the tyre less air in the hose."""

    atmosphere_kpa_abs: float
    from_kpa: float
    from_l: float
    to_kpa: float
    to_l: float
    added_kpa_l: float = 0.0
    """Air that was pushed in meanwhile, absolute pressure × volume."""
    meter_u: float = 0.0
    """Relative uncertainty of the meter at 95 %."""

    @property
    def litres(self) -> float:
        """What the air space became smaller by."""
        return self.to_l - self.from_l


@dataclass(frozen=True, slots=True)
class Laws:
    """What a rise depends on besides cavity and count, at its middle. Spans of n and growth are assumptions, no source:

    n 1.0 to 1.1 in a fill of minutes (1 keeps its temperature, 1.4 loses no heat, from memory of any textbook), growth
    0 to 0.003 of the volume per psi; the gas is within 3 K of the temperature that n gives it.
    """

    n: float = 1.05
    growth_per_psi: float = 0.0015
    warmer: float = 0.0
    """Relative absolute temperature of the gas, beyond what n says."""
    from_error_kpa: float = 0.0
    to_error_kpa: float = 0.0
    litres_error: float = 0.0
    """Relative error of the meter."""


_MIDDLE = Laws()
_RECTANGULAR: dict[str, float] = {
    "n": 0.05 / _THIRD_ROOT,
    "growth_per_psi": 0.0015 / _THIRD_ROOT,
    "warmer": 3.0 / 288.0 / _THIRD_ROOT,
}
"""Standard uncertainties of what lies evenly between two limits (GUM 4.3.7)."""
_OF_THE_TYRE = ("n", "growth_per_psi", "litres_error")
"""The same in every stroke of a fill: more strokes do not average it out."""


def _spread(name: str, rise: Rise) -> float:
    if name == "litres_error":
        return rise.meter_u / 2
    return _RECTANGULAR.get(name, GAUGE_U_KPA / 2)


def rest_after_kpa(cavity_l: float, rise: Rise, laws: Laws = _MIDDLE, hidden_l: float = 0.0) -> float:
    """Gauge pressure at which a tyre stands after a rise whose ``to_kpa`` is not looked at; infinite when it is full.

    ``hidden_l`` is liquid inside that nobody told of.
    """
    air, growth = rise.atmosphere_kpa_abs, laws.growth_per_psi / KPA_PER_PSI
    start = rise.from_kpa + air
    from_l = rise.from_l + hidden_l
    to_l = from_l + rise.litres * (1 + laws.litres_error)
    gas = start * (cavity_l * (1 + growth * rise.from_kpa) - from_l) + rise.added_kpa_l
    end = start
    for _ in range(_STEPS):
        room_l = cavity_l * (1 + growth * (end - air)) - to_l
        if room_l <= 0.01 * cavity_l or end > 1e4:
            return math.inf
        end = gas * _warming(start, end, laws) / room_l
    # The gauge at the start was believed: what it erred there is in the pressure that is expected.
    return end - air + laws.to_error_kpa - laws.from_error_kpa * end / start


def cavity_of_rise(rise: Rise, laws: Laws = _MIDDLE) -> float:
    """The cavity at ambient pressure, litres, that a rise speaks of; infinite where there was no rise."""
    air, growth = rise.atmosphere_kpa_abs, laws.growth_per_psi / KPA_PER_PSI
    from_kpa, to_kpa = rise.from_kpa + laws.from_error_kpa, rise.to_kpa + laws.to_error_kpa
    start, end = from_kpa + air, to_kpa + air
    warming = _warming(start, end, laws)
    to_l = rise.from_l + rise.litres * (1 + laws.litres_error)
    below = end * (1 + growth * to_kpa) - warming * start * (1 + growth * from_kpa)
    return (end * to_l - warming * (start * rise.from_l - rise.added_kpa_l)) / below if below > 0 else math.inf


def _warming(start_kpa_abs: float, end_kpa_abs: float, laws: Laws) -> float:
    return float((end_kpa_abs / start_kpa_abs) ** ((laws.n - 1) / laws.n)) * (1 + laws.warmer)


def _parts(value: Callable[[Laws], float], rise: Rise) -> dict[str, float]:
    """What one standard uncertainty of each law moves a value by."""
    parts = {}
    for field in fields(Laws):
        middle, step = getattr(_MIDDLE, field.name), _spread(field.name, rise)
        up, down = (value(replace(_MIDDLE, **{field.name: middle + sign * step})) for sign in (1, -1))
        parts[field.name] = (up - down) / 2
    return parts


@dataclass(frozen=True, slots=True)
class Found:
    """A measured cavity with two standard uncertainties: of the tyre (the same each time) and of the single rise."""

    cavity_l: float
    common_l: float
    single_l: float

    @property
    def sigma_l(self) -> float:
        """Both together."""
        return math.hypot(self.common_l, self.single_l)

    @property
    def u_l(self) -> float:
        """Expanded uncertainty, about 95 %."""
        return 2 * self.sigma_l


def found_in(rise: Rise) -> Found | None:
    """The cavity that one rise measures; ``None`` where it is too short to tell anything."""
    if rise.litres <= 0 or rise.to_kpa - rise.from_kpa < 4 * GAUGE_U_KPA:
        return None
    parts = _parts(lambda laws: cavity_of_rise(rise, laws), rise)
    common = math.hypot(*(parts[name] for name in _OF_THE_TYRE))
    single = math.hypot(*(part for name, part in parts.items() if name not in _OF_THE_TYRE))
    return Found(cavity_of_rise(rise), common, single)


def pooled(rises: tuple[Rise, ...]) -> Found | None:
    """One cavity from several sealed rises, each weighed by its inverse variance; what is common does not average."""
    all_found = [found for found in map(found_in, rises) if found is not None and found.sigma_l < found.cavity_l]
    if not all_found:
        return None
    weights = [found.sigma_l**-2 for found in all_found]
    shares = [weight / sum(weights) for weight in weights]
    return Found(
        sum(share * found.cavity_l for share, found in zip(shares, all_found, strict=True)),
        sum(share * found.common_l for share, found in zip(shares, all_found, strict=True)),
        math.hypot(*(share * found.single_l for share, found in zip(shares, all_found, strict=True))),
    )


Stage = Literal["early", "look", "later"]
Verdict = Literal["agrees", "less", "more"]


@dataclass(frozen=True, slots=True)
class Expected:
    """The rest that the size's cavity would show after a rise, and how far off it a sound tyre may stand."""

    kpa: float
    less: tuple[float, float]
    """Standard deviation and coverage factor on the side of less air space, kPa."""
    more: tuple[float, float]

    def verdict(self, to_kpa: float, stage: Stage) -> Verdict:
        """Whether a rest fits: ``less`` air space than the size has, or ``more``."""
        fixed = {"early": _EARLY, "later": _LATER, "look": 0.0}[stage]
        if to_kpa - self.kpa > self.less[0] * (fixed or self.less[1]):
            return "less"
        return "more" if self.kpa - to_kpa > self.more[0] * (fixed or self.more[1]) else "agrees"


def expected(cavity: CavityFacts, rise: Rise) -> Expected:
    """The rest that a size's cavity would show after ``rise``, from its band and the laws' spans.

    A band is taken as two standard deviations either side, whatever its basis: a taught wheel, a published value or
    geometry (for geometry that is how it was made; for the others an assumption).
    """
    kpa = rest_after_kpa(cavity.volume_l, rise)
    if math.isinf(kpa):
        return Expected(kpa, (math.inf, 1.0), (math.inf, 1.0))
    return Expected(
        kpa,
        _side(_outer_parts(cavity, rise, kpa, 1), LESS_RATE),
        _side(_outer_parts(cavity, rise, kpa, -1), MORE_RATE),
    )


def _outer_parts(cavity: CavityFacts, rise: Rise, kpa: float, side: int) -> dict[str, float]:
    """What each doubt moves the expected rest by towards one side, per standard uncertainty, taken from far out there.

    A small air space is the stiffer the smaller it is: at the bound a step does more than in the middle.
    """
    parts = {}
    for field in fields(Laws):
        far = _THIRD_ROOT if field.name in _RECTANGULAR else _FAR
        middle, step = getattr(_MIDDLE, field.name), far * _spread(field.name, rise)
        ends = [replace(_MIDDLE, **{field.name: middle + sign * step}) for sign in (1, -1)]
        moved = (side * (rest_after_kpa(cavity.volume_l, rise, laws) - kpa) for laws in ends)
        parts[field.name] = max(moved) / far
    sigma_l = (cavity.volume_l - cavity.low_l if side > 0 else cavity.high_l - cavity.volume_l) / 2
    parts["cavity"] = side * (rest_after_kpa(cavity.volume_l - side * _FAR * sigma_l, rise) - kpa) / _FAR
    return parts


def _side(parts: dict[str, float], rate: float) -> tuple[float, float]:
    """Standard deviation, and the factor that leaves ``rate`` outside on this side."""
    sigma = math.hypot(*parts.values())
    # Parts between two limits have thin tails (excess kurtosis −1.2 each): Cornish and Fisher's expansion, from memory.
    flat = -1.2 * sum((parts[name] / sigma) ** 4 for name in _RECTANGULAR)
    normal = -NormalDist().inv_cdf(rate)
    return sigma, normal + (normal**3 - 3 * normal) * flat / 24


def tells(cavity: CavityFacts, rise: Rise, hidden_l: float) -> float:
    """By how many standard deviations liquid already inside would lie beyond the bound of a look; below 0 it would not.

    0 is noticed in half of the cases.
    """
    foreseen = expected(cavity, rise)
    sigma, factor = foreseen.less
    if math.isinf(sigma):
        return math.inf
    shift = rest_after_kpa(cavity.volume_l, rise, hidden_l=hidden_l) - foreseen.kpa
    return shift / sigma - factor


def worth_a_look(cavity: CavityFacts, rise: Rise) -> bool:
    """Whether a rest after ``rise`` notices a fifth of the cavity already inside in at least a quarter of the cases."""
    return tells(cavity, rise, _HIDDEN_SHARE * cavity.volume_l) >= _LEAST_CHANCE
