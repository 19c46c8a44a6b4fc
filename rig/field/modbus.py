"""One Modbus link: connect, read a block, write a coil or registers. Every fault comes out as :class:`FieldError`."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from rig.field.blocks import Block
from rig.field.points import BIT_TABLES, TcpLink

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

_BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Waits between attempts to connect, bounded."""
_READS = {
    "coil": (1, AsyncModbusTcpClient.read_coils),
    "discrete": (2, AsyncModbusTcpClient.read_discrete_inputs),
    "holding": (3, AsyncModbusTcpClient.read_holding_registers),
    "input": (4, AsyncModbusTcpClient.read_input_registers),
}
_WRITE_COIL, _WRITE_REGISTERS = 5, 16


class FieldError(RuntimeError):
    """A link or device that does not answer as it should; the text says which and what it did."""


class RefusedError(FieldError):
    """A device that answers, but not with what was asked for: its link is alive."""


class ModbusPort:
    """The wire to one link. One task uses it at a time."""

    def __init__(self, name: str, link: TcpLink) -> None:
        self.name = name
        self._link = link
        self._client: AsyncModbusTcpClient | None = None
        self._failures = 0
        self._next_try_s = 0.0
        self.connects = 0
        """How often the link came up: after each, what was written before is not known to hold."""

    async def read(self, block: Block) -> list[int]:
        """Read one block: bits or registers, exactly ``block.count`` of them."""
        where = f"{block.table} {block.address} of unit {block.unit}"
        function, read = _READS[block.table]
        reply = await self._call(
            f"reading {where}",
            function,
            lambda client: read(client, block.address, count=block.count, device_id=block.unit),
        )
        values = reply.bits if block.table in BIT_TABLES else reply.registers
        # Bits come in whole bytes. Registers that nobody asked for are as wrong as missing ones.
        if len(values) < block.count or (block.table not in BIT_TABLES and len(values) != block.count):
            raise RefusedError(f"{self.name}: {len(values)} instead of {block.count} values came, reading {where}")
        return [int(value) for value in values[: block.count]]

    async def write_coil(self, unit: int, address: int, *, on: bool) -> None:
        """Write one coil and compare the echo."""
        reply = await self._call(
            f"writing coil {address} of unit {unit}",
            _WRITE_COIL,
            lambda client: client.write_coil(address, on, device_id=unit),
        )
        if reply.address != address or bool(reply.bits[0]) != on:
            raise RefusedError(f"{self.name}: unit {unit} echoed another write than coil {address}")

    async def write_registers(self, unit: int, address: int, values: list[int]) -> None:
        """Write holding registers."""
        await self._call(
            f"writing holding {address} of unit {unit}",
            _WRITE_REGISTERS,
            lambda client: client.write_registers(address, values, device_id=unit),
        )

    async def _call(
        self, what: str, function: int, ask: Callable[[AsyncModbusTcpClient], Awaitable[ModbusPDU]]
    ) -> ModbusPDU:
        client = await self._connected()
        where = f"{self.name}: {self._link.host}:{self._link.port}, {what}"
        try:
            reply = await ask(client)
        except ModbusException as error:
            self.close()
            raise FieldError(f"{where}: no answer ({error})") from error
        # The library's decoders let foreign exceptions out on malformed frames: to us each is a rejected frame.
        except Exception as error:
            self.close()
            raise FieldError(f"{where}: unreadable answer ({type(error).__name__})") from error
        if reply.isError():
            code = getattr(reply, "exception_code", "?")
            raise RefusedError(f"{where}: the device refuses (exception {code}); check unit, table and address")
        if reply.function_code != function:
            # The library pairs reply and request by number only.
            self.close()
            raise FieldError(f"{where}: answer to another question (function {reply.function_code}, not {function})")
        self._failures = 0
        return reply

    async def _connected(self) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        now_s = asyncio.get_running_loop().time()
        if now_s < self._next_try_s:
            raise FieldError(f"{self.name}: no connection to {self._link.host}:{self._link.port}")
        self.close()
        client = AsyncModbusTcpClient(
            self._link.host, port=self._link.port, timeout=self._link.timeout, retries=0, reconnect_delay=0
        )
        try:
            up = await client.connect()
        except (OSError, UnicodeError):
            # A host name that cannot be one, for example with two dots in a row, breaks the name's encoder.
            up = False
        if not up:
            client.close()
            self._delay(now_s)
            raise FieldError(f"{self.name}: nothing answers at {self._link.host}:{self._link.port}")
        self._client = client
        self.connects += 1
        return client

    def _delay(self, now_s: float) -> None:
        self._next_try_s = now_s + _BACK_OFF_S[min(self._failures, len(_BACK_OFF_S) - 1)]
        self._failures += 1

    def close(self) -> None:
        """Drop the connection; the next call makes a new one."""
        if self._client is not None:
            self._client.close()
            self._client = None
