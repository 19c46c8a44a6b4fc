"""The room for air in a tyre from air let over out of a tank (two-vessel method), and which wheels have such a room.

Both vessels are read at rest, once the air has the temperature of its surroundings: amounts of gas by Boyle's law. The
room is that at the tyre's pressure after: then the casing's growth matters only for the air that was inside before.
Uncertainties at 95 % are propagated by finite differences to first order (the GUM, JCGM 100:2008, section 5). It must
not know who reads the gauges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from statistics import NormalDist

from rig.sentence import Wording
from rig.units import KPA_PER_PSI
from rig.wheel.cavity import Cavity, cavity_of, geometric_cavity, liquid_at_valve
from rig.wheel.designation import read_size
from rig.wheel.dimensions import Measured

_ROOT_3 = math.sqrt(3)
_KELVIN = 288.0
_APART_K = 2.0
"""Difference of temperature between tank and tyre, either way (rectangular): an assumption, no source."""
WARMER_K = 1.0
"""Difference of the air from its surroundings that is left after two minutes, either way: see the guide's page."""
_LOADED = 0.25
"""Share of the wheels that hold liquid when they come in: an assumption, no source."""
_TOP_CLOCK = 12.0
_CALIPER_M = 0.0005
"""Uncertainty of a width at 95 %, one point measured twice: an assumption, no source."""
_TAPE_M = 0.001
"""Uncertainty of a girth by a steel tape that stays on the tyre, at 95 %: an assumption, no source."""
_VOLUME_PER_WIDTH, _EITHER_WITHOUT_GIRTH = 1.0, 0.5
"""Relative growth of the volume per relative growth of the width, and half of it either way (rectangular): a sidewall
that bulges gives two thirds, a tread that grows as well more. An assumption, no source."""
_EITHER_WITH_GIRTH = 0.25
"""The same with the girth measured too: what is left is the shape between both. An assumption, no source."""
_SMALL = 0.01
_PUBLISHED_KPA, _PUBLISHED_EITHER_KPA = 14 * KPA_PER_PSI, 6 * KPA_PER_PSI
"""Pressure of the tyre for which a size's volume is, and as much either way (rectangular): an assumption, no source."""
_DOUBTED = NormalDist().inv_cdf(1 - 1 / 300)
"""Standard deviations from which a room contradicts a wheel: 1 of 300 that are right, on each side."""


@dataclass(frozen=True, slots=True)
class Growth:
    """Growth of the casing per kPa, relative to its volume, and its standard uncertainty."""

    per_kpa: float = 0.0015 / KPA_PER_PSI
    """By default half of 0.3 % per psi, anything from nothing to that (rectangular): an assumption, no source."""
    sd_per_kpa: float = 0.0015 / KPA_PER_PSI / _ROOT_3


def growth_by_width(before_m: float, after_m: float, rise_kpa: float) -> Growth:
    """The growth by the section width, measured at one place before and after, with what is known of any casing."""
    return _both(
        Growth(), _by_length(_VOLUME_PER_WIDTH, _EITHER_WITHOUT_GIRTH, before_m, after_m, _CALIPER_M, rise_kpa)
    )


def growth_by_lengths(
    wheel: Cavity, widths_m: tuple[float, float], girths_m: tuple[float, float], rise_kpa: float
) -> Growth:
    """The growth by section width and girth around the tread: what the crown does is seen then, and not assumed.

    How the volume goes with either length is taken from the wheel's own section.
    """
    shares = _volume_per_length(wheel)
    found = [
        _by_length(share, _EITHER_WITH_GIRTH, *read_m, u_m, rise_kpa)
        for share, read_m, u_m in zip(shares, (widths_m, girths_m), (_CALIPER_M, _TAPE_M), strict=True)
    ]
    seen = Growth(sum(each.per_kpa for each in found), math.hypot(*(each.sd_per_kpa for each in found)))
    return _both(Growth(), seen)


