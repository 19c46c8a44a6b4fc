"""The simulated rig's input and output modules without transport: registers on one side, the plant on the other.

It holds the coils, their time-out and the schedule of faults, all in plant time. It opens no port: the servers of
:mod:`sim.devices`, or a campaign in virtual time, call it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

from rig.field.turning import DIRECTION, FORWARD, REVERSE, RUN
from rig.run.names import AIR_VALVE, DIRECTED, FEEDBACK, HANDS, HEARTBEAT, OUTPUTS, SWITCHED
from sim.faults import Schedule
from sim.plant.params import Coils
from sim.plant.sensors import Readings
from sim.registers import Codec, codec_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rig.field.points import Point, Table
    from sim.plant.whole import Plant

_TIMEOUT = "output_timeout"
_OUTPUTS = OUTPUTS | DIRECTED | {AIR_VALVE}
_WRITABLE = SWITCHED | {_TIMEOUT}
_SENSED = tuple(each.name for each in fields(Readings))
_sensed = attrgetter(*_SENSED)
_AIR_UP = "hand_air_up"
"""A momentary command: the simulated person airs the tyre up once."""
_BEAT_HOLD_S = 2.5
"""The timer relays behind a pulsing output drop the pump's supply this long after its last change."""
_MOST_S = 5.0
"""Longest step between checks of the time-out and the schedule."""


class UnknownAddress(LookupError):
    """A request for an address that the device does not have."""


class Where(NamedTuple):
    """One device's table: the endpoint (any name), the unit number and the kind of table."""

    endpoint: str
    unit: int
    table: Table


@dataclass(slots=True)
class _Slot:
    """One configured point in its table."""

    name: str
    codec: Codec
    address: int
    registers: int
    bit: int | None
    """Its bit in a shared register."""
    last: float | None = None
    """The value that its registers show."""


@dataclass(slots=True)
class _Run:
    """A contiguous run of addresses that a table answers: its points, and the present registers or bits."""

    span: range
    slots: list[_Slot]
    cells: list[int]

    def show(self, values: Mapping[str, float]) -> None:
        """Rewrite the registers of changed values only: most have not changed since the last read."""
        for slot in self.slots:
            value = values[slot.name]
            if value != slot.last:
                slot.last = value
                at = slot.address - self.span.start
                shown = slot.codec.encode(value)
                if slot.bit is None:
                    self.cells[at : at + slot.registers] = shown
                else:
                    self.cells[at] = self.cells[at] & ~(1 << slot.bit) | shown[0] << slot.bit


