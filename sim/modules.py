"""The simulated rig's input and output modules without their wires: registers on one side, the plant on the other.

It holds the coils, the time-out that drops them, and the schedule of faults, all in plant time. It opens no port; the
servers of :mod:`sim.devices`, or a campaign in virtual time, call it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.run.names import HANDS, OUTPUTS
from sim.faults import Schedule
from sim.plant.params import Coils
from sim.registers import Codec, codec_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rig.field.points import Point, Table
    from sim.plant.whole import Plant

_DRIVEN = OUTPUTS | HANDS
_AIR_UP = "hand_air_up"
"""A press, not a state: the simulated person airs the tyre up once."""
_MOST_S = 5.0
"""Longest stretch advanced between looks at the time-out and the schedule."""


class UnknownAddress(LookupError):
    """A request for an address that the device does not have."""


@dataclass(frozen=True, slots=True)
class Where:
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
    last: tuple[float, list[int]] | None = None
    """The value shown last, and its registers."""

    def encode(self, value: float) -> list[int]:
        """Registers of a value; most values have not moved since they were read before."""
        if self.last is None or self.last[0] != value:
            self.last = value, self.codec.encode(value)
        return self.last[1]


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
        """``endpoints`` and ``gaps`` give each link's endpoint and the unused run that a device bridges with zeros.

        ``open_vessel``: the hose's end hangs in an open vessel from the start, for a map without simulated hands.
        """
        self.plant = plant
        self.schedule = schedule or Schedule()
        self.requests = 0
        self.output_timeouts = 0
        self._slots: dict[Where, list[_Slot]] = {}
        self._guarded: set[tuple[str, int]] = set()
        self._commands = dict.fromkeys(_DRIVEN, False)
        # A map without simulated hands stands for a rig whose gun is on and whose core is out from the start.
        self._commands |= dict.fromkeys({"hand_gun_on", "hand_valve_open"} - set(points), True)
        self._commands["hand_in_vessel"] = open_vessel
        self._timeout_s = 0.0
        self._asked_s = 0.0
        self._coils = Coils()
        self._now: dict[str, float] | None = None
        for name, point in points.items():
            self._place(name, point, endpoints[point.link])
        self._spans = {where: _spans(slots, gaps[where.endpoint]) for where, slots in self._slots.items()}
        self._command()
        self.schedule.apply(0.0, self)

    def _place(self, name: str, point: Point, endpoint: str) -> None:
        where = Where(endpoint, point.unit, point.table)
        slot = _Slot(name, codec_for(name, point), point.address, point.registers)
        self._slots.setdefault(where, []).append(slot)
        if name in OUTPUTS or name == "output_timeout":
            self._guarded.add((endpoint, point.unit))

    @property
    def spans(self) -> Mapping[Where, Sequence[range]]:
        """The runs of addresses that each table answers."""
        return self._spans

    # --- time -------------------------------------------------------------------------------------------------------

    def advance_to(self, plant_s: float) -> None:
        """Run the plant up to a time; faults come on and outputs drop at their own instants."""
        self._now = None
        while plant_s - self.plant.time_s > 1e-9:
            drop_s = self._drop_s()
            until = min(plant_s, self.schedule.next_change(), drop_s, self.plant.time_s + _MOST_S)
            self.plant.advance(max(0.0, until - self.plant.time_s), self._coils)
            if self.schedule.next_change() <= self.plant.time_s + 1e-9:
                self.schedule.apply(self.plant.time_s + 1e-9, self)
            if drop_s <= self.plant.time_s + 1e-9:
                self.output_timeouts += 1
                self._drop()

    def _drop_s(self) -> float:
        if self._timeout_s <= 0.0 or not any(self._commands[name] for name in OUTPUTS):
            return math.inf
        return self._asked_s + self._timeout_s

    def _drop(self) -> None:
        self._commands |= dict.fromkeys(OUTPUTS, False)
        self._command()

    def restart(self) -> None:
        """The output module loses power for a moment: outputs off, time-out register back to 0."""
        self._timeout_s = 0.0
        self._drop()

    def _command(self) -> None:
        self._now = None
        self._coils = Coils(**{name: on for name, on in self._commands.items() if name != _AIR_UP})

    def asked(self, endpoint: str, unit: int) -> None:
        """A request has come for a device: one with outputs keeps them on."""
        self.requests += 1
        if (endpoint, unit) in self._guarded:
            self._asked_s = self.plant.time_s

    # --- registers --------------------------------------------------------------------------------------------------

    def read(self, where: Where, address: int, count: int) -> list[int]:
        """Raw registers or bits as they stand; :class:`UnknownAddress` outside the device's runs."""
        if not any(address in span and address + count <= span.stop for span in self._spans.get(where, ())):
            raise UnknownAddress(f"{where}: {address}")
        out = [0] * count
        values = self._values()
        for slot in self._slots[where]:
            if slot.address < address + count and slot.address + slot.registers > address:
                for offset, raw in enumerate(slot.encode(float(values[slot.name]))):
                    if 0 <= slot.address + offset - address < count:
                        out[slot.address + offset - address] = raw
        return out

    def shown(self, name: str) -> float:
        """What a point stands at, in the program's unit."""
        return float(self._values()[name])

    def _values(self) -> dict[str, float]:
        """What every point stands at; worked out once between two changes."""
        if self._now is None:
            plant, readings = self.plant, self.plant.readings()
            shown = {name: getattr(readings, name) for name in readings.__slots__}
            own = {"output_timeout": self._timeout_s, "plant_clock": plant.time_s, "vessel_level": plant.vessel_l}
            self._now = shown | self._commands | own
        return self._now

    def write(self, where: Where, address: int, raws: Sequence[int]) -> None:
        """Write registers or coils; :class:`UnknownAddress` unless each belongs to a writable point."""
        writes = []
        left = set(range(address, address + len(raws)))
        for slot in self._slots.get(where, ()):
            own = range(slot.address, slot.address + slot.registers)
            if left.issuperset(own) and (slot.name in _DRIVEN or slot.name == "output_timeout"):
                left -= set(own)
                writes.append((slot, [raws[at - address] for at in own]))
        if left:
            raise UnknownAddress(f"{where}: {min(left)}")
        for slot, own_raws in writes:
            if slot.name == "output_timeout":
                self._timeout_s = max(0.0, slot.codec.decode(own_raws))
                self._asked_s = self.plant.time_s
            elif slot.name == _AIR_UP:
                if own_raws[0]:
                    self.plant.air_up()
            else:
                self._commands[slot.name] = bool(own_raws[0])
        self._command()


def _spans(slots: list[_Slot], gap: int) -> list[range]:
    """Runs of addresses from the slots, joined across gaps of at most ``gap``."""
    spans: list[range] = []
    for slot in sorted(slots, key=lambda slot: slot.address):
        stop = slot.address + slot.registers
        if spans and slot.address - spans[-1].stop <= gap:
            spans[-1] = range(spans[-1].start, max(stop, spans[-1].stop))
        else:
            spans.append(range(slot.address, stop))
    return spans
