"""The simulated devices on an RS-485 bus: frames in, the modules' answers out, paced to the wire on request.

It has its own framing, so that a fault of the controller's library is detected. Functions, exceptions and lengths:
Modbus application protocol V1.1b3; check sum and silences: Modbus over serial line V1.02.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from sim.modules import UnknownAddress, Where
from sim.ports import Port

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.field.links import RtuLink
    from rig.field.points import Table
    from sim.modules import Modules

_TABLES: Final[dict[int, Table]] = {1: "coil", 2: "discrete", 3: "holding", 4: "input",
                                    5: "coil", 6: "holding", 15: "coil", 16: "holding"}  # fmt: skip
_UNKNOWN_FUNCTION, _UNKNOWN_ADDRESS, _BROKEN = 1, 2, 4
TURNAROUND_S = 0.002
"""Response time of a quick device."""


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: its name among the modules' endpoints and the units on it."""

    name: str
    link: RtuLink
    units: frozenset[int]


class RtuServer:
    """All devices of one bus, on one port."""

    def __init__(
        self,
        bus: Bus,
        modules: Modules,
        ask: Callable[[str, int], bool],
        fail: Callable[[Exception], None],
        paced: bool,
    ) -> None:
        """``ask`` advances the plant and returns whether a request arrives; ``fail`` takes errors."""
        self._bus, self._modules, self._ask, self._fail, self._paced = bus, modules, ask, fail, paced
        self._kept = b""
        self._lock = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()
        self._latest = 0
        self.port = Port(bus.link, self._heard)

    def open(self) -> None:
        """Open the port."""
        self.port.open()

    def close(self) -> None:
        """Cancel all answers and close the port."""
        for task in self._tasks:
            task.cancel()
        self.port.close()

    def _heard(self, data: bytes) -> None:
        self._kept += data
        while frame := self._frame():
            self._kept = self._kept[len(frame) :]
            self._latest += 1
            task = asyncio.create_task(self._serve(frame, self._latest))
            self._tasks.add(task)
            task.add_done_callback(self._done)

    def _done(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if isinstance(error, Exception):
            self._fail(error)

    def _frame(self) -> bytes:
        """The first complete request in the buffer; noise before it is dropped."""
        while len(self._kept) >= 8:
            size = 9 + self._kept[6] if self._kept[1] in (15, 16) else 8
            if len(self._kept) < size:
                return b""
            if check_sum(self._kept[: size - 2]) == self._kept[size - 2 : size]:
                return self._kept[:size]
            self._kept = self._kept[1:]
        return b""

    async def _serve(self, frame: bytes, number: int) -> None:
        unit, pdu = frame[0], frame[1:-2]
        if unit not in self._bus.units:
            return
        came_s = asyncio.get_running_loop().time()
        async with self._lock:
            link, upsets = self._bus.link, self._modules.plant.upsets
            # Deadlines, not waits, so that rounding errors do not accumulate.
            due_s = came_s + (len(frame) + 3.5) * link.character_s + TURNAROUND_S
            await self._until(due_s)
            if not self._ask(self._bus.name, unit):
                return
            if upsets.bus_late:
                await asyncio.sleep(upsets.bus_late * link.timeout)
            if number != self._latest and upsets.bus_late:
                return
            reply = bytes((unit,)) + self._answer(unit, pdu)
            reply += check_sum(reply)
            await self._until(due_s + len(reply) * link.character_s)
            self.port.send(reply)

    async def _until(self, due_s: float) -> None:
        clock = asyncio.get_running_loop().time
        while self._paced and (left_s := due_s - clock()) > 0:
            await asyncio.sleep(max(left_s - 0.001, 0.0))

    def _answer(self, unit: int, pdu: bytes) -> bytes:
        function = pdu[0]
        if function not in _TABLES:
            return bytes((function | 0x80, _UNKNOWN_FUNCTION))
        if self._modules.plant.upsets.bus_exception:
            return bytes((function | 0x80, _BROKEN))
        where = Where(self._bus.name, unit, _TABLES[function])
        first, second = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        try:
            if function in (1, 2):
                return _bits(function, self._modules.read(where, first, second))
            if function in (3, 4):
                words = self._modules.read(where, first, second)
                return bytes((function, 2 * len(words))) + b"".join(word.to_bytes(2, "big") for word in words)
            if not self._modules.plant.upsets.write_ignored:
                self._modules.write(where, first, _written(function, second, pdu))
        except UnknownAddress:
            return bytes((function | 0x80, _UNKNOWN_ADDRESS))
        return pdu[:5]


def _written(function: int, second: int, pdu: bytes) -> list[int]:
    if function == 5:
        return [int(second == 0xFF00)]
    if function == 6:
        return [second]
    data = pdu[6:]
    if function == 15:
        return [data[at // 8] >> at % 8 & 1 for at in range(second)]
    return [int.from_bytes(data[2 * at : 2 * at + 2], "big") for at in range(second)]


def _bits(function: int, bits: list[int]) -> bytes:
    packed = bytearray((len(bits) + 7) // 8)
    for at, bit in enumerate(bits):
        packed[at // 8] |= (bit & 1) << at % 8
    return bytes((function, len(packed))) + bytes(packed)


def check_sum(data: bytes) -> bytes:
    """The CRC that ends a frame, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")
