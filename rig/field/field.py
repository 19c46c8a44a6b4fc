"""The whole field of one rig: every point read in as few requests as the maps allow, every output kept as wanted.

A scan never raises for a silent device: values keep the time at which they were last read, and their age tells.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.field.blocks import Block, plan_blocks
from rig.field.codec import DecodeError, decode, encode, scaled, unscaled
from rig.field.modbus import FieldError, ModbusPort
from rig.field.points import BIT_TABLES, Point, TcpLink


@dataclass(frozen=True, slots=True)
class Value:
    """One point as last read: the raw number, the same in the point's unit, when, and why it is not believed."""

    raw: float
    scaled: float
    at_s: float
    """Wall-clock seconds, monotonic."""
    fault: str = ""
    registers: tuple[int, ...] = ()


@dataclass(slots=True)
class _Device:
    port: ModbusPort
    blocks: tuple[Block, ...]
    seen_connects: int = 0
    error: str = ""


@dataclass(slots=True)
class _Written:
    on: bool
    at_s: float


@dataclass(slots=True)
class Field:
    """All links of a rig."""

    links: Mapping[str, TcpLink]
    points: Mapping[str, Point]
    renew_s: float = 0.5
    """Coils that are on are written again after this long: some modules count only writes as a sign of life."""
    values: dict[str, Value] = field(default_factory=dict)
    _devices: dict[str, _Device] = field(default_factory=dict)
    _written: dict[str, _Written] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, link in self.links.items():
            mine = {key: point for key, point in self.points.items() if point.link == name}
            self._devices[name] = _Device(ModbusPort(name, link), plan_blocks(mine, link.max_gap))

    @property
    def errors(self) -> dict[str, str]:
        """The last fault of each link that failed in the last scan."""
        return {name: device.error for name, device in self._devices.items() if device.error}

    async def scan(self) -> None:
        """Read every point once; all links side by side."""
        await asyncio.gather(*(self._scan_link(device) for device in self._devices.values()))

    async def _scan_link(self, device: _Device) -> None:
        device.error = ""
        for block in device.blocks:
            try:
                values = await device.port.read(block)
            except FieldError as error:
                device.error = str(error)
                return
            self._take(block, values)

    def _take(self, block: Block, values: list[int]) -> None:
        now_s = asyncio.get_running_loop().time()
        for name in block.names:
            point = self.points[name]
            start = point.address - block.address
            self.values[name] = _value(point, values[start : start + point.registers], now_s)

    async def write(self, wanted: Mapping[str, bool]) -> None:
        """Bring the named coils to the wanted states: off before on, only what changed or is due for renewal.

        Raises :class:`FieldError` when a device does not take a write; the others are still written.
        """
        faults = []
        for name, on in sorted(wanted.items(), key=lambda item: item[1]):
            if name not in self.points or not self._due(name, on=on):
                continue
            try:
                await self._write_one(name, on=on)
            except FieldError as error:
                self._written.pop(name, None)
                faults.append(str(error))
        if faults:
            raise FieldError("; ".join(faults))

    def _due(self, name: str, *, on: bool) -> bool:
        device = self._devices[self.points[name].link]
        if device.port.connects != device.seen_connects:
            # A device that was away may have restarted: what was written before is not known to hold.
            mine = {key for key, point in self.points.items() if point.link == self.points[name].link}
            self._written = {key: value for key, value in self._written.items() if key not in mine}
            device.seen_connects = device.port.connects
        last = self._written.get(name)
        age = asyncio.get_running_loop().time() - last.at_s if last else 0.0
        return last is None or last.on != on or (on and age >= self.renew_s)

    async def _write_one(self, name: str, *, on: bool) -> None:
        point = self.points[name]
        port = self._devices[point.link].port
        await port.write_coil(point.unit, point.address, on=on)
        self._written[name] = _Written(on, asyncio.get_running_loop().time())

    async def write_number(self, name: str, value: float) -> None:
        """Write a holding register point, the value in the point's own unit."""
        point = self.points[name]
        registers = encode(unscaled(value, point), point.type, point.order)
        await self._devices[point.link].port.write_registers(point.unit, point.address, registers)

    def close(self) -> None:
        """Drop every connection."""
        for device in self._devices.values():
            device.port.close()


def _value(point: Point, registers: list[int], now_s: float) -> Value:
    if point.table in BIT_TABLES:
        return Value(registers[0], registers[0], now_s, registers=tuple(registers))
    try:
        raw = decode(registers, point.type, point.order)
    except DecodeError as error:
        return Value(0, 0.0, now_s, str(error), tuple(registers))
    number = scaled(raw, point)
    outside = (point.low is not None and number < point.low) or (point.high is not None and number > point.high)
    fault = f"{number:g} {point.quantity} is outside {point.low} … {point.high}" if outside else ""
    return Value(raw, number, now_s, fault, tuple(registers))
