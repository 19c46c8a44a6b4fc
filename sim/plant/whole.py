"""The whole plant: outputs and hands in, readings out, in plant time. It opens no port and reads no clock.

``Plant.step(dt, coils)`` is one step; a campaign in virtual time and the devices on real transports run the same model.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.plant.air_tank import AirTank
from sim.plant.laws import area_m2, series
from sim.plant.line import OPEN, End, Line
from sim.plant.meter import Meter
from sim.plant.params import Coils, PlantParams
from sim.plant.pump import Pump, Relay, suction_lps
from sim.plant.sensors import Sensors
from sim.plant.tyre import Tyre
from sim.plant.upsets import Upsets

if TYPE_CHECKING:
    from sim.plant.sensors import Readings

LONG_STEP_S = 0.25
"""Step limit in steady flow: the flow is solved for the end of the step, so that a long step is stable."""
SWING_KPA = 0.25
"""Target for the largest change of the tyre's pressure in a step."""
REST_STEP_S = 0.25
EDGE_STEP_S = 0.01
_STILL_LPS = 1e-5
_AIRED_UP_KPA = 100.0
_JOINED = (End.TYRE, End.TYRE_AND_VENT)
"""Ends of the hose at which the gun, and the tank's hose there, is open to the tyre."""
_EDGE_S = 0.3
"""Time after a change for which the short step is kept."""
_FILM_L = 0.02
"""Liquid in the vent that its switch detects; the millilitres from a relieved tight hose do not close it."""
_FILM_S = 2.0
"""Time constant of the vent's draining."""


@dataclass(slots=True)
class Extremes:
    """Largest and smallest pressures since the start (gauge), and time with both relays on."""

    peak_tyre_kpa: float = -math.inf
    lowest_tyre_kpa: float = math.inf
    peak_line_kpa: float = -math.inf
    both_relays_s: float = 0.0