def _by_length(share: float, either: float, before_m: float, after_m: float, u_m: float, rise_kpa: float) -> Growth:
    """The part of the growth that a length shows: relative volume per relative length, and how far that may be off."""
    longer = share * (after_m / before_m - 1) / rise_kpa
    read = share * math.sqrt(2) * u_m / 2 / before_m / rise_kpa
    return Growth(longer, math.hypot(read, either / _ROOT_3 * longer))


def _volume_per_length(wheel: Cavity) -> tuple[float, float]:
    """Relative change of the cavity per relative change of section width and of girth, by small differences."""
    d, o = wheel.designation, wheel.outline
    plain = geometric_cavity(d, Measured(o.diameter_m, o.section_m, o.rim_width_m)).volume_l
    wider = geometric_cavity(d, Measured(o.diameter_m, (1 + _SMALL) * o.section_m, o.rim_width_m)).volume_l
    taller = geometric_cavity(d, Measured((1 + _SMALL) * o.diameter_m, o.section_m, o.rim_width_m)).volume_l
    return (wider / plain - 1) / _SMALL, (taller / plain - 1) / _SMALL


def _both(known: Growth, seen: Growth) -> Growth:
    """Two independent estimates of one growth, weighted by the inverse of their variances."""
    weight = known.sd_per_kpa**-2 / (known.sd_per_kpa**-2 + seen.sd_per_kpa**-2)
    return Growth(
        weight * known.per_kpa + (1 - weight) * seen.per_kpa, (known.sd_per_kpa**-2 + seen.sd_per_kpa**-2) ** -0.5
    )


@dataclass(frozen=True, slots=True)
class TwoVessels:
    """What was read: litres of the tank, gauge pressures in kPa before and after, and what each is worth at 95 %."""

    tank_l: float
    tank_kpa: tuple[float, float]
    tyre_kpa: tuple[float, float]
    """Exactly 0 before: open to the air, which needs no gauge. After exactly as the tank: joined, by this gauge."""
    atmosphere_kpa_abs: float = 101.325
    tank_u_l: float = 0.0
    tank_u_kpa: tuple[float, float] = (1.03, 1.03)
    tyre_u_kpa: tuple[float, float] = (1.03, 1.03)
    warmer_k: float = WARMER_K
    """What is left of the air's difference from its surroundings; 0 where it is in the readings' uncertainty."""
    growth: Growth = field(default_factory=Growth)


@dataclass(frozen=True, slots=True)
class Room:
    """The room for air in litres, had the casing not grown, with its standard uncertainty.

    Growth takes its part of the whole casing's volume, also where there is liquid inside.
    """

    apparent_l: float
    sd_l: float
    before_kpa_abs: float
    """Pressure of the air that was in the tyre before."""
    at_kpa: float
    """Gauge pressure in the tyre for which the room holds."""
    growth: Growth = field(default_factory=Growth)

    @property
    def stretch(self) -> float:
        """Share of the casing's volume that its growth makes the room seem larger."""
        return self.before_kpa_abs * self.growth.per_kpa

    def in_casing(self, casing_l: float) -> NormalDist:
        """The room in a casing of this volume, whatever is in it."""
        return NormalDist(
            self.apparent_l - self.stretch * casing_l,
            math.hypot(self.sd_l, casing_l * self.before_kpa_abs * self.growth.sd_per_kpa),
        )

    @property
    def litres(self) -> float:
        """The room in a tyre with nothing inside."""
        return self.apparent_l / (1 + self.stretch)

    @property
    def u_l(self) -> float:
        """Its uncertainty at 95 %."""
        return 2 * self.in_casing(self.litres).stdev / (1 + self.stretch)

    def expected(self, cavity: Cavity) -> NormalDist:
        """The apparent room of a wheel with nothing inside, by the size's own band and this measurement's spread."""
        over_kpa, growth = self.before_kpa_abs + self.at_kpa - _PUBLISHED_KPA, self.growth
        spread = math.hypot(over_kpa * growth.sd_per_kpa, growth.per_kpa * _PUBLISHED_EITHER_KPA / _ROOT_3)
        band_l = (cavity.high_l - cavity.low_l) / 4
        grown = 1 + over_kpa * growth.per_kpa
        return NormalDist(grown * cavity.volume_l, math.hypot(self.sd_l, cavity.volume_l * spread, grown * band_l))


