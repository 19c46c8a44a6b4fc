"""The tyre: a cavity with liquid, gas and a valve hole at a given height. It knows no pump and no hose.

The gas obeys Boyle's law, or optionally a polytrope p·Vⁿ: its temperature rises with compression, T ∝ p^((n − 1)/n),
and approaches the liquid's as liquid comes in. Its amount (kPa·L at its first temperature and ambient pressure) changes
only when gas passes the valve, a leak or the bead. Gas in the hose that is open to the tyre shares its pressure; its
volume is the ``pocket_l``.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from sim.plant.laws import GRAVITY, KPA_PER_PSI, gas_flow, orifice_flow_lps

if TYPE_CHECKING:
    from sim.plant.params import FluidParams, TyreParams

_MIXED_SHARE = 0.05
"""Liquid, as a share of the cavity, after which the gas has made 63 % of the change to its temperature. No source."""
_SPRAY = 0.004
"""Share of the cavity over which the outflow changes from gas to liquid as the surface passes the valve hole."""


class Tyre:
    """State of one tyre; pressures absolute."""

    __slots__ = (
        "_density",
        "_first_l",
        "_kelvin",
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
    )

    def __init__(self, params: TyreParams, fluid: FluidParams, atmosphere_kpa_abs: float) -> None:
        self._params = params
        self._density = fluid.density_kg_m3
        self._kelvin = fluid.temperature_c + 273.15
        self._stretch_l_kpa = params.cavity_l * params.growth_per_psi / KPA_PER_PSI
        self._sagging_l_kpa = self._stretch_l_kpa + params.cavity_l * params.sag_per_psi / KPA_PER_PSI
        """Change of the cavity in litres per kPa, below ambient pressure; ``_stretch_l_kpa`` is that above."""
        self.atmosphere = atmosphere_kpa_abs
        self.liquid_l = self._first_l = params.existing_l
        self.pocket_l = 0.0
        self.bead_lost = False
        self.gas_out = 0.0
        """Net gas lost to ambient air since the start, kPa·L."""
        self.gas = 0.0
        self._solved = ((0.0, 0.0, 0.0), atmosphere_kpa_abs)
        """Cached pressure with the state from which it was solved."""
        self.set_pressure(atmosphere_kpa_abs + params.start_kpa)

    def set_pressure(self, kpa_abs: float) -> None:
        """Set the amount of gas for this pressure; not counted as a flow (start of a run)."""
        room = self.cavity_l(kpa_abs) - self.liquid_l + self.pocket_l
        self._first_l = self.liquid_l
        self.gas = kpa_abs * max(room, 1e-6) / self._compressed(kpa_abs)

    def cavity_l(self, kpa_abs: float) -> float:
        """Cavity volume, stretched by the gauge pressure; under vacuum the walls may yield more."""
        over = kpa_abs - self.atmosphere
        return self._params.cavity_l + over * (self._sagging_l_kpa if over < 0.0 else self._stretch_l_kpa)

    def room_l(self) -> float:
        """Volume for gas at ambient pressure: cavity minus liquid, plus the pocket in the hose."""
        return self._params.cavity_l - self.liquid_l + self.pocket_l

    def pressure(self, entering_l: float = 0.0) -> float:
        """Gas pressure after ``entering_l`` of liquid has come in."""
        if self.bead_lost:
            return self.atmosphere
        if entering_l:
            return self._solve(entering_l)
        now = self.liquid_l, self.pocket_l, self.gas
        if now != self._solved[0]:
            self._solved = now, self._solve(0.0)
        return self._solved[1]

    def _solve(self, entering_l: float) -> float:
        params = self._params
        room = max(params.cavity_l - self.liquid_l + self.pocket_l - entering_l, 1e-9)
        gas = self.gas * self._warmth() if params.liquid_warmer_k else self.gas
        if params.exponent == 1.0:
            return self._at_one_warmth(room, gas)
        kpa, before = self._solved[1], 0.0
        # Each iteration reduces the error to less than n - 1 of the last.
        while abs(kpa - before) * (params.exponent - 1.0) > 1e-9 * kpa:
            before = kpa
            kpa = self._at_one_warmth(room, gas * self._compressed(kpa))
        return kpa

    def _warmth(self) -> float:
        """Absolute temperature of the gas relative to its first one, by the liquid that came in."""
        params = self._params
        if not params.liquid_warmer_k:
            return 1.0
        mixed = -math.expm1(-max(0.0, self.liquid_l - self._first_l) / (_MIXED_SHARE * params.cavity_l))
        return 1.0 + params.liquid_warmer_k / self._kelvin * mixed

    def _compressed(self, kpa_abs: float) -> float:
        """The same ratio by compression from ambient pressure."""
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
        whole = self.gas
        rate = gas_flow(gas_m2, self.pressure(), self.atmosphere, self._kelvin) / whole
        self.gas = whole * math.exp(-0.5 * rate * dt)
        rate = gas_flow(gas_m2, self.pressure(), self.atmosphere, self._kelvin) / self.gas
        self.gas = whole
        return whole * -math.expm1(-rate * dt)

    def _draw_air(self, dt: float, gas_m2: float, inside: float) -> None:
        flow = gas_flow(gas_m2, self.atmosphere, inside, self._kelvin)
        self.release(-min(flow * dt, max(0.0, self._at_ambient() - self.gas)))

    def _at_ambient(self) -> float:
        """Amount of gas in the tyre at ambient pressure."""
        return self.atmosphere * max(self.room_l(), 1e-6) / self._warmth()

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
