"""One Modbus link: connect, read a block, write a coil or registers. Every fault is raised as :class:`FieldError`.

On an RS-485 bus, also behind a transparent gateway, answers carry no number. After a time-out only an off is sent
for another time-out; then a read of another length verifies that the answers are in step again.
"""

from __future__ import annotations

import asyncio
import logging
import termios
from collections.abc import Awaitable, Callable

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU

from rig.field.blocks import Block
from rig.field.frames import Expected, answer_in
from rig.field.links import BusLink, RtuLink
from rig.field.points import BIT_TABLES, Table
from rig.sentence import Sentence, Wording

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

_BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Waits between attempts to connect, bounded."""
_LOSSES = 3
"""Missed answers in a row after which a serial port is reopened: an adapter may hang."""
Client = AsyncModbusTcpClient | AsyncModbusSerialClient
_READS = {
    "coil": (1, AsyncModbusTcpClient.read_coils),
    "discrete": (2, AsyncModbusTcpClient.read_discrete_inputs),
    "holding": (3, AsyncModbusTcpClient.read_holding_registers),
    "input": (4, AsyncModbusTcpClient.read_input_registers),
}
_SWITCHES: dict[Table, tuple[int, Callable[..., Awaitable[ModbusPDU]], int]] = {
    "coil": (5, AsyncModbusTcpClient.write_coil, 0xFF00),
    "holding": (6, AsyncModbusTcpClient.write_register, 1),
}
"""How one output is written, and the frame's value for on."""
_WRITE_REGISTERS = 16
_NO_SUCH_PLACE = (2, 3)
"""Illegal data address and illegal data value (Modbus Application Protocol V1.1b3, section 7)."""
_ROUNDING_S = 0.001
NO_CONNECTION = Wording("bus.no_connection", "{link}: no connection to {place}")
_NOBODY = Wording("bus.nobody", "{link}: nothing answers at {place}")
_READING = Wording("bus.reading", "reading {table} {address} of unit {unit}")
_WRITING = Wording("bus.writing", "writing {table} {address} of unit {unit}")
_WHERE = Wording("bus.where", "{link}: {place}, {what}")
_TOO_MANY = Wording("bus.too_many", "{link}: {came:number} instead of {asked:number} values came, {place}")
_ECHO = Wording("bus.echo", "{link}: unit {unit} echoed another write than {table} {address}")
_QUIET = Wording("bus.quiet", "{link}: silent for {left:number} s more, so that a late answer is not taken for another")
_NO_ANSWER = Wording("bus.no_answer", "{where}: no answer ({error})")
_UNREADABLE = Wording("bus.unreadable", "{where}: unreadable answer ({error})")
_REFUSES = Wording("bus.refuses", "{where}: the device refuses (exception {code}); check unit, table and address")
_OTHER_ANSWER = Wording("bus.other_answer", "{where}: answer to another question (function {came}, not {asked})")


class FieldError(RuntimeError):
    """A link or device does not answer as it should; the text names it and the fault."""


class RefusedError(FieldError):
    """A device answers, but not as requested: its link is alive."""

    code: int | None = None
    """Of the exception that the device answered with."""


class AddressError(RefusedError):
    """A device has no such address, or does not return so many at once (exceptions 2 and 3)."""


class SilentError(FieldError):
    """A device did not answer in time."""


