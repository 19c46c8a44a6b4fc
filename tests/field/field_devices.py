"""Devices on real sockets for tests of the field: the library's server with a free map, and one that misbehaves."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rig.field.field import Field
from rig.field.points import Point, TcpLink

TIMEOUT_S = 0.05
COILS, DISCRETES, HOLDINGS, INPUTS = 1, 2, 3, 4
"""Functions that read each table (Modbus Application Protocol V1.1b3, section 6)."""
WRITE_COIL, WRITE_REGISTERS = 5, 16


def link(port: int, **more: object) -> TcpLink:
    return TcpLink.model_validate({"kind": "tcp", "port": port, "timeout": f"{TIMEOUT_S} s", **more})


def free_port(server: asyncio.Server) -> int:
    return int(server.sockets[0].getsockname()[1])


async def closed_port() -> int:
    """A port on which nothing listens any more."""
    server = await asyncio.start_server(lambda _reader, _writer: None, "127.0.0.1", 0)
    port = free_port(server)
    server.close()
    await server.wait_closed()
    return port


@dataclass
class Bench:
    """The library's server with some units, 300 bits or registers in each table of each; keeps what it was asked."""

    units: tuple[int, ...] = (1,)
    port: int = 0
    asked: list[tuple[int, int, int]] = field(default_factory=list)
    """Unit, function and address of every request, in order."""
    refuse: Callable[[int, int], ExcCodes | None] = lambda _function, _address: None
    """By function and address, the exception to answer with."""
    server: ModbusTcpServer | None = None

    async def start(self) -> None:
        self.server = ModbusTcpServer([self._device(unit) for unit in self.units], address=("127.0.0.1", self.port),
                                      ignore_missing_devices=True, trace_pdu=self._trace)  # fmt: skip
        await self.server.serve_forever(background=True)
        assert isinstance(self.server.transport, asyncio.Server)
        self.port = free_port(self.server.transport)

    async def stop(self) -> None:
        if self.server is not None:
            await self.server.shutdown()  # type: ignore[no-untyped-call]  # the library leaves it unannotated
            self.server = None

    def _device(self, unit: int) -> SimDevice:
        async def action(function: int, _start: int, address: int, *_rest: object) -> ExcCodes | None:
            return self.refuse(function, address)

        bits = SimData(0, values=[False] * 304, datatype=DataType.BITS)
        words = SimData(0, values=[0] * 304, datatype=DataType.REGISTERS)
        return SimDevice(unit, simdata=([bits], [bits], [words], [words]), action=action)

    def _trace(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if not sending:
            self.asked.append((pdu.dev_id, pdu.function_code, pdu.address))
        return pdu

    async def put(self, unit: int, function: int, address: int, values: Iterable[int | bool]) -> None:
        assert self.server is not None
        refuse, self.refuse = self.refuse, lambda _function, _address: None
        await self.server.async_setValues(unit, function, address, list(values))
        self.refuse = refuse

    async def bits(self, unit: int, address: int, count: int = 1) -> list[bool]:
        assert self.server is not None
        found = await self.server.async_getValues(unit, COILS, address, count)
        assert isinstance(found, list)
        return [bool(value) for value in found[:count]]

    async def registers(self, unit: int, address: int, count: int = 1) -> list[int]:
        assert self.server is not None
        found = await self.server.async_getValues(unit, HOLDINGS, address, count)
        assert isinstance(found, list)
        return [int(value) for value in found]

    def writes(self) -> list[int]:
        """Addresses of the coils written so far, then forgotten."""
        found = [address for _, function, address in self.asked if function == WRITE_COIL]
        self.asked.clear()
        return found


@asynccontextmanager
async def bench(*units: int) -> AsyncIterator[Bench]:
    made = Bench(units or (1,))
    await made.start()
    try:
        yield made
    finally:
        await made.stop()


Reply = bytes | None
Answer = Callable[[bytes], Awaitable[Reply]]


@asynccontextmanager
async def odd_device(answer: Answer) -> AsyncIterator[int]:
    """A TCP server that answers the unit and PDU of every request with what ``answer`` gives; yields its port.

    Frame: transaction, protocol 0 and length, two bytes each, then unit and PDU (Modbus messaging on TCP/IP guide
    V1.0b, section 3.1.3).
    """
    served: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        served[task] = writer
        try:
            while True:
                head = await reader.readexactly(6)
                body = await reader.readexactly(int.from_bytes(head[4:6], "big"))
                reply = await answer(body)
                if reply is not None:
                    writer.write(head[:4] + len(reply).to_bytes(2, "big") + reply)
                    await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield free_port(server)
    finally:
        server.close()
        for writer in served.values():
            writer.close()
        await asyncio.gather(*served)
        await server.wait_closed()


NEVER_S = 1e9


def coil(address: int, unit: int = 1, at: str = "io") -> Point:
    return Point(link=at, unit=unit, table="coil", address=address)


def number(table: str, address: int, kind: str, **more: object) -> Point:
    return Point.model_validate({"link": "io", "table": table, "address": address, "type": kind, **more})


RELAYS = {"pump_run": coil(17), "pump_reverse": coil(19), "vent_valve": coil(3)}


def relays(device: Bench, renew_s: float = NEVER_S, **more: Point) -> Field:
    return Field({"io": link(device.port)}, {**RELAYS, **more}, renew_s=renew_s)
