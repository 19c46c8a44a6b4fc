"""The room for air in a tyre from air let over out of a tank (two-vessel method), and which wheels have such a room.

Both vessels are read at rest, once the air has the temperature of its surroundings: amounts of gas by Boyle's law, the
casing grown at the higher pressure. Uncertainties at 95 % are propagated by finite differences to first order (the GUM,
JCGM 100:2008, section 5). It must not know who reads the gauges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from statistics import NormalDist

from rig.units import KPA_PER_PSI
from rig.wheel.cavity import Cavity, cavity_of, liquid_at_valve
from rig.wheel.designation import read_size

_GROWTH_PER_PSI = 0.0015
"""Of the volume, and as much again either way (rectangular): an assumption, no source."""
_KELVIN = 288.0
_WARMER_K = 1.0
"""Difference of the air from its surroundings that is left after two minutes, either way: see the guide's page."""
_LOADED = 0.25
"""Share of the wheels that hold liquid when they come in: an assumption, no source."""
_TOP_CLOCK = 12.0


@dataclass(frozen=True, slots=True)
class TwoVessels:
    """What was read: litres of the tank, gauge pressures in kPa before and after, and what each reading is worth."""

    tank_l: float
    tank_kpa: tuple[float, float]
    tyre_kpa: tuple[float, float]
    atmosphere_kpa_abs: float = 101.325
    tank_u_l: float = 0.0
    gauge_u_kpa: float = 1.03
    """At 95 %, of each of the four readings."""


@dataclass(frozen=True, slots=True)
class Room:
    """Volume of the air in the tyre at ambient pressure, litres, and its uncertainty at 95 %."""

    litres: float
    u_l: float

    @property
    def sd_l(self) -> float:
        """Standard uncertainty."""
        return self.u_l / 2


@dataclass(frozen=True, slots=True)
class Fit:
    """A size and what may be in it: ``liquid_l`` None is nothing; with its probability among all that were tried."""

    size: str
    liquid_l: float | None
    probability: float


def room_of(read: TwoVessels) -> Room:
    """The room by two vessels; ValueError where the tyre's pressure did not rise by four times a reading's worth."""
    if read.tyre_kpa[1] - read.tyre_kpa[0] < 4 * read.gauge_u_kpa or read.tank_kpa[0] <= read.tank_kpa[1]:
        raise ValueError("the tyre's pressure must rise by four times the gauge's uncertainty, and the tank's fall")
    best = _litres(read)
    parts = [_litres(each) - best for each in _misread(read, read.gauge_u_kpa / 2)]
    parts.append(_litres(replace(read, tank_l=read.tank_l + read.tank_u_l / 2)) - best)
    parts.append(_litres(read, growth=_GROWTH_PER_PSI * (1 + 1 / math.sqrt(3))) - best)
    parts += [
        _litres(read, **{which: _WARMER_K / _KELVIN / math.sqrt(3)}) - best for which in ("tank_warmer", "warmer")
    ]
    return Room(best, 2 * math.hypot(*parts))


def _misread(read: TwoVessels, kpa: float) -> Iterator[TwoVessels]:
    """Each of the four readings off by so much."""
    (tank, tank_after), (tyre, tyre_after) = read.tank_kpa, read.tyre_kpa
    yield replace(read, tank_kpa=(tank + kpa, tank_after))
    yield replace(read, tank_kpa=(tank, tank_after + kpa))
    yield replace(read, tyre_kpa=(tyre + kpa, tyre_after))
    yield replace(read, tyre_kpa=(tyre, tyre_after + kpa))


def _litres(read: TwoVessels, growth: float = _GROWTH_PER_PSI, tank_warmer: float = 0.0, warmer: float = 0.0) -> float:
    air, per_kpa = read.atmosphere_kpa_abs, growth / KPA_PER_PSI
    let_over = read.tank_l * (read.tank_kpa[0] + air - (read.tank_kpa[1] + air) / (1 + tank_warmer))
    before, after = read.tyre_kpa
    gained = (after + air) / (1 + warmer) * (1 + per_kpa * after) - (before + air) * (1 + per_kpa * before)
    return let_over / gained


# --- which wheels -----------------------------------------------------------------------------------------------------


def fits(room: Room, sizes: Iterable[str]) -> list[Fit]:
    """Every size with nothing in it, and with liquid up to a valve at the top, by Bayes' rule; the likeliest first.

    The cavity of a size is normal within its band; what a loaded wheel holds is anything up to the valve.
    """
    weights: list[Fit] = []
    for size in sizes:
        cavity = cavity_of(read_size(size))
        spread_l = math.hypot(room.sd_l, (cavity.high_l - cavity.low_l) / 4)
        empty = NormalDist(cavity.volume_l, spread_l).pdf(room.litres)
        weights.append(Fit(size, None, (1 - _LOADED) * empty))
        weights.append(_loaded(size, cavity, room, spread_l))
    total = sum(each.probability for each in weights)
    found = [replace(each, probability=each.probability / total) for each in weights] if total else []
    return sorted(found, key=lambda each: -each.probability)


def _loaded(size: str, cavity: Cavity, room: Room, spread_l: float) -> Fit:
    most_l = liquid_at_valve(cavity, _TOP_CLOCK)
    errors = NormalDist(0.0, spread_l)
    over, under = cavity.volume_l - room.litres, cavity.volume_l - most_l - room.litres
    likely = (errors.cdf(over) - errors.cdf(under)) / most_l
    return Fit(size, min(max(over, 0.0), most_l), _LOADED * likely)