class ModbusPort:
    """The wire to one link. One task uses it at a time."""

    def __init__(self, name: str, link: BusLink) -> None:
        self.name = name
        self._link = link
        self._bus = isinstance(link, RtuLink) or link.framer == "rtu"
        """Answers carry no number."""
        self._client: Client | None = None
        self._failures = 0
        self._next_try_s = 0.0
        self._expected: Expected | None = None
        self._lost: Expected | None = None
        """A read whose answer may still come."""
        self._losses = 0
        self._quiet_until_s = self._free_s = -1e9
        self.sent_s: dict[int, float] = {}
        """Time of the last request to each unit: its own time-out starts then."""
        self.heard_s: dict[int, float] = {}
        """Time of the last answer of any kind from each unit."""
        self.connects = 0
        """Number of connections: after each, earlier writes may no longer hold."""

    async def read(self, block: Block) -> list[int]:
        """Read one block: bits or registers, exactly ``block.count`` of them."""
        await self._in_step(block)
        return await self._read(block)

    async def _read(self, block: Block) -> list[int]:
        place = _READING(table=block.table, address=str(block.address), unit=str(block.unit))
        function, read = _READS[block.table]
        reply = await self._call(
            place,
            Expected(block.unit, function, block.address, block.count),
            lambda client: read(client, block.address, count=block.count, device_id=block.unit),
        )
        values = reply.bits if block.table in BIT_TABLES else reply.registers
        # Bits come in whole bytes. Surplus registers are as wrong as missing ones.
        if len(values) < block.count or (block.table not in BIT_TABLES and len(values) != block.count):
            raise RefusedError(_TOO_MANY(link=self.name, came=len(values), asked=block.count, place=place))
        return [int(value) for value in values[: block.count]]

    async def switch(self, unit: int, table: Table, address: int, *, on: bool) -> None:
        """Write one coil, or 1 or 0 to one holding register, and compare the echo.

        An off is sent at once, an on only on a bus in step.
        """
        if on:
            self._check_quiet()
        function, write, when_on = _SWITCHES[table]
        reply = await self._call(
            _WRITING(table=table, address=str(address), unit=str(unit)),
            Expected(unit, function, address, 1, when_on if on else 0),
            lambda client: write(client, address, on, device_id=unit),
        )
        if reply.address != address or (reply.bits or reply.registers)[:1] != [on]:
            raise RefusedError(_ECHO(link=self.name, unit=str(unit), table=table, address=str(address)))

    async def write_registers(self, unit: int, address: int, values: list[int]) -> None:
        """Write holding registers."""
        self._check_quiet()
        await self._call(
            _WRITING(table="holding", address=str(address), unit=str(unit)),
            Expected(unit, _WRITE_REGISTERS, address, len(values)),
            lambda client: client.write_registers(address, values, device_id=unit),
        )

    # --- a bus in step ----------------------------------------------------------------------------------------------

    async def _in_step(self, block: Block) -> None:
        """After a lost answer: stay silent, then read another length, which the late answer cannot be mistaken for."""
        self._check_quiet()
        lost = self._lost
        if lost is None:
            return
        step = 8 if block.table in BIT_TABLES else 1
        table = next(name for name, (function, _) in _READS.items() if function == lost.function)
        count = lost.count - step if lost.count > step else lost.count + step
        try:
            await self._read(Block(lost.unit, table, lost.address, count, ()))  # type: ignore[arg-type]
        except RefusedError:
            # It answers, though not with that length: no late answer is pending any more.
            pass
        except SilentError:
            if block.unit == lost.unit:
                raise
            # That unit is gone; its time-out has passed, and another unit answers for itself.
            self._quiet_until_s = -1e9
        self._lost = None

    def _check_quiet(self) -> None:
        left_s = self._quiet_until_s - asyncio.get_running_loop().time()
        if left_s > 0:
            raise FieldError(_QUIET(link=self.name, left=round(left_s, 2)))

    def _missed(self, expected: Expected) -> None:
        if not self._bus:
            self.close()
            return
        self._quiet_until_s = asyncio.get_running_loop().time() + self._link.timeout
        self._losses += 1
        if expected.reads:
            self._lost = expected
        client = self._client
        if client is None or not client.connected or self._losses >= _LOSSES:
            self._losses = 0
            self.close()

    def _filter(self, sending: bool, packet: bytes) -> bytes:
        """Pass to the library only the frame that answers, out of the bytes received so far."""
        if sending:
            return packet
        return answer_in(packet, self._expected) if self._expected is not None else b""

    # --- one question -----------------------------------------------------------------------------------------------

    async def _call(
        self, what: Sentence, expected: Expected, ask: Callable[[Client], Awaitable[ModbusPDU]]
    ) -> ModbusPDU:
        client = await self._connected()
        where = _WHERE(link=self.name, place=self._place, what=what)
        await self._silence()
        self._expected = expected
        self.sent_s[expected.unit] = asyncio.get_running_loop().time()
        try:
            reply = await ask(client)
        except ModbusException as error:
            self._missed(expected)
            raise SilentError(_NO_ANSWER(where=where, error=str(error))) from error
        # The library's decoders let foreign exceptions out on malformed frames, and a serial port its own: each counts
        # as a rejected frame.
        except Exception as error:
            self._missed(expected)
            self.close()
            raise FieldError(_UNREADABLE(where=where, error=type(error).__name__)) from error
        finally:
            self._expected = None
            self._free_s = asyncio.get_running_loop().time() + self._link.silence_s
        self._losses = 0
        self.heard_s[expected.unit] = self._free_s
        if reply.isError():
            code = getattr(reply, "exception_code", "?")
            refused = AddressError if code in _NO_SUCH_PLACE else RefusedError
            refusal = refused(_REFUSES(where=where, code=str(code)))
            refusal.code = code if isinstance(code, int) else None
            raise refusal
        if reply.function_code != expected.function:
            # The library matches reply and request by number only.
            self.close()
            raise FieldError(_OTHER_ANSWER(where=where, came=str(reply.function_code), asked=str(expected.function)))
        self._failures = 0
        return reply

    async def _silence(self) -> None:
        clock = asyncio.get_running_loop().time
        while self._bus and (left_s := self._free_s - clock()) > 0:
            # A sleep is rounded up to a whole millisecond, as long as an answer at 115200 baud.
            await asyncio.sleep(max(left_s - _ROUNDING_S, 0.0))

    @property
    def _place(self) -> str:
        link = self._link
        return link.port if isinstance(link, RtuLink) else f"{link.host}:{link.port}"

    def _new_client(self) -> Client:
        link = self._link
        if isinstance(link, RtuLink):
            return AsyncModbusSerialClient(
                link.port, baudrate=link.baud, parity=link.parity, stopbits=link.stop_bits, timeout=link.timeout,
                handle_local_echo=link.echo, retries=0, reconnect_delay=0, trace_packet=self._filter,
            )  # fmt: skip
        return AsyncModbusTcpClient(
            link.host, port=link.port, timeout=link.timeout, retries=0, reconnect_delay=0,
            framer=FramerType.RTU if self._bus else FramerType.SOCKET,
            trace_packet=self._filter if self._bus else None,
        )  # fmt: skip

    async def _connected(self) -> Client:
        if self._client is not None and self._client.connected:
            return self._client
        now_s = asyncio.get_running_loop().time()
        if now_s < self._next_try_s:
            raise FieldError(NO_CONNECTION(link=self.name, place=self._place))
        self.close()
        client = self._new_client()
        try:
            up = await client.connect()
        except (OSError, ValueError, termios.error):
            # An invalid host name breaks the name's encoder; a port that cannot be set up, its driver.
            up = False
        if not up:
            client.close()
            self._delay(now_s)
            raise FieldError(_NOBODY(link=self.name, place=self._place))
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
