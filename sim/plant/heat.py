"""Heat of the gas in the tyre: first law for an open volume, vapour of the liquid, air that dissolves.

With an amount n (kPa·L at the liquid's temperature) and the gas's absolute temperature θ relative to that, the internal
energy is n·θ/(γ − 1) in joules. Gas that remains expands or is compressed without loss, θ ∝ (n/V)^(γ − 1); gas that
enters brings its enthalpy; then θ approaches that of the walls and of the liquid's surface. The coefficient is that of
turbulent natural convection, Nu = 0.13·Ra^⅓ (McAdams, Heat Transmission): h ∝ (density²·|ΔT|)^⅓, the same for both.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.plant.laws import GAMMA

if TYPE_CHECKING:
    from sim.plant.params import FluidParams, HeatParams, TyreParams
    from sim.plant.tyre import Tyre

DENSE_KPA, APART_K = 135.0, 15.0
"""Absolute pressure of the gas and its difference of temperature at which the time constant holds."""
_WALL_M2 = 8.3
"""Inner surface of tyre and rim for a cavity of 1 m³; it goes with the volume to the power 2/3. By a few sizes."""
_EVAPORATION_K = 5300.0
"""Heat of evaporation over the gas constant, water: 44 kJ/mol (steam tables, 25 °C)."""
_LEAST_L = 1e-6


def _cube_root(value: float) -> float:
    return float(value ** (1.0 / 3.0))


class Heat:
    """Temperatures and amounts of one tyre's gas; it sets the tyre's ``warmth``."""

    __slots__ = (
        "_dissolved",
        "_fluid",
        "_heat",
        "_kelvin",
        "_liquid",
        "_liquid_l",
        "_n",
        "_params",
        "_tyre",
        "_vapour",
        "_volume_l",
        "_wall",
        "_wall_m2",
        "_watts",
        "drawn",
        "drawn_at",
    )

    def __init__(self, tyre: Tyre, params: TyreParams, heat: HeatParams, fluid: FluidParams) -> None:
        self._tyre, self._params, self._heat, self._fluid = tyre, params, heat, fluid
        self._kelvin = fluid.temperature_c + 273.15
        self._wall = (heat.wall_c + 273.15) / self._kelvin
        self._wall_m2 = float(_WALL_M2 * (1e-3 * params.cavity_l) ** (2.0 / 3.0))
        whole = DENSE_KPA * params.cavity_l / (GAMMA - 1.0)
        self._watts = whole / max(heat.time_s, 1e-9)
        """Flow of heat from all walls for a difference of one in θ."""
        self.drawn = 0.0
        """Air that came in during this step from outside or from a tank, kPa·L."""
        self.drawn_at = self._wall
        """Its temperature relative to the liquid's."""
        self._liquid = self._wall
        self._dissolved = self._vapour = self._liquid_l = self._n = self._volume_l = 0.0
        tyre.warmth = self._wall

    def begin(self) -> None:
        """Take the tyre's content as it is: dry gas, and liquid that has the walls' temperature."""
        self._liquid, self._liquid_l = self._wall, self._tyre.liquid_l
        self._vapour = self._dissolved = self.drawn = 0.0
        self._n, self._volume_l = self._inside()

    def _inside(self) -> tuple[float, float]:
        """Amount and volume of the gas in the cavity, without the pocket in the hose."""
        tyre = self._tyre
        kpa = tyre.pressure()
        volume_l = max(tyre.cavity_l(kpa) - tyre.liquid_l, _LEAST_L)
        return max(tyre.gas - kpa * tyre.pocket_l, _LEAST_L * kpa), volume_l

    def settle(self, dt: float) -> None:
        """Account for what moved since the last step, then exchange heat and vapour for ``dt``."""
        n, volume_l = self._inside()
        tyre = self._tyre
        warmth = self._moved(n, volume_l)
        self._mix()
        wall, surface = self._conductances(n, volume_l, warmth)
        if wall + surface > 0.0:
            aim = (wall * self._wall + surface * self._liquid) / (wall + surface)
            warmth = aim + (warmth - aim) * math.exp(-dt * (GAMMA - 1.0) * (wall + surface) / n)
        tyre.warmth = warmth
        if self._fluid.vapour_kpa > 0.0 and self._heat.vapour_s < math.inf:
            n += self._evaporate(dt, volume_l, warmth)
        if self._heat.dissolves_s < math.inf:
            n -= self._dissolve(dt)
        self._n, self._volume_l = n, volume_l

    def _moved(self, n: float, volume_l: float) -> float:
        """Temperature of the gas after it left, came in or was compressed."""
        warmth, came = self._tyre.warmth, n - self._n
        drawn, at = self.drawn, self.drawn_at
        self.drawn, self.drawn_at = 0.0, self._wall
        if came <= 0.0:
            self._vapour *= n / self._n
            return float(warmth * (n * self._volume_l / (self._n * volume_l)) ** (GAMMA - 1.0))
        warmth *= (self._volume_l / volume_l) ** (GAMMA - 1.0)
        outside = min(drawn, came)
        return float((self._n * warmth + GAMMA * (outside * at + came - outside)) / n)

    def _mix(self) -> None:
        """Mix the liquid that came in into the content."""
        liquid_l = self._tyre.liquid_l
        came_l = liquid_l - self._liquid_l
        if came_l > 0.0:
            self._liquid += (1.0 - self._liquid) * came_l / liquid_l
        self._liquid_l = liquid_l

    def _conductances(self, n: float, volume_l: float, warmth: float) -> tuple[float, float]:
        """Conductance of the walls above the liquid, and of its surface."""
        dense = n / (volume_l * DENSE_KPA)
        thick = self._watts * _cube_root(dense * dense * self._kelvin / APART_K)
        wall = max(0.0, 1.0 - self._tyre.fraction()) * thick * _cube_root(abs(self._wall - warmth))
        if self._liquid_l <= 0.0:
            return wall, 0.0
        return wall, self._surface() * thick * _cube_root(abs(self._liquid - warmth))

    def _surface(self) -> float:
        """Surface of the liquid as a share of all walls."""
        return self._tyre.surface_m2() / self._wall_m2

    def _evaporate(self, dt: float, volume_l: float, warmth: float) -> float:
        """Vapour that the liquid gives off, or that condenses; walls colder than the liquid keep it drier."""
        if self._liquid_l <= 0.0:
            return 0.0
        kpa = self._saturated_kpa(self._liquid)
        if self._wall < self._liquid:
            dry, surface = max(0.0, 1.0 - self._tyre.fraction()), self._surface()
            kpa = (surface * kpa + dry * self._saturated_kpa(self._wall)) / max(surface + dry, 1e-9)
        given = (kpa * volume_l / warmth - self._vapour) * -math.expm1(-dt / self._heat.vapour_s)
        self._vapour += given
        self._tyre.release(-given)
        return given

    def _saturated_kpa(self, warmth: float) -> float:
        return self._fluid.vapour_kpa * math.exp(_EVAPORATION_K / self._kelvin * (1.0 - 1.0 / warmth))

    def _dissolve(self, dt: float) -> float:
        """Air that dissolves; liquid from the tote is saturated with it at ambient pressure."""
        over_kpa = self._tyre.pressure() - self._tyre.atmosphere
        aim = self._fluid.air_solubility * self._liquid_l * over_kpa
        taken = (aim - self._dissolved) * -math.expm1(-dt / self._heat.dissolves_s)
        self._dissolved += taken
        self._tyre.release(taken)
        return taken
