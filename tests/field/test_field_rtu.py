"""An RS-485 bus over a real pseudo-terminal pair, parity N: late and foreign answers, noise, silence, a pulled plug.

Frames: Modbus over serial line specification V1.02, section 2.5.1; the devices' check sums are the library's.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusSerialClient
from serial_devices import far_end, framed, registers_device

from rig.field.blocks import Block
from rig.field.field import Field
from rig.field.frames import Expected, answer_in, check_sum
from rig.field.links import RtuLink
from rig.field.modbus import FieldError, ModbusPort, RefusedError, SilentError
from rig.field.points import Point, TcpLink

TIMEOUT_S = 0.06


def bus(path: Path, **more: object) -> RtuLink:
    return RtuLink.model_validate(
        {"kind": "rtu", "port": str(path), "timeout": f"{TIMEOUT_S} s", "baud": 115200, **more}
    )


def holding(address: int, count: int = 1, unit: int = 1) -> Block:
    return Block(unit, "holding", address, count, ())


def number(address: int, unit: int = 1, kind: str = "u16") -> Point:
    return Point.model_validate({"link": "bus", "unit": unit, "table": "holding", "address": address, "type": kind})


class Late:
    """A device whose answers wait when told to; registers hold their own address."""

    def __init__(self, unit: int = 1) -> None:
        self.delays_s: list[float] = []
        self._reply = registers_device(lambda at: at, unit)

    async def __call__(self, heard: bytes) -> bytes | None:
        reply = self._reply(heard)
        if self.delays_s:
            await asyncio.sleep(self.delays_s.pop(0))
        return reply


async def test_a_late_answer_fools_the_bare_library_and_not_the_port(tmp_path: Path) -> None:
    device = Late()
    async with far_end(tmp_path / "bus", device):
        client = AsyncModbusSerialClient(str(tmp_path / "bus"), timeout=TIMEOUT_S, retries=0)
        assert await client.connect()
        device.delays_s = [1.2 * TIMEOUT_S, 1.2 * TIMEOUT_S]
        shown = []
        for address in (10, 20, 30):
            try:
                shown.append((await client.read_holding_registers(address, count=1)).registers)
            except Exception as error:  # noqa: BLE001  # whatever the library says, it lost an answer
                shown.append([type(error).__name__])
        client.close()
        assert [10] in shown[1:], "the danger is there: the answer for 10 was given for another address"

    device = Late()
    async with far_end(tmp_path / "bus", device):
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        device.delays_s = [1.2 * TIMEOUT_S]
        with pytest.raises(SilentError, match="no answer"):
            await port.read(holding(10))
        read = {}
        async with asyncio.timeout(5):
            while len(read) < 2:
                for address in (20, 30):
                    try:
                        read[address] = await port.read(holding(address))
                    except FieldError:
                        await asyncio.sleep(0.005)
        port.close()
    assert read == {20: [20], 30: [30]}


async def test_even_an_answer_later_than_the_silence_is_not_taken(tmp_path: Path) -> None:
    device = Late()
    async with far_end(tmp_path / "bus", device) as end:
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        device.delays_s = [2.3 * TIMEOUT_S]
        with pytest.raises(SilentError):
            await port.read(holding(10, 2))
        lost_s = asyncio.get_running_loop().time()
        found: list[int] = []
        async with asyncio.timeout(5):
            while not found:
                try:
                    found = await port.read(holding(40, 2))
                except FieldError:
                    await asyncio.sleep(0.005)
        port.close()
    assert found == [40, 41]
    assert end.at_s[1] - lost_s >= TIMEOUT_S * 0.95, "nothing was sent for another time-out"
    # A read of another length came first.
    assert end.heard[1][:6] == bytes((1, 3, 0, 10, 0, 1))


async def test_an_off_is_sent_at_once_though_the_bus_is_to_be_silent_and_an_on_is_not(tmp_path: Path) -> None:
    device = Late()
    async with far_end(tmp_path / "bus", device) as end:
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        device.delays_s = [1.05 * TIMEOUT_S]
        with pytest.raises(SilentError):
            await port.read(holding(10))
        lost_s = asyncio.get_running_loop().time()
        with pytest.raises(FieldError, match="silent for"):
            await port.switch(1, "coil", 3, on=True)
        await port.switch(1, "coil", 3, on=False)
        assert asyncio.get_running_loop().time() - lost_s < 0.8 * TIMEOUT_S
        port.close()
    assert end.heard[1] == framed(bytes((1, 5, 0, 3, 0, 0)))


@pytest.mark.parametrize(
    "before",
    [
        framed(bytes((2, 3, 2, 9, 9))),  # another unit
        framed(bytes((1, 4, 2, 9, 9))),  # another function
        framed(bytes((1, 3, 4, 9, 9, 9, 9))),  # another length
        framed(bytes((1, 3, 2, 9, 9)))[:-1] + b"\0",  # a wrong check sum
        b"\xff\x00\x01\x03",  # noise
        framed(bytes((1, 5, 0, 3, 0xFF, 0))),  # an echo
        framed(bytes((7, 0x83, 2))),  # another unit's refusal
        bytes((1, 43, 14, 1)) * 9,  # what breaks decoders
    ],
    ids=["unit", "function", "length", "check sum", "noise", "echo", "refusal", "odd"],
)
async def test_what_is_not_the_answer_is_thrown_away_and_the_answer_still_heard(before: bytes, tmp_path: Path) -> None:
    async def answer(heard: bytes) -> bytes:
        return before + framed(bytes((1, 3, 2, 0, 77)))

    async with far_end(tmp_path / "bus", answer):
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        assert await port.read(holding(5)) == [77]
        port.close()


async def test_an_answer_in_crumbs_is_put_together(tmp_path: Path) -> None:
    async def answer(_heard: bytes) -> None:
        for byte in framed(bytes((1, 3, 4, 1, 2, 3, 4))):
            end.say(bytes((byte,)))
            await asyncio.sleep(0)

    async with far_end(tmp_path / "bus", answer) as end:
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        assert await port.read(holding(5, 2)) == [0x0102, 0x0304]
        port.close()


async def test_a_refusal_is_told_and_costs_no_silence(tmp_path: Path) -> None:
    async def answer(heard: bytes) -> bytes:
        return framed(bytes((1, heard[1] | 0x80, 2)))

    async with far_end(tmp_path / "bus", answer):
        port = ModbusPort("bus", bus(tmp_path / "bus"))
        for _ in range(2):
            with pytest.raises(RefusedError, match="exception 2"):
                await port.read(holding(5))
        with pytest.raises(RefusedError):
            await port.switch(1, "coil", 0, on=True)
        port.close()


async def test_an_adapter_that_hears_itself(tmp_path: Path) -> None:
    device = registers_device(lambda at: at)

    async def answer(heard: bytes) -> bytes:
        return heard + (device(heard) or b"")

    async with far_end(tmp_path / "bus", answer):
        port = ModbusPort("bus", bus(tmp_path / "bus", echo=True))
        assert await port.read(holding(5, 3)) == [5, 6, 7]
        await port.switch(1, "coil", 3, on=True)
        port.close()

    async def only_echo(heard: bytes) -> bytes:
        return heard

    async with far_end(tmp_path / "bus", only_echo):
        port = ModbusPort("bus", bus(tmp_path / "bus", echo=True))
        with pytest.raises(SilentError):
            await port.switch(1, "coil", 3, on=True)
        port.close()


async def test_a_dead_unit_does_not_hide_the_others_and_is_heard_again(tmp_path: Path) -> None:
    devices = {unit: registers_device(lambda at, unit=unit: 100 * unit + at, unit) for unit in (1, 2, 3)}
    dead = {1}

    async def answer(heard: bytes) -> bytes | None:
        return None if heard[0] in dead else devices[heard[0]](heard)

    points = {f"p{unit}": number(5, unit) for unit in (1, 2, 3)}
    async with far_end(tmp_path / "bus", answer):
        wires = Field({"bus": bus(tmp_path / "bus")}, points)
        loop = asyncio.get_running_loop()
        longest_s = 0.0
        async with asyncio.timeout(5):
            while len(wires.values) < 2:
                began_s = loop.time()
                await wires.scan()
                longest_s = max(longest_s, loop.time() - began_s)
                assert "bus" in wires.errors
                await asyncio.sleep(0.01)
        assert longest_s < 2 * TIMEOUT_S, "one time-out for a scan, not one for each block"
        assert {name: value.raw for name, value in wires.values.items()} == {"p2": 205, "p3": 305}
        dead.clear()
        async with asyncio.timeout(5):
            while wires.errors:
                await asyncio.sleep(0.01)
                await wires.scan()
        assert wires.values["p1"].raw == 105
        wires.close()


async def test_a_pulled_plug_is_told_and_a_new_one_taken_with_outputs_written_again(tmp_path: Path) -> None:
    device = registers_device(lambda at: at)

    async def answer(heard: bytes) -> bytes | None:
        return device(heard)

    relay = Point(link="bus", table="coil", address=7)
    async with far_end(tmp_path / "bus", answer) as end:
        wires = Field({"bus": bus(tmp_path / "bus")}, {"pump_run": relay, "n": number(5, kind="u32")})
        await wires.scan()
        await wires.write({"pump_run": False})
        assert wires.errors == {}
        end.unplug()
        await wires.scan()
        assert "bus" in wires.errors
        with pytest.raises(FieldError):
            await wires.write({"pump_run": True})
        end.plug()
        end.heard.clear()
        async with asyncio.timeout(5):
            while wires.errors:
                await asyncio.sleep(0.01)
                await wires.scan()
        await wires.write({"pump_run": False})
        wires.close()
    assert wires.values["n"].raw == (5 << 16) + 6
    assert framed(bytes((1, 5, 0, 7, 0, 0))) in end.heard


async def test_a_port_that_is_not_there_or_cannot_be_set_up_is_a_field_error(tmp_path: Path) -> None:
    port = ModbusPort("bus", bus(tmp_path / "none"))
    with pytest.raises(FieldError, match=r"nothing answers at .*none"):
        await port.read(holding(5))
    with pytest.raises(FieldError, match="no connection to"):
        await port.read(holding(5))

    async def silent(_heard: bytes) -> None:
        return None

    async with far_end(tmp_path / "bus", silent):
        # A pseudo-terminal refuses parity when it is set up anew, with an error that is no OSError.
        for _ in range(3):
            port = ModbusPort("bus", bus(tmp_path / "bus", parity="E"))
            with pytest.raises(FieldError):
                await port.read(holding(5))
            port.close()


async def test_frames_of_a_bus_through_a_tcp_gateway(tmp_path: Path) -> None:
    device = registers_device(lambda at: at)

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while heard := await reader.read(256):
            writer.write(b"\x00" + (device(heard) or b""))
        writer.close()
        await writer.wait_closed()
        ended.set()

    ended = asyncio.Event()
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    link = TcpLink(kind="tcp", port=server.sockets[0].getsockname()[1], framer="rtu")
    port = ModbusPort("gateway", link)
    assert await port.read(holding(9, 2)) == [9, 10]
    await port.write_registers(1, 4, [1, 2])
    port.close()
    await ended.wait()
    server.close()
    await server.wait_closed()


def test_the_check_sum_is_the_specifications() -> None:
    # Modbus over serial line V1.02, appendix B: unit 2, function 7 gives 0x41, 0x12 on the wire.
    assert check_sum(bytes((2, 7))) == bytes((0x41, 0x12))


def test_an_answer_is_found_only_whole() -> None:
    whole = framed(bytes((1, 3, 2, 0, 1)))
    expected = Expected(1, 3, 5, 1)
    assert answer_in(b"\x01" + whole + b"\x01\x03", expected) == whole
    assert all(answer_in(whole[:size], expected) == b"" for size in range(len(whole)))