class Plant:
    """A rig in its own time; seeded, so that the same calls give the same trace."""

    def __init__(self, params: PlantParams) -> None:
        self.params = params
        self.time_s = 0.0
        self.upsets = Upsets()
        self.tyre = Tyre(params.tyre, params.fluid, params.atmosphere_kpa_abs)
        self.pump = Pump(params.pump, suction_lps(params.pipe, params.fluid, params.atmosphere_kpa_abs))
        self.line = Line(params, self.pump, self.tyre)
        rng = random.Random(params.seed)  # a simulation, not a secret
        self.meter = Meter(params.meter, params.pump.flow_lps, rng, params.fluid.viscosity_mpas)
        self.sensors = Sensors(params)
        tank = params.air_tank
        self.air = (
            None if tank is None else AirTank(tank, params.fluid.temperature_c, params.atmosphere_kpa_abs, params.seed)
        )
        self.extremes = Extremes()
        delay = params.pump.relay_delay_s
        self._run, self._reverse, self._vent_relay = Relay(delay), Relay(delay), Relay(delay)
        self._vent_at = 0.0
        """How far the vent valve is open, as a share."""
        self._fill_relay, self._flush_relay = Relay(delay + params.fill_travel_s), Relay(delay)
        self._air_relay = Relay(delay)
        self._relays = (
            self._run, self._reverse, self._vent_relay, self._fill_relay, self._flush_relay, self._air_relay,
        )  # fmt: skip
        self._relay_due_s = math.inf
        """Time at which the next relay will move."""
        self._bore_m2, self._vent_m2 = area_m2(params.tyre.bore_m), area_m2(params.vent_bore_m)
        self._coils = Coils()
        self._valve_open = False
        self._edge_until_s = _EDGE_S
        self._end = End.AIR
        self._vent_film_l = self._seen_vented_l = 0.0
        self._vessel_from_l = 0.0
        self.start_liquid_l = self.tyre.liquid_l
        self._tyre_kpa = params.tyre.start_kpa
        self._note(1.0)

    # --- time -------------------------------------------------------------------------------------------------------

    def step(self, dt: float, coils: Coils) -> Readings:
        """Advance by ``dt`` seconds with these commands; returns the sensors' readings."""
        self.advance(dt, coils)
        return self.readings()

    def advance(self, dt: float, coils: Coils) -> None:
        """Advance by ``dt`` seconds, in short steps near changes and longer ones between."""
        self._command(coils)
        end, began_s = self.time_s + dt, self.time_s
        while end - self.time_s > 1e-9:
            self._substep(self._step_length(end - self.time_s))
        self.time_s = end
        self.sensors.shake(end - began_s)
        if self.air is not None:
            self.air.shake(end - began_s)

    def readings(self) -> Readings:
        """The sensors' present readings."""
        return self.sensors.readings(self.meter, self._vent_film_l > _FILM_L, self.upsets)

    @property
    def gun_on(self) -> bool:
        """Whether the gun is on the valve."""
        return self._end not in OPEN

    @property
    def vessel_l(self) -> float:
        """Content of the open vessel: caught since the hose's end was last put into one."""
        return self.line.books.vessel_l - self._vessel_from_l

    @property
    def valve_open(self) -> bool:
        """Whether core or insert is out."""
        return self._valve_open

    @property
    def open_valves(self) -> tuple[bool, bool]:
        """Whether fill valve and vent valve are open."""
        return self._fill_relay.closed, self._vent_at > 0.0

    def _air_open(self) -> bool:
        return self._air_relay.closed or self.upsets.air_stuck

    def _command(self, coils: Coils) -> None:
        if coils is self._coils or coils == self._coils:
            return
        vent = coils.vent_valve or coils.hand_vent_open
        air = coils.air_valve or coils.hand_air_open
        wanted = (*self._pump_wanted(coils), vent, coils.fill_valve, coils.flush_valve, air)
        for relay, on in zip(self._relays, wanted, strict=True):
            relay.command(self.time_s, on)
        self._note_relays()
        if coils.hand_in_vessel and not self._coils.hand_in_vessel:
            self._vessel_from_l = self.line.books.vessel_l
        self._coils = coils
        self._edge_until_s = max(self._edge_until_s, self.time_s + _EDGE_S)

    def _note_relays(self) -> None:
        """Update the time at which the next relay will move."""
        self._relay_due_s = min([relay.due_s for relay in self._relays if relay.due_s is not None], default=math.inf)

    def _pump_wanted(self, coils: Coils) -> tuple[bool, bool]:
        if not self.params.lever:
            return coils.pump_run, coils.pump_reverse
        supply = coils.pump_run or not self.params.has_supply_relay
        return supply and coils.hand_lever_forward, supply and coils.hand_lever_back

    def _step_length(self, left: float) -> float:
        # Short steps near any start or stop, since they determine the overrun. A step also ends where the medium at the
        # gun or the pump changes between gas and liquid.
        if self.time_s < self._edge_until_s or self.pump.speed not in (-1.0, 0.0, 1.0):
            length = EDGE_STEP_S
        elif self._rests():
            length = REST_STEP_S
        else:
            length = max(EDGE_STEP_S, min(LONG_STEP_S, self.line.even_s(), SWING_KPA / self._swing_kpa_s))
        due = self._relay_due_s - self.time_s
        return min(left, length, due) if due > 1e-9 else min(left, length)

    def _rests(self) -> bool:
        """Whether only the sensors change, which follow a step of any length exactly."""
        line = self.line
        still = self.pump.speed == 0.0 and abs(line.flow_lps) < _STILL_LPS and abs(line.end_flow_lps) < _STILL_LPS
        moves = self._end is End.TYRE_AND_VENT or self._air_open()
        return still and not moves and not self.upsets.leak_bore_m

    def upset(self, upsets: Upsets) -> None:
        """Set the active upsets."""
        if upsets.meter_stuck != self.upsets.meter_stuck:
            self.meter.hold(upsets.meter_stuck)
        self.upsets = upsets
        self._edge_until_s = max(self._edge_until_s, self.time_s + _EDGE_S)

    def air_up(self) -> None:
        """Set the tyre to a usual pressure, as a person with a compressor does."""
        self.tyre.set_pressure(self.params.atmosphere_kpa_abs + _AIRED_UP_KPA)

    def start_with(self, share: float) -> None:
        """Fill this share of the cavity with liquid at the starting pressure, before anything moves."""
        self.tyre.liquid_l = self.start_liquid_l = share * self.params.tyre.cavity_l
        self.tyre.set_pressure(self.params.atmosphere_kpa_abs + self.params.tyre.start_kpa)

    # --- one step ---------------------------------------------------------------------------------------------------

    def _substep(self, dt: float) -> None:
        moved = self._relay_due_s <= self.time_s + 1e-9 and self._move_relays()
        self._turn_vent(dt)
        end = self._join()
        if moved or end is not self._end:
            self._edge_until_s = self.time_s + dt + _EDGE_S
            self._end = end
        upsets = self.upsets
        speed = self.pump.turn(dt, self._wanted_speed(dt))
        passed = self.line.step(dt, speed, end, upsets, self._vent_at)
        self._breathe(dt, end)
        if self.air is not None:
            is_open = self._air_open()
            self.air.step(dt, self.tyre if is_open and end in _JOINED else None, blows=is_open and end in OPEN)
        if self.tyre.settles:
            self.tyre.settle(dt)
        if self.tyre.bead_lost or self.tyre.pressure() < self.params.atmosphere_kpa_abs:
            self.tyre.watch_bead()
        by_meter = 0.0 if self._flush_relay.closed else 1.0
        self.meter.update(dt, by_meter * passed, upsets, by_meter * self.line.liquid_l)
        self.time_s += dt
        self.sensors.update(dt, self.line, end not in OPEN, upsets)
        self._note(dt)

    def _move_relays(self) -> bool:
        """Move the relays that are due; returns whether a contact has changed."""
        before = [relay.closed for relay in self._relays]
        after = [relay.update(self.time_s) for relay in self._relays]
        self._note_relays()
        return after != before

    def _turn_vent(self, dt: float) -> None:
        """A valve that a motor turns opens and shuts evenly over its travel time."""
        wanted, travel_s = float(self._vent_relay.closed), self.params.vent_travel_s
        if self.upsets.vent_stuck is not None:
            wanted, travel_s = float(self.upsets.vent_stuck), 0.0
        if self._vent_at == wanted:
            return
        most = dt / travel_s if travel_s else 1.0
        self._vent_at += min(max(wanted - self._vent_at, -most), most)
        self._edge_until_s = max(self._edge_until_s, self.time_s + dt + _EDGE_S)

    def _wanted_speed(self, dt: float) -> float:
        upsets = self.upsets
        run, reverse = self._run.closed, self._reverse.closed
        if run and reverse:
            # Both contactors closed: the motor stalls. No controller should ever command it.
            self.extremes.both_relays_s += dt
            return 0.0
        if upsets.pump_welded and not reverse:
            run = True
        if upsets.reverse_welded:
            # With run closed too the motor stalls.
            run, reverse = False, not run
        if upsets.pump_dead or upsets.estop:
            return 0.0
        return 1.0 if run else -1.0 if reverse else 0.0

    def _join(self) -> End:
        """The present connection of the hose's end."""
        upsets = self.upsets
        self._valve_open = self._coils.hand_valve_open or (upsets.insert_stuck and self._valve_open)
        if self._coils.hand_in_vessel and not upsets.gun_blown:
            return End.VESSEL
        if not self._coils.hand_gun_on or upsets.gun_blown:
            return End.AIR
        vent = self._vent_at > 0.0
        tyre = self._valve_open and not upsets.blocked
        if self.params.has_fill_valve and not self._fill_relay.closed:
            return End.DEAD
        if tyre:
            return End.TYRE_AND_VENT if vent else End.TYRE
        return End.VENT if vent else End.DEAD

    def _breathe(self, dt: float, end: End) -> None:
        """Exchange between tyre and ambient air: vent, bare valve, leak."""
        params, tyre, books = self.params, self.tyre, self.line.books
        gas, liquid = params.gas_discharge, params.tyre.discharge
        if end is End.TYRE_AND_VENT:
            area = series(self._bore_m2, self._vent_at * self._vent_m2) * self.line.vent_room()
            if area > 0.0:
                books.vented_l += tyre.breathe(dt, gas * area, liquid * area)
        elif end is End.AIR and self._valve_open and not self.upsets.blocked:
            books.spilled_l += tyre.breathe(dt, gas * self._bore_m2, liquid * self._bore_m2)
        if self._vent_film_l > 0.0 or books.vented_l != self._seen_vented_l:
            self._vent_film_l *= math.exp(-dt / _FILM_S)
            self._vent_film_l += books.vented_l - self._seen_vented_l
            self._seen_vented_l = books.vented_l
        if self.upsets.leak_bore_m:
            area = area_m2(self.upsets.leak_bore_m)
            books.spilled_l += tyre.leak(dt, gas * area, liquid * area)

    def _note(self, dt: float) -> None:
        extremes, air = self.extremes, self.params.atmosphere_kpa_abs
        tyre, line = self.tyre.pressure() - air, self.line.kpa_abs - air
        self._swing_kpa_s = abs(tyre - self._tyre_kpa) / dt + 1e-6
        self._tyre_kpa = tyre
        extremes.peak_tyre_kpa = max(extremes.peak_tyre_kpa, tyre)
        extremes.lowest_tyre_kpa = min(extremes.lowest_tyre_kpa, tyre)
        extremes.peak_line_kpa = max(extremes.peak_line_kpa, line)

    # --- conserved quantities ---------------------------------------------------------------------------------------

    def liquid_total_l(self) -> float:
        """All liquid in the model: constant except for rounding."""
        line, books = self.line, self.line.books
        inside = line.tote_l + line.suction.liquid_l + line.hose.liquid_l + self.tyre.liquid_l
        return inside + books.spilled_l + books.vessel_l + books.vented_l + books.drained_l

    def gas_total(self) -> float:
        """All gas in the model, in kPa·L: constant except for rounding."""
        line = self.line
        return self.tyre.gas + line.suction.gas + line.hose.gas + self.tyre.gas_out + line.books.gas_out
