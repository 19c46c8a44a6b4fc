"""Tote, suction line, pump, meter and hose as one line, up to the connection of the hose's end.

Each step solves for the flow at which the hose's content, the pump and the hose's end agree (quasi-steady, one root of
a rising function), then moves the plugs. Amounts are moved, never recomputed, so liquid and gas are conserved; the next
step corrects a residual of the root, because the hose's volume is computed from its true content.

Gas at the very end of the hose, open to the tyre, belongs to the tyre (``Tyre.pocket_l``); gas elsewhere in the hose is
at line pressure, gas in the suction line at atmospheric pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from sim.plant.column import Column
from sim.plant.ends import SharedEnd, tyre_end, vent_end, viscous_end
from sim.plant.laws import (
    GRAVITY,
    HoseLoss,
    LineLoss,
    ShortBore,
    area_m2,
    gas_density_kg_m3,
    orifice_factor,
    rising_root,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.plant.params import PlantParams
    from sim.plant.pump import Pump
    from sim.plant.tyre import Tyre
    from sim.plant.upsets import Upsets

_FLOOR_KPA_ABS = 0.5
_TOLERANCE_LPS = 1e-6
"""Tolerance of a solved flow."""
_SMOOTH = 0.01
"""Relative change of flow up to which it follows the pressures; a larger one is a change of medium at an end."""
_WIDEST_LPS = 2000.0


class End(Enum):
    """Connection of the hose's end."""

    DEAD = "closed"
    AIR = "open to the air"
    VESSEL = "in an open vessel"
    TYRE = "open tyre valve"
    VENT = "vent valve alone"
    TYRE_AND_VENT = "open tyre valve and vent valve"


OPEN = (End.AIR, End.VESSEL)
"""Ends at ambient pressure. In a vessel the end is held at the valve's height, above the vessel's liquid."""
JOINED = (End.TYRE, End.TYRE_AND_VENT)
"""Ends at which the hose's last gas is shared with the tyre."""


@dataclass(slots=True)
class Books:
    """Totals of liquid and gas that left the line other than into the tyre."""

    spilled_l: float = 0.0
    vessel_l: float = 0.0
    """Caught in open vessels."""
    vented_l: float = 0.0
    drained_l: float = 0.0
    """Taken from the tote other than by the pump."""
    gas_out: float = 0.0
    """Net gas that left the line to ambient air, kPa·L."""

    def lose(self, end: End, liquid_l: float) -> None:
        """Book liquid that left the hose other than into the tyre."""
        if end is End.VESSEL:
            self.vessel_l += liquid_l
        elif end is End.VENT:
            self.vented_l += liquid_l
        else:
            self.spilled_l += liquid_l


