"""After the job: the pressure to set cold, and what the gauge will show in cold, in heat, days later and under load.

The air keeps its mass, the liquid expands into it, vapour adds its pressure, and the casing grows with the pressure. It
must not know sizes, pumps or plans.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.fluid import Fluid, Mix, vapour_kpa
from rig.units import KPA_PER_PSI

READ_AT_C = (-20.0, 0.0, 40.0)
_ICE_C = 273.15
_GRAVITY = 9.80665
_GROWTH_PER_KPA = 0.0015 / KPA_PER_PSI
"""Growth of the cavity with the pressure, as the controller has it for the middle of all tyres. Assumed, no source."""
_LOWEST_KPA, _HIGHEST_KPA = 90.0, 2000.0
_RULE_KPA_PER_M = 0.5 * KPA_PER_PSI / 0.3048
"""Correction for a valve under liquid: 0.5 psi for each 12 in of head, common practice (an operator's manual)."""
_SQUEEZE = (0.01, 0.03)
"""Share of the cavity by which the load on the ground squeezes it. Common practice, no source."""
_SOLUBLE: dict[str, float] = {"water": 0.020, "methanol": 0.033, "pg": 0.020, "eg": 0.020, "glycerol": 0.010}
"""Litres of air that a litre takes up for each atmosphere, near 20 degC: water by the solubilities of nitrogen and
oxygen (CRC Handbook, from memory), the others by published ratios to water, from memory."""
_SALT_SOLUBLE = 0.0043
"""In strong brine: salt drives air out (as in calcium chloride of 23 %); taken for beet fluid too."""


@dataclass(frozen=True, slots=True)
class Afterwards:
    """Pressures after the job, gauge, kPa: the tyre's own at a valve above the liquid."""

    set_kpa: float
    set_c: float
    reads: tuple[tuple[float, float | None], ...]
    """What the gauge shows at each temperature; None where the content is frozen, or not known."""
    air_alone: tuple[tuple[float, float], ...]
    """The same wheel without liquid, by Charles's law alone."""
    for_coldest_kpa: float | None
    """What to set for ``set_kpa`` on the coldest day; None without such a day, or where the content is not known."""
    settled_kpa: float | None
    """After the days in which the liquid takes up air; None where the content is not known."""
    bottom_kpa: float | None
    """What a gauge at a valve at the bottom shows more: the liquid above it."""
    bottom_rule_kpa: float
    """The same by the trade's rule."""
    loaded_kpa: tuple[float, float]
    """Rise of the pressure when the wheel carries its load, low and high."""
    loaded_air_kpa: tuple[float, float]
    """The same in a tyre without liquid."""

    def as_json(self) -> dict[str, object]:
        """A flat document with SI units in the names; gauge pressures."""
        return {
            "set_kpa": round(self.set_kpa, 2),
            "set_c": round(self.set_c, 2),
            "reads": [{"at_c": at_c, "kpa": None if kpa is None else round(kpa, 2)} for at_c, kpa in self.reads],
            "air_alone": [{"at_c": at_c, "kpa": round(kpa, 2)} for at_c, kpa in self.air_alone],
            "set_for_coldest_kpa": None if self.for_coldest_kpa is None else round(self.for_coldest_kpa, 2),
            "settled_kpa": None if self.settled_kpa is None else round(self.settled_kpa, 2),
            "valve_at_bottom_reads_more_kpa": None if self.bottom_kpa is None else round(self.bottom_kpa, 2),
            "valve_at_bottom_rule_kpa": round(self.bottom_rule_kpa, 2),
            "loaded_rise_kpa": [round(kpa, 2) for kpa in self.loaded_kpa],
            "loaded_rise_air_kpa": [round(kpa, 2) for kpa in self.loaded_air_kpa],
        }


@dataclass(frozen=True, slots=True)
class Filled:
    """A wheel after the job: liquid's share of the cavity, the mix, its level over a valve at the bottom."""

    share: float
    mix: Mix
    head_m: float
    atmosphere_kpa_abs: float

    def at(self, temp_c: float, set_kpa: float, set_c: float) -> float | None:
        """The gauge at another temperature than that of setting; None where the content is frozen or not known."""
        fluid = self.mix.fluid
        if fluid is None or not (_liquid(fluid, temp_c) and _liquid(fluid, set_c)):
            return None
        outside = self.atmosphere_kpa_abs
        liquid = self.share * fluid.density_kg_m3(set_c) / fluid.density_kg_m3(temp_c)
        vapour = vapour_kpa(fluid, temp_c)
        air = max(set_kpa + outside - vapour_kpa(fluid, set_c), 0.0) * _hotter(temp_c, set_c) * (1 - self.share)

        def too_high(kpa: float) -> bool:
            room = 1 + _GROWTH_PER_KPA * (kpa - set_kpa) - liquid
            return room > 0 and (kpa + outside - vapour) * room > air

        return _first(too_high, -outside, _HIGHEST_KPA)

    def to_set(self, kpa: float, temp_c: float, set_c: float) -> float | None:
        """What to set at ``set_c`` for the gauge to show ``kpa`` at ``temp_c``; None as above."""
        if self.at(temp_c, kpa, set_c) is None:
            return None
        return _first(lambda set_kpa: (self.at(temp_c, set_kpa, set_c) or 0.0) > kpa, -_LOWEST_KPA, _HIGHEST_KPA)


def _first(holds: Callable[[float], bool], low: float, high: float) -> float:
    """The value from which a condition holds, by bisection."""
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _liquid(fluid: Fluid, temp_c: float) -> bool:
    return fluid.liquid_c(temp_c) == temp_c


def _hotter(temp_c: float, set_c: float) -> float:
    return (temp_c + _ICE_C) / (set_c + _ICE_C)


def afterwards(wheel: Filled, set_kpa: float, set_c: float, coldest_c: float | None = None) -> Afterwards:
    """Pressures of a wheel whose pressure is set to ``set_kpa`` (gauge) at ``set_c``."""
    outside, density = wheel.atmosphere_kpa_abs, wheel.mix.density_kg_m3
    absolute = set_kpa + outside
    cold_kpa = None if coldest_c is None else wheel.to_set(set_kpa, coldest_c, set_c)
    return Afterwards(
        set_kpa=set_kpa,
        set_c=set_c,
        reads=tuple((at_c, wheel.at(at_c, set_kpa, set_c)) for at_c in READ_AT_C),
        air_alone=tuple((at_c, absolute * _hotter(at_c, set_c) - outside) for at_c in READ_AT_C),
        for_coldest_kpa=cold_kpa,
        settled_kpa=_settled_kpa(wheel, set_kpa),
        bottom_kpa=None if density is None else density * _GRAVITY * wheel.head_m / 1000,
        bottom_rule_kpa=_RULE_KPA_PER_M * wheel.head_m,
        loaded_kpa=_squeezed_kpa(absolute, 1 - wheel.share),
        loaded_air_kpa=_squeezed_kpa(absolute, 1.0),
    )


def _settled_kpa(wheel: Filled, set_kpa: float) -> float | None:
    """The gauge after the liquid has taken up air (Henry); it came from the tote in balance with the atmosphere."""
    if wheel.mix.fluid is None:
        return None
    takes = wheel.share * _SOLUBLE.get(wheel.mix.fluid.kind, _SALT_SOLUBLE)
    return set_kpa * (1 - wheel.share) / (1 - wheel.share + takes)


def _squeezed_kpa(absolute_kpa: float, air_share: float) -> tuple[float, float]:
    """Rise when the cavity loses so much; most of it where little air is left."""
    low, high = (absolute_kpa * lost / (air_share - lost) for lost in _SQUEEZE)
    return low, high
