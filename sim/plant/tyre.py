"""The tyre: a cavity with liquid, gas and a valve hole at a given height. It knows no pump and no hose.

The gas obeys Boyle's law, or the first law with ``heat`` (:mod:`sim.plant.heat`), or without heat a polytrope p·Vⁿ.
Its amount (kPa·L at the liquid's temperature) changes only when gas passes the valve, a leak, the bead or the liquid's
surface. Gas in the hose that is open to the tyre shares its pressure, not its temperature; its volume is the
``pocket_l``.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from sim.plant.heat import Heat
from sim.plant.laws import GAMMA, GRAVITY, KPA_PER_PSI, gas_flow, orifice_flow_lps

if TYPE_CHECKING:
    from sim.plant.params import FluidParams, TyreParams

_SPRAY = 0.004
"""Share of the cavity over which the outflow changes from gas to liquid as the surface passes the valve hole."""


class Tyre:
    """State of one tyre; pressures absolute."""

    __slots__ = (
        "_crept_l",
        "_density",
        "_heat",
        "_kelvin",
        "_late_l_kpa",
        "_params",
        "_sagging_l_kpa",
        "_solved",
        "_stretch_l_kpa",
        "atmosphere",
        "bead_lost",
        "gas",
        "gas_out",
        "liquid_l",
        "pocket_l",
        "settles",
        "warmth",
    )

    def __init__(self, params: TyreParams, fluid: FluidParams, atmosphere_kpa_abs: float) -> None:
        self._params = params
        self._density = fluid.density_kg_m3
        self._kelvin = fluid.temperature_c + 273.15
        growth_l_kpa = params.cavity_l * params.growth_per_psi / KPA_PER_PSI
        self._late_l_kpa = params.growth_delayed * growth_l_kpa
        self._stretch_l_kpa = growth_l_kpa - self._late_l_kpa
        self._sagging_l_kpa = self._stretch_l_kpa + params.cavity_l * params.sag_per_psi / KPA_PER_PSI
        """Change of the cavity in litres per kPa, below ambient pressure; ``_stretch_l_kpa`` is that above."""
        self._crept_l = 0.0
        """Late growth up to now."""
        self.warmth = 1.0
        """Absolute temperature of the gas in the cavity relative to the liquid's from the tote."""
        self._heat: Heat | None = None
        self.settles = params.heat is not None or self._late_l_kpa > 0.0
        """Whether the gas changes with nothing moved."""
        self.atmosphere = atmosphere_kpa_abs
        self.liquid_l = params.existing_l
        self.pocket_l = 0.0
        self.bead_lost = False
        self.gas_out = 0.0
        """Net gas lost to ambient air since the start, kPa·L."""
        self.gas = 0.0
        self._solved = ((0.0, 0.0, 0.0, 0.0, 0.0), atmosphere_kpa_abs)
        """Cached pressure with the state from which it was solved."""
        if params.heat is not None:
            self._heat = Heat(self, params, params.heat, fluid)
        self.set_pressure(atmosphere_kpa_abs + params.start_kpa)

    def set_pressure(self, kpa_abs: float) -> None:
        """Set the amount of gas for this pressure, all growth done; not counted as a flow (start of a run)."""
        self._crept_l = self._late_l_kpa * (kpa_abs - self.atmosphere)
        room = self.cavity_l(kpa_abs) - self.liquid_l + self.pocket_l * self.warmth
        self.gas = kpa_abs * max(room, 1e-6) / self._compressed(kpa_abs) / self.warmth
        if self._heat is not None:
            self._heat.begin()

    def cavity_l(self, kpa_abs: float) -> float:
        """Cavity volume, stretched by the gauge pressure; under vacuum the walls may yield more."""
        over = kpa_abs - self.atmosphere
        stretch = self._sagging_l_kpa if over < 0.0 else self._stretch_l_kpa
        return self._params.cavity_l + self._crept_l + over * stretch

    def room_l(self) -> float:
        """Volume for gas at ambient pressure: cavity minus liquid, plus the pocket in the hose."""
        return self._params.cavity_l + self._crept_l - self.liquid_l + self.pocket_l

    def settle(self, dt: float) -> None:
        """Let the casing grow and the gas exchange heat for ``dt``, after everything else has moved."""
        if self._late_l_kpa > 0.0:
            grown_l = self._late_l_kpa * (self.pressure() - self.atmosphere)
            self._crept_l += (grown_l - self._crept_l) * -math.expm1(-dt / self._params.growth_s)
        if self._heat is not None:
            self._heat.settle(dt)

    def pressure(self, entering_l: float = 0.0) -> float:
        """Gas pressure after ``entering_l`` of liquid has come in."""
        if self.bead_lost:
            return self.atmosphere
        if entering_l:
            return self._solve(entering_l)
        now = self.liquid_l, self.pocket_l, self.gas, self.warmth, self._crept_l
        if now != self._solved[0]:
            self._solved = now, self._solve(0.0)
        return self._solved[1]

    def _solve(self, entering_l: float) -> float:
        params = self._params
        # The pocket has the hose's temperature: the cavity's gas would take up more of the same amount.
        room = max(params.cavity_l + self._crept_l - self.liquid_l + self.pocket_l * self.warmth - entering_l, 1e-9)
        gas = self.gas * self.warmth
        if params.exponent == 1.0:
            return self._at_one_warmth(room, gas)
        kpa, before = self._solved[1], 0.0
        # Each iteration reduces the error to less than n - 1 of the last.
        while abs(kpa - before) * (params.exponent - 1.0) > 1e-9 * kpa:
            before = kpa
            kpa = self._at_one_warmth(room, gas * self._compressed(kpa))
        return kpa

    def _compressed(self, kpa_abs: float) -> float:
        """Absolute temperature of a polytrope relative to that at ambient pressure."""
        n = self._params.exponent
        return float((kpa_abs / self.atmosphere) ** ((n - 1.0) / n)) if n != 1.0 else 1.0

    def _at_one_warmth(self, room: float, gas: float) -> float:
        """Pressure at which p·(room + stretch·(p - atmosphere)) equals the amount of gas."""
        stretch = self._sagging_l_kpa if gas < self.atmosphere * room else self._stretch_l_kpa
        if not stretch:
            return gas / room
        rest = room - stretch * self.atmosphere
        return (math.sqrt(rest * rest + 4.0 * stretch * gas) - rest) / (2.0 * stretch)

    def fraction(self) -> float:
        """Share of the cavity that is liquid."""
        return self.liquid_l / self._params.cavity_l

    def turn(self, valve_fraction: float) -> None:
        """Turn the wheel until this share of the cavity is below the valve hole; the hole's height is not updated."""
        self._params = replace(self._params, valve_fraction=valve_fraction)

    def wet_share(self) -> float:
        """Liquid share of the outflow through the valve hole: 0 with the surface below it, 1 above."""
        above = self.liquid_l / self._params.cavity_l - self._params.valve_fraction
        return min(above / _SPRAY, 1.0) if above > 0.0 else 0.0

    def surface_m2(self) -> float:
        """Area of the liquid's surface, by the same table as its height."""
        table = self._params.surface_heights_m
        index = min(int(min(max(self.fraction(), 0.0), 1.0) * (len(table) - 1)), len(table) - 2)
        return 1e-3 * self._params.cavity_l / (len(table) - 1) / max(table[index + 1] - table[index], 1e-6)

    def surface_m(self) -> float:
        """Height of the surface above the ground."""
        table = self._params.surface_heights_m
        place = min(max(self.fraction(), 0.0), 1.0) * (len(table) - 1)
        index = min(int(place), len(table) - 2)
        return table[index] + (place - index) * (table[index + 1] - table[index])

    def head_kpa(self) -> float:
        """Head of the liquid above the valve hole."""
        if self.fraction() <= self._params.valve_fraction:
            return 0.0
        return max(0.0, self.surface_m() - self._params.valve_height_m) * self._density * GRAVITY * 1e-3

    def breathe(self, dt: float, gas_m2: float, liquid_m2: float) -> float:
        """Exchange gas and liquid with ambient air through the valve; returns the litres of liquid lost.

        The areas are effective: discharge coefficient times opening.
        """
        below_l = self._params.valve_fraction * self._params.cavity_l
        return self._exchange(dt, gas_m2, liquid_m2, self.wet_share(), below_l)

    def leak(self, dt: float, gas_m2: float, liquid_m2: float) -> float:
        """Lose gas and liquid in equal shares through a hole at the bottom; returns the litres of liquid lost."""
        return self._exchange(dt, gas_m2, liquid_m2, 0.5 if self.liquid_l > 0.0 else 0.0, 0.0)

    def _exchange(self, dt: float, gas_m2: float, liquid_m2: float, wet: float, keep_l: float) -> float:
        inside = self.pressure()
        if inside < self.atmosphere:
            self._draw_air(dt, gas_m2, inside)
            return 0.0
        lost = 0.0
        if wet > 0.0:
            drop = inside - self.atmosphere + self.head_kpa()
            most = max(0.0, self.liquid_l - keep_l)
            lost = min(most, wet * dt * orifice_flow_lps(liquid_m2, drop, self._density))
            self.liquid_l -= lost
        if wet < 1.0:
            out = self._leaving(dt, (1.0 - wet) * gas_m2)
            self.release(min(out, max(0.0, self.gas - self._at_ambient())))
        return lost

    def _leaving(self, dt: float, gas_m2: float) -> float:
        """Gas that leaves in ``dt``, by the midpoint rate: the pressure falls fast during a vent.

        The step is exponential: a small gas volume never overshoots, a large one gets the plain flow.
        """
        whole, warmth = self.gas, self.warmth
        rate = self._flow_out(gas_m2) / whole
        self.gas = whole * math.exp(-0.5 * rate * dt)
        if self._heat is not None:
            self.warmth = warmth * math.exp(-0.5 * rate * dt * (GAMMA - 1.0))
        rate = self._flow_out(gas_m2) / self.gas
        self.gas, self.warmth = whole, warmth
        return whole * -math.expm1(-rate * dt)

    def _flow_out(self, gas_m2: float) -> float:
        return gas_flow(gas_m2, self.pressure(), self.atmosphere, self._kelvin * self.warmth) / self.warmth

    def _draw_air(self, dt: float, gas_m2: float, inside: float) -> None:
        flow = gas_flow(gas_m2, self.atmosphere, inside, self._kelvin)
        drawn = min(flow * dt, max(0.0, self._at_ambient() - self.gas))
        self.release(-drawn)
        if self._heat is not None:
            self._heat.drawn += drawn

    def take_air(self, gas: float, warmth: float) -> None:
        """Take an amount of air in from a tank at its temperature, or give it there (negative)."""
        self.gas += gas
        if self._heat is not None and gas > 0.0:
            self._heat.drawn += gas
            self._heat.drawn_at = warmth

    def _at_ambient(self) -> float:
        """Amount of gas in the tyre at ambient pressure."""
        room = self._params.cavity_l + self._crept_l - self.liquid_l + self.pocket_l * self.warmth
        return self.atmosphere * max(room, 1e-6) / self.warmth

    def release(self, gas: float) -> None:
        """Move an amount of gas to ambient air (negative: into the tyre)."""
        self.gas -= gas
        self.gas_out += gas

    def watch_bead(self) -> None:
        """Lose the bead below its pressure limit; latched, the gas then remains at ambient pressure."""
        if self.bead_lost or self.pressure() - self.atmosphere < self._params.bead_limit_kpa:
            self.lose_bead()

    def lose_bead(self) -> None:
        """Lose the bead: the gas equalises with ambient air."""
        self.bead_lost = True
        self.release(self.gas - self._at_ambient())