class Modules:
    """All devices of one rig."""

    def __init__(
        self,
        plant: Plant,
        points: Mapping[str, Point],
        endpoints: Mapping[str, str],
        gaps: Mapping[str, int],
        schedule: Schedule | None = None,
        *,
        open_vessel: bool = False,
    ) -> None:
        """``endpoints`` and ``gaps`` give each link's endpoint and the longest gap that a device bridges with zeros.

        ``open_vessel``: the hose's end hangs in an open vessel from the start, for a map without simulated hands.
        """
        self.plant = plant
        self.schedule = schedule or Schedule()
        self.requests = 0
        self.output_timeouts = 0
        self._guarded: set[tuple[str, int]] = set()
        self._commands = dict.fromkeys(SWITCHED, False)
        self._directed = RUN in points
        self._beats, self._supplied = HEARTBEAT in points, False
        """Whether the pump's supply depends on a pulsing output, and whether it is on."""
        # A map without simulated hands represents a rig with the gun on and the core out from the start.
        self._commands |= dict.fromkeys({"hand_gun_on", "hand_valve_open"} - set(points), True)
        self._commands["hand_in_vessel"] = open_vessel
        self._timeout_s = 0.0
        self._asked_s = 0.0
        self._beat_s = -math.inf
        self._shown: dict[str, float] = {}
        self._moved = True
        """Something may have changed since ``_shown`` was computed."""
        tables: dict[Where, list[_Slot]] = {}
        for name, point in points.items():
            where = Where(endpoints[point.link], point.unit, point.table)
            slot = _Slot(
                name, codec_for(name, point, plant.params.atmosphere_kpa_abs), point.address, point.registers, point.bit
            )
            tables.setdefault(where, []).append(slot)
            if name in _OUTPUTS or name == _TIMEOUT:
                self._guarded.add((where.endpoint, where.unit))
        self._runs = {where: _runs(slots, gaps[where.endpoint]) for where, slots in tables.items()}
        self.spans = {where: [run.span for run in runs] for where, runs in self._runs.items()}
        """The runs of addresses that each table answers."""
        self._writable = {
            where: {slot.address: slot for slot in slots if slot.name in _WRITABLE} for where, slots in tables.items()
        }
        self._command()
        self.schedule.apply(0.0, self)

    # --- time -------------------------------------------------------------------------------------------------------

    def advance_to(self, plant_s: float) -> None:
        """Advance the plant to a time; faults begin and outputs drop at their exact times."""
        self._moved = True
        while plant_s - self.plant.time_s > 1e-9:
            drop_s = self._drop_s()
            let_go_s = self._beat_s + _BEAT_HOLD_S if self._supplied else math.inf
            until = min(plant_s, self.schedule.next_change(), drop_s, let_go_s, self.plant.time_s + _MOST_S)
            self.plant.advance(max(0.0, until - self.plant.time_s), self._coils)
            if self.schedule.next_change() <= self.plant.time_s + 1e-9:
                self.schedule.apply(self.plant.time_s + 1e-9, self)
            if drop_s <= self.plant.time_s + 1e-9:
                self.output_timeouts += 1
                self._drop()
            if let_go_s <= self.plant.time_s + 1e-9:
                self._supplied = False
                self._command()

    def _drop_s(self) -> float:
        if self._timeout_s <= 0.0 or not self._driving:
            return math.inf
        return self._asked_s + self._timeout_s

    def _drop(self) -> None:
        self._commands |= dict.fromkeys(_OUTPUTS, False)
        self._command()

    def move_hands(self, **hands: bool) -> None:
        """Move the simulated person's hands, also of a rig whose map has no points for them."""
        assert hands.keys() <= HANDS
        self._commands |= hands
        self._command()

    def restart(self) -> None:
        """Power-cycle the output module: outputs off, time-out register back to 0."""
        self._timeout_s = 0.0
        self._drop()

    def _command(self) -> None:
        self._moved = True
        self._shown |= self._commands
        self._driving = any(self._commands[name] for name in _OUTPUTS)
        coils = {name: on for name, on in self._commands.items() if name not in (_AIR_UP, HEARTBEAT, RUN, DIRECTION)}
        if self._directed:
            runs, back = self._commands[RUN], self._commands[DIRECTION]
            coils |= {FORWARD: runs and not back, REVERSE: runs and back}
        if self._beats and not self._supplied:
            coils |= {"pump_run": False, "pump_reverse": False}
        self._coils = Coils(**coils)

    def asked(self, endpoint: str, unit: int) -> None:
        """Note a request to a device: it restarts the time-out of one with outputs."""
        self.requests += 1
        if (endpoint, unit) in self._guarded:
            self._asked_s = self.plant.time_s

    # --- registers --------------------------------------------------------------------------------------------------

    def read(self, where: Where, address: int, count: int) -> list[int]:
        """Present raw registers or bits; :class:`UnknownAddress` outside the device's runs."""
        stop = address + count
        for run in self._runs.get(where, ()):
            span = run.span
            if span.start <= address < span.stop and stop <= span.stop:
                run.show(self._values())
                return run.cells[address - span.start : stop - span.start]
        raise UnknownAddress(f"{where}: {address}")

    def shown(self, name: str) -> float:
        """The present value of a point, in the program's unit."""
        return float(self._values()[name])

    def _values(self) -> Mapping[str, float]:
        """The present value of every point, computed once between two changes."""
        if self._moved:
            self._moved = False
            plant, shown = self.plant, self._shown
            shown.update(zip(_SENSED, _sensed(plant.readings()), strict=True))
            shown["plant_clock"], shown["vessel_level"] = plant.time_s, plant.vessel_l
            shown[_TIMEOUT] = self._timeout_s
            if plant.air is not None:
                shown["tank_pressure"] = plant.air.shown_kpa()
            shown["pump_run_feedback"] = float(self._coils.pump_run or plant.upsets.pump_welded)
            shown["pump_reverse_feedback"] = float(self._coils.pump_reverse)
            shown[FEEDBACK[RUN]] = max(shown["pump_run_feedback"], shown["pump_reverse_feedback"])
            shown[FEEDBACK[DIRECTION]] = float(self._commands[DIRECTION])
            for name, is_open in zip(("fill_valve", "vent_valve"), plant.open_valves, strict=True):
                shown[f"{name}_feedback"] = float(is_open)
        return self._shown

    def write(self, where: Where, address: int, raws: Sequence[int]) -> None:
        """Write registers or coils; :class:`UnknownAddress` unless each belongs to a writable point."""
        for slot in self._written(where, address, len(raws)):
            at = slot.address - address
            self._take(slot, raws[at : at + slot.registers])

    def _written(self, where: Where, address: int, count: int) -> list[_Slot]:
        """The points that a write covers, each completely."""
        slots, stop = [], address + count
        while address < stop:
            slot = self._writable.get(where, {}).get(address)
            if slot is None or address + slot.registers > stop:
                raise UnknownAddress(f"{where}: {address}")
            slots.append(slot)
            address += slot.registers
        return slots

    def _take(self, slot: _Slot, raws: Sequence[int]) -> None:
        name = slot.name
        if name == _TIMEOUT:
            self._timeout_s = max(0.0, slot.codec.decode(raws))
            self._asked_s = self.plant.time_s
            self._moved = True
        elif name == _AIR_UP:
            if raws[0]:
                self.plant.air_up()
        elif self._commands[name] is not bool(raws[0]):
            self._commands[name] = bool(raws[0])
            if name == HEARTBEAT:
                self._supplied, self._beat_s = True, self.plant.time_s
            self._command()


def _runs(slots: list[_Slot], gap: int) -> list[_Run]:
    """Join slots to runs of addresses across gaps of at most ``gap``, which read zero."""
    runs: list[_Run] = []
    for slot in sorted(slots, key=lambda slot: slot.address):
        start, stop = slot.address, slot.address + slot.registers
        if runs and start - runs[-1].span.stop <= gap:
            start = runs[-1].span.start
            stop = max(stop, runs[-1].span.stop)
            runs[-1] = _Run(range(start, stop), [*runs[-1].slots, slot], [0] * (stop - start))
        else:
            runs.append(_Run(range(start, stop), [slot], [0] * (stop - start)))
    return runs
