"""A tank of air that a valve joins to the tyre: the first law for both, heat by natural convection.

Amounts of gas in kPa·L at the liquid's temperature, as in the tyre. It knows no relay.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.plant.heat import APART_K, DENSE_KPA
from sim.plant.laws import GAMMA, area_m2, gas_flow
from sim.plant.sensors import GaugeError, Noise

if TYPE_CHECKING:
    from sim.plant.params import AirTankParams
    from sim.plant.tyre import Tyre


class AirTank:
    """State of the tank; pressures absolute."""

    __slots__ = ("_air", "_area_m2", "_error", "_kelvin", "_noise", "_params", "_wall", "gas", "warmth")

    def __init__(self, params: AirTankParams, liquid_c: float, atmosphere_kpa_abs: float, seed: int) -> None:
        self._params, self._air, self._kelvin = params, atmosphere_kpa_abs, liquid_c + 273.15
        self._area_m2 = params.discharge * area_m2(params.valve_bore_m)
        wall_c = liquid_c if params.wall_c is None else params.wall_c
        self._wall = (wall_c + 273.15) / self._kelvin
        self.set_pressure(params.start_kpa)
        self._error = GaugeError(params.gauge_error_kpa, seed, params.gauge_split)
        self._noise = Noise(params.gauge_noise_kpa, f"{seed} noise tank")

    def pressure(self) -> float:
        """Pressure of the air."""
        return self.gas * self.warmth / self._params.volume_l

    def shown_kpa(self) -> float:
        """What its gauge shows."""
        kpa = self.pressure() - self._air
        return kpa + self._error.at(kpa) + self._noise.kpa

    def set_pressure(self, kpa: float) -> None:
        """Fill or drain it to a gauge pressure, its air as warm as its walls."""
        self.warmth = self._wall
        self.gas = (kpa + self._air) * self._params.volume_l / self._wall

    def shake(self, dt: float) -> None:
        """Draw the gauge's noise at the end of ``dt``."""
        self._noise.shake(dt)

    def step(self, dt: float, tyre: Tyre | None, *, blows: bool = False) -> None:
        """Let air over for ``dt``, into a tyre that is joined to it or out into the open, and exchange heat."""
        if tyre is not None:
            self._let_over(dt, tyre)
        elif blows:
            self._blow(dt)
        apart = abs(self._wall - self.warmth) * self._kelvin / APART_K
        if apart > 0.0:
            # The conductance goes with the density to the power 2/3, and the air's heat capacity with the density.
            rate = (apart * DENSE_KPA / self.pressure()) ** (1.0 / 3.0) / self._params.heat_s
            self.warmth = self._wall + (self.warmth - self._wall) * math.exp(-rate * dt)

    def _let_over(self, dt: float, tyre: Tyre) -> None:
        """Move air either way; never more than brings both to one pressure."""
        tank_kpa, tyre_kpa = self.pressure(), tyre.pressure()
        forward = tank_kpa >= tyre_kpa
        up, down, warmth = (tank_kpa, tyre_kpa, self.warmth) if forward else (tyre_kpa, tank_kpa, tyre.warmth)
        flow = gas_flow(self._area_m2, up, down, self._kelvin * warmth) / warmth
        room_l = tyre.room_l()
        most = (up - down) / (self.warmth / self._params.volume_l + tyre.warmth / room_l) / GAMMA
        if most <= 0.0:
            return
        moved = most * -math.expm1(-flow * dt / most)
        moved = moved if forward else -moved
        self._give(moved, warmth)
        tyre.take_air(moved, warmth)

    def _blow(self, dt: float) -> None:
        """Lose air out of an open hose, down to the pressure of the air around."""
        up = self.pressure()
        flow = gas_flow(self._area_m2, up, self._air, self._kelvin * self.warmth) / self.warmth
        most = (up - self._air) * self._params.volume_l / self.warmth / GAMMA
        if most > 0.0:
            self._give(most * -math.expm1(-flow * dt / most), self.warmth)

    def _give(self, moved: float, warmth: float) -> None:
        """Part with an amount of air at a temperature; negative: receive it."""
        left = self.gas - moved
        self.warmth = (self.gas * self.warmth - GAMMA * warmth * moved) / left
        self.gas = left