class Line:
    """State of the line; ``kpa_abs`` is the pressure between pump and hose, ``flow_lps`` the flow past the meter."""

    def __init__(self, params: PlantParams, pump: Pump, tyre: Tyre) -> None:
        pipe, fluid = params.pipe, params.fluid
        self._pump, self._tyre, self._pipe = pump, tyre, pipe
        self._air = params.atmosphere_kpa_abs
        self._heel_l, self._vortex_l, self._vortex_air = params.heel_l, params.vortex_l, params.vortex_air
        self._density = fluid.density_kg_m3
        self._kelvin = fluid.temperature_c + 273.15
        self._loss = _loss_of(params)
        self._head = self._density * GRAVITY * 1e-3 * (params.tyre.valve_height_m - pipe.gauge_height_m)
        self._bore = orifice_factor(params.tyre.discharge * area_m2(params.tyre.bore_m))
        self._short = _short_bore_of(params)
        self._vent = self._open_vent = orifice_factor(params.tyre.discharge * area_m2(params.vent_bore_m))
        self._stretch = pipe.hose_l * pipe.stretch_per_kpa
        liquid = pipe.hose_l if pipe.start_liquid_l is None else pipe.start_liquid_l
        self.hose = Column(liquid, self._air * max(0.0, pipe.hose_l - liquid))
        self.suction = Column(pipe.suction_l)
        self.tote_l = params.tote_l
        self.books = Books()
        self.kpa_abs = self._air
        self.gun_kpa_abs = self._air
        self.flow_lps = 0.0
        self.liquid_l = 0.0
        """Liquid that passed the meter in the last step, signed."""
        self.end_flow_lps = 0.0
        self._end = End.DEAD
        self._speed = 0.0
        self._slope = 0.05
        """Slope of the residual by the end flow, less its direct part ``dt``; kept for the next warm start."""

    # --- one step ---------------------------------------------------------------------------------------------------

    def step(self, dt: float, speed: float, end: End, upsets: Upsets, vent_at: float = 1.0) -> float:
        """Advance by ``dt`` with the pump's mean speed; returns the signed volume past the meter, at line pressure.

        ``vent_at``: how far the vent valve is open, as a share of its area.
        """
        self._vent = self._open_vent / (vent_at * vent_at) if vent_at else self._open_vent
        if end is not self._end:
            self._rejoin(end)
        before, even = self.end_flow_lps, speed == self._speed
        self._speed = speed
        if end is End.DEAD:
            self._settle_dead(dt, speed, upsets.pump_gain)
        else:
            self._settle_open(dt, speed, upsets.pump_gain)
        change = 0.5 * (self.end_flow_lps - before)
        if not even or abs(change) > _SMOOTH * abs(self.end_flow_lps):
            change = 0.0
        # Mean of the flows at the step's two ends (second order), with the same correction at both ends of the hose.
        through, out = (self.flow_lps - change) * dt, (self.end_flow_lps - change) * dt
        if out > 0.0:
            self._leave(out, dt)
        elif out < 0.0:
            self._enter(-out)
        self.liquid_l = 0.0
        if through > 0.0:
            self._forward(through, upsets.air_share)
        elif through < 0.0:
            self._back(-through)
        self._refill()
        return through

    def even_s(self) -> float:
        """Time until the medium changes at the hose's end or at the pump, at the flows of the last step."""
        even_s, out, through, pocket_l = math.inf, self.end_flow_lps, self.flow_lps, self._tyre.pocket_l
        if out > 0.0:
            liquid, gas = self.hose.tail
            before_l = pocket_l if pocket_l > 0.0 and self._end in JOINED else liquid + gas / self.kpa_abs
            even_s = before_l / out
        if through > 0.0:
            liquid, gas = self.suction.tail
            even_s = min(even_s, (liquid + gas / self.kpa_abs) / through)
        return even_s

    def _offered_air(self) -> float:
        liquid, gas = self.suction.tail
        return gas / (self._air * liquid + gas) if gas > 0.0 else 0.0

    def _settle_dead(self, dt: float, speed: float, gain: float) -> None:
        """Solve for the pressure at which the hose, closed at its end, takes the pump's flow."""
        liquid, gas = self.hose.content
        empty = self._pipe.hose_l - self._stretch * self._air - liquid
        offered, pump = self._offered_air(), self._pump.flow_lps

        def overfull(kpa: float) -> float:
            through = self.flow_lps = pump(speed, kpa, offered, self._air, gain)
            return empty + self._stretch * kpa - gas / kpa - through * dt

        slope = self._stretch + gas / self.kpa_abs**2
        tolerance = _TOLERANCE_LPS * dt
        self.kpa_abs = rising_root(overfull, self.kpa_abs, slope, _FLOOR_KPA_ABS, 1e4, tolerance)[0]
        self.gun_kpa_abs = max(_FLOOR_KPA_ABS, self.kpa_abs - self._head * min(1.0, liquid / self._pipe.hose_l))
        self.end_flow_lps = 0.0

    def _settle_open(self, dt: float, speed: float, gain: float) -> None:
        """Solve for the flow out of the hose's end and the corresponding pressures."""
        liquid, gas = self.hose.content
        filled = min(1.0, liquid / self._pipe.hose_l)
        head, stretch, air = self._head * filled, self._stretch, self._air
        empty = self._pipe.hose_l - stretch * air - liquid
        most = _WIDEST_LPS
        if self._end in JOINED:
            empty -= self._tyre.pocket_l
        if self._end is End.TYRE:
            most = min(most, 0.9999 * self._tyre_room() / dt)
        boundary, loss = self._boundary(dt), self._loss.drop_kpa
        offered, pump = self._offered_air(), self._pump.flow_lps

        def overfull(flow: float) -> float:
            # The root is the last flow evaluated, so the values stored here belong to it.
            gun = boundary(flow)
            kpa = gun + head + filled * loss(flow)
            kpa = max(kpa, _FLOOR_KPA_ABS)
            through = pump(speed, kpa, offered, air, gain)
            self.gun_kpa_abs, self.kpa_abs, self.flow_lps = gun, kpa, through
            return empty + stretch * kpa - gas / kpa - (through - flow) * dt

        slope = self._slope + dt
        flow, slope = rising_root(overfull, self.end_flow_lps, slope, -_WIDEST_LPS, most, _TOLERANCE_LPS * dt)
        self.end_flow_lps, self._slope = flow, slope - dt
        self.gun_kpa_abs = max(_FLOOR_KPA_ABS, self.gun_kpa_abs)

    def _tyre_room(self) -> float:
        return max(1e-6, self._tyre.cavity_l(self._tyre.pressure()) - self._tyre.liquid_l + self._tyre.pocket_l)

    # --- the hose's end ---------------------------------------------------------------------------------------------

    def _boundary(self, dt: float) -> Callable[[float], float]:
        """Pressure at the gun as a function of the flow out of the hose."""
        end = self._end
        if end in OPEN:
            return lambda _flow: self._air
        tyre, gas = self._tyre, gas_density_kg_m3(self.gun_kpa_abs, self._kelvin)
        pocket = end is not End.VENT and tyre.pocket_l > 0.0
        ahead = gas if pocket else self._tail_density(gas)
        if end is End.VENT:
            return vent_end(self._air, self._vent * ahead, self._vent * gas)
        wet = tyre.wet_share()
        behind = wet * self._density + (1.0 - wet) * gas
        if end is End.TYRE:
            if self._short is not None and ahead == self._density:
                return viscous_end(tyre, dt, self._short.drop_kpa, self._bore * behind)
            return tyre_end(tyre, dt, self._bore * ahead, self._bore * behind)
        return self._shared(None if pocket else ahead).pressure

    def _shared(self, density_kg_m3: float | None) -> SharedEnd:
        tyre = self._tyre
        return SharedEnd(tyre.pressure() + tyre.head_kpa(), self._air, self._bore, self._vent, density_kg_m3)

    def _tail_density(self, gas_kg_m3: float) -> float:
        liquid, gas = self.hose.tail
        volume = liquid + gas / self.kpa_abs
        if volume <= 0.0:
            return gas_kg_m3
        share = liquid / volume
        return share * self._density + (1.0 - share) * gas_kg_m3

    def vent_room(self) -> float:
        """Share of the vent valve available to the tyre's gas while hose liquid leaves through it too."""
        if self.end_flow_lps <= 0.0 or self._tyre.pocket_l > 0.0:
            return 1.0
        return self._shared(self._density).free(self.end_flow_lps)

    def _rejoin(self, end: End) -> None:
        """Change the connection of the hose's end: the gas pocket there moves between hose and tyre."""
        tyre = self._tyre
        if self._end in JOINED and end not in JOINED:
            self._cut_pocket()
        elif end in JOINED and self._end not in JOINED and tyre.wet_share() <= 0.0:
            self._open_pocket()
        self._end = end
        self._slope, self.end_flow_lps = 0.05, 0.0

    def _cut_pocket(self) -> None:
        gas = min(self._tyre.pressure() * self._tyre.pocket_l, self._tyre.gas)
        self._tyre.gas -= gas
        self._tyre.pocket_l = 0.0
        self.hose.push_tail(0.0, gas)

    def _open_pocket(self) -> None:
        gas = self.hose.take_last_gas()
        self._tyre.gas += gas
        self._tyre.pocket_l += gas / self.kpa_abs

    # --- moving the plugs -------------------------------------------------------------------------------------------

    def _leave(self, volume_l: float, dt: float) -> None:
        tyre, books = self._tyre, self.books
        if self._end not in JOINED:
            liquid, gas = self.hose.take_tail(volume_l, self.kpa_abs)
            books.gas_out += gas
            books.lose(self._end, liquid)
            return
        past = volume_l - tyre.pocket_l
        tyre.pocket_l = max(0.0, -past)
        if past <= 0.0:
            return
        liquid, gas = self.hose.take_tail(past, self.kpa_abs)
        vented = 0.0
        if self._end is End.TYRE_AND_VENT:
            vented = self._shared(self._density).vent_share(volume_l / dt, self.gun_kpa_abs)
        books.vented_l += vented * liquid
        books.gas_out += vented * gas
        tyre.liquid_l += liquid - vented * liquid
        tyre.gas += gas - vented * gas
        self._open_pocket()

    def _enter(self, volume_l: float) -> None:
        tyre = self._tyre
        if self._end not in JOINED:
            self.hose.push_tail(0.0, self._air * volume_l)
            self.books.gas_out -= self._air * volume_l
            return
        wet = tyre.wet_share()
        if wet <= 0.0:
            tyre.pocket_l += volume_l
            return
        if tyre.pocket_l > 0.0:
            self._cut_pocket()
        liquid = min(wet * volume_l, tyre.liquid_l)
        gas = min((1.0 - wet) * volume_l * tyre.pressure(), 0.5 * tyre.gas)
        tyre.liquid_l -= liquid
        tyre.gas -= gas
        self.hose.push_tail(liquid, gas)

    def _forward(self, volume_l: float, air_share: float) -> None:
        liquid, gas = self.suction.take_tail(volume_l * (1.0 - air_share), self.kpa_abs)
        self.liquid_l = liquid
        drawn = volume_l * air_share * self.kpa_abs
        self.books.gas_out -= drawn
        self.hose.push_head(liquid, gas + drawn)

    def _back(self, volume_l: float) -> None:
        liquid, gas = self.hose.take_head(volume_l, self.kpa_abs)
        self.liquid_l = -liquid
        short = volume_l - liquid - gas / self.kpa_abs
        if short > 1e-9 and self._tyre.pocket_l > 0.0:
            drawn = min(short * self.kpa_abs, 0.5 * self._tyre.gas)
            self._tyre.gas -= drawn
            self._tyre.pocket_l = max(0.0, self._tyre.pocket_l - short)
            gas += drawn
        self.suction.push_tail(liquid, gas)

    def _drawn_air(self, above_l: float) -> float:
        """Share of air that the dip tube draws with this content above the heel."""
        return self._vortex_air * max(0.0, 1.0 - above_l / self._vortex_l)

    def drain_tote(self) -> None:
        """Remove all liquid that the dip tube could reach."""
        above = max(0.0, self.tote_l - self._heel_l)
        self.tote_l -= above
        self.books.drained_l += above

    def _refill(self) -> None:
        """Keep the suction line full: from the tote, or with air when only the tote's heel is left."""
        missing = self._pipe.suction_l - self.suction.volume_l(self._air)
        if missing > 0.0:
            above_l = max(0.0, self.tote_l - self._heel_l)
            wanted = missing * (1.0 - self._drawn_air(above_l)) if self._vortex_l else missing
            liquid = min(wanted, above_l)
            self.tote_l -= liquid
            air = (missing - liquid) * self._air
            self.books.gas_out -= air
            self.suction.push_head(liquid, 0.0)
            self.suction.push_head(0.0, air)
        elif missing < 0.0:
            liquid, gas = self.suction.take_head(-missing, self._air)
            self.tote_l += liquid
            self.books.gas_out += gas


def _loss_of(params: PlantParams) -> HoseLoss:
    """Loss between pump and gun: the hose, with its fittings where they lose anything."""
    pipe, fluid, full_lps = params.pipe, params.fluid, params.pump.flow_lps
    hose = pipe.length_m, pipe.bore_m, fluid.density_kg_m3, fluid.viscosity_mpas
    if not pipe.fittings_kpa and not pipe.linear_kpa:
        return HoseLoss(*hose)
    square = pipe.fittings_kpa * fluid.density_kg_m3 / 1000.0 / full_lps**2
    return LineLoss(*hose, square, pipe.linear_kpa / full_lps)


def _short_bore_of(params: PlantParams) -> ShortBore | None:
    tyre, fluid = params.tyre, params.fluid
    if not tyre.bore_length_m:
        return None
    return ShortBore(tyre.bore_m, tyre.bore_length_m, tyre.discharge, fluid.density_kg_m3, fluid.viscosity_mpas)