@dataclass(frozen=True, slots=True)
class Fit:
    """A size and what may be in it: ``liquid_l`` None is nothing; with its probability among all that were tried."""

    size: str
    liquid_l: float | None
    probability: float


def room_of(read: TwoVessels) -> Room:
    """The room by two vessels; ValueError where the tyre's pressure did not rise by four times a reading's worth."""
    (tank, tank_after), (tyre, tyre_after) = read.tank_kpa, read.tyre_kpa
    if tyre_after - tyre < 4 * read.tyre_u_kpa[1] or tank <= tank_after:
        raise ValueError(
            Wording(
                "air_look.no_rise",
                "the tyre's pressure must rise by four times the gauge's uncertainty, and the tank's fall",
            )()
        )
    best = _apparent_l(read)
    tyre_u = 0.0 if tyre == 0.0 else read.tyre_u_kpa[0]
    tyre_misread = tyre_after + read.tyre_u_kpa[1] / 2
    if tank_after == tyre_after:
        after = [replace(read, tank_kpa=(tank, tyre_misread), tyre_kpa=(tyre, tyre_misread))]
    else:
        after = [
            replace(read, tank_kpa=(tank, tank_after + read.tank_u_kpa[1] / 2)),
            replace(read, tyre_kpa=(tyre, tyre_misread)),
        ]
    misread = [
        replace(read, tank_kpa=(tank + read.tank_u_kpa[0] / 2, tank_after)),
        replace(read, tyre_kpa=(tyre + tyre_u / 2, tyre_after)),
        *after,
        replace(read, tank_l=read.tank_l + read.tank_u_l / 2),
    ]
    parts = [_apparent_l(each) - best for each in misread]
    warm = read.warmer_k / _KELVIN / _ROOT_3
    parts += [_apparent_l(read, tank_warmer=warm) - best, _apparent_l(read, warmer=warm) - best]
    parts.append(best * _APART_K / _KELVIN / _ROOT_3)
    return Room(best, math.hypot(*parts), tyre + read.atmosphere_kpa_abs, tyre_after, read.growth)


def _apparent_l(read: TwoVessels, tank_warmer: float = 0.0, warmer: float = 0.0) -> float:
    air = read.atmosphere_kpa_abs
    let_over = read.tank_l * (read.tank_kpa[0] + air - (read.tank_kpa[1] + air) / (1 + tank_warmer))
    before, after = read.tyre_kpa
    return let_over / ((after + air) / (1 + warmer) - (before + air))


# --- which wheels -----------------------------------------------------------------------------------------------------


def fits(room: Room, sizes: Iterable[str]) -> list[Fit]:
    """Every size with nothing in it, and with liquid up to a valve at the top, by Bayes' rule; the likeliest first.

    The cavity of a size is normal within its band; what a loaded wheel holds is anything up to the valve.
    """
    weights: list[Fit] = []
    for size in sizes:
        cavity = cavity_of(read_size(size))
        expected = room.expected(cavity)
        weights.append(Fit(size, None, (1 - _LOADED) * expected.pdf(room.apparent_l)))
        weights.append(_loaded(size, cavity, room, expected))
    total = sum(each.probability for each in weights)
    found = [replace(each, probability=each.probability / total) for each in weights] if total else []
    return sorted(found, key=lambda each: -each.probability)


def _loaded(size: str, cavity: Cavity, room: Room, expected: NormalDist) -> Fit:
    most_l = liquid_at_valve(cavity, _TOP_CLOCK)
    over = expected.mean - room.apparent_l
    errors = NormalDist(0.0, expected.stdev)
    likely = (errors.cdf(over) - errors.cdf(over - most_l)) / most_l
    return Fit(size, min(max(over, 0.0), most_l), _LOADED * likely)


def missing_l(room: Room, cavity: Cavity, existing_l: float) -> float | None:
    """Litres by which the room is less than the chosen wheel's (negative: more), where it contradicts it; else None."""
    expected = room.expected(cavity)
    less_l = expected.mean - existing_l - room.apparent_l
    return less_l if abs(less_l) > _DOUBTED * expected.stdev else None
