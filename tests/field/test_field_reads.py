"""The field over real TCP, reading: a free map, and every way in which a device can fail to answer."""

from __future__ import annotations

import asyncio
import contextlib
import random

import pytest
from field_devices import (
    COILS,
    DISCRETES,
    HOLDINGS,
    INPUTS,
    TIMEOUT_S,
    bench,
    closed_port,
    coil,
    link,
    number,
    odd_device,
)
from pymodbus.constants import ExcCodes

from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.field.points import Point

# --- reading --------------------------------------------------------------------------------------------------------


async def test_all_four_tables_two_units_and_every_byte_order() -> None:
    points = {
        "relay": coil(200, unit=9),
        "switch": Point(link="io", unit=9, table="discrete", address=33),
        "abcd": number("holding", 10, "f32", unit=4),
        "cdab": number("input", 20, "f32", unit=4, order="CDAB"),
        "badc": number("holding", 12, "u32", unit=4, order="BADC"),
        "dcba": number("input", 22, "i32", unit=9, order="DCBA"),
        "level": number("input", 0, "u16", unit=4, scale=0.5, offset=-10, quantity="L"),
    }
    async with bench(4, 9) as device:
        await device.put(9, COILS, 200, [True])
        await device.put(9, DISCRETES, 33, [True])
        await device.put(4, HOLDINGS, 10, [0x3F80, 0x0000])  # IEEE 754: 1.0
        await device.put(4, INPUTS, 20, [0x0000, 0xC020])  # -2.5, words swapped
        await device.put(4, HOLDINGS, 12, [0x0201, 0x0403])  # 0x01020304, bytes swapped
        await device.put(9, INPUTS, 22, [0xFEFF, 0xFFFF])  # -2, both swapped
        await device.put(4, INPUTS, 0, [300])
        wires = Field({"io": link(device.port)}, points)
        before_s = asyncio.get_running_loop().time()
        await wires.scan()
        wires.close()
    assert wires.errors == {}
    assert {name: value.raw for name, value in wires.values.items()} == {
        "relay": 1, "switch": 1, "abcd": 1.0, "cdab": -2.5, "badc": 0x01020304, "dcba": -2, "level": 300,
    }  # fmt: skip
    assert wires.values["level"].scaled == 140.0
    assert wires.values["badc"].registers == (0x0201, 0x0403)
    assert all(before_s <= value.at_s <= before_s + 5 and not value.fault for value in wires.values.values())
    # Unit 4: holdings 10 to 13 together, inputs 0 and 20 apart by more than the gap; unit 9: one read for each table.
    assert sorted(device.asked) == [(4, 3, 10), (4, 4, 0), (4, 4, 20), (9, 1, 200), (9, 2, 33), (9, 4, 22)]


async def test_yes_and_no_in_registers_are_a_bit_or_the_whole_of_one() -> None:
    points = {
        "third": number("input", 5, "bool", bit=3),
        "fourth": number("input", 5, "bool", bit=4),
        "swapped": number("input", 6, "bool", bit=0, order="BADC"),
        "opens": number("input", 5, "bool", bit=5, inverted=True),
        "opened": number("discrete", 9, "bool", inverted=True),
        "whole": number("holding", 7, "bool"),
        "none": number("holding", 8, "bool"),
    }
    async with bench() as device:
        await device.put(1, INPUTS, 5, [0b1000, 0x0100])
        await device.put(1, HOLDINGS, 7, [0xFF00, 0])
        await device.put(1, DISCRETES, 9, [True])
        wires = Field({"io": link(device.port)}, points)
        await wires.scan()
        wires.close()
    assert {name: value.raw for name, value in wires.values.items()} == {
        "third": 1, "fourth": 0, "swapped": 1, "opens": 1, "opened": 0, "whole": 1, "none": 0,
    }  # fmt: skip
    # Those that share a register share the request.
    assert sorted(device.asked) == [(1, 2, 9), (1, 3, 7), (1, 4, 5)]


async def test_a_value_that_is_no_number_or_out_of_range_says_so_and_spoils_nothing_else() -> None:
    points = {
        "broken": number("input", 0, "f32"),
        "far": number("input", 2, "i16", scale=0.01, low=-15, high=60, quantity="psi"),
        "deep": number("input", 3, "i16", low=0),
        "good": number("input", 4, "u16"),
    }
    async with bench() as device:
        await device.put(1, INPUTS, 0, [0x7FC0, 0, 32767, 0xFFFF, 7])
        wires = Field({"io": link(device.port)}, points)
        await wires.scan()
        wires.close()
    assert "not a number" in wires.values["broken"].fault
    assert "327.67 psi is outside -15 … 60" in wires.values["far"].fault
    assert "-1  is outside 0 … " in wires.values["deep"].fault
    assert (wires.values["good"].raw, wires.values["good"].fault) == (7, "")


async def test_a_refused_block_is_named_and_the_others_are_still_read() -> None:
    points = {
        "one": number("input", 0, "u16"),
        "two": number("input", 100, "u16"),
        "three": number("input", 200, "u16"),
    }
    async with bench() as device:
        device.refuse = lambda _function, address: ExcCodes.ILLEGAL_ADDRESS if address == 100 else None
        wires = Field({"io": link(device.port)}, points)
        await wires.scan()
        assert set(wires.values) == {"one", "three"}
        assert "input 100 of unit 1" in wires.errors["io"]
        assert "exception 2" in wires.errors["io"]
        assert "check unit, table and address" in wires.errors["io"]
        device.refuse = lambda _function, _address: None
        await wires.scan()
        wires.close()
    assert wires.errors == {}
    assert set(wires.values) == {"one", "two", "three"}


async def test_links_are_read_side_by_side_and_one_that_is_down_does_not_hide_the_other() -> None:
    async def silent(_body: bytes) -> None:
        return None

    async with bench() as device, odd_device(silent) as port:
        wires = Field(
            {"io": link(device.port), "dead": link(port)},
            {"good": number("input", 0, "u16"), "lost": number("input", 0, "u16", link="dead")},
        )
        await wires.scan()
        wires.close()
    assert list(wires.values) == ["good"]
    assert list(wires.errors) == ["dead"]


# --- not answering --------------------------------------------------------------------------------------------------


async def test_a_closed_port_is_named_and_not_hammered() -> None:
    port = await closed_port()
    wires = Field({"io": link(port)}, {"one": number("input", 0, "u16")})
    await wires.scan()
    assert wires.errors == {"io": f"io: nothing answers at 127.0.0.1:{port}"}
    await wires.scan()
    assert wires.errors == {"io": f"io: no connection to 127.0.0.1:{port}"}
    with pytest.raises(FieldError, match="no connection"):
        await wires.write_number("one", 1)
    wires.close()


@pytest.mark.parametrize("host", ["no.such.host.invalid", "a..b", "x" * 300, "256.1.1.1", "::1"])
async def test_a_host_that_cannot_be_reached_is_a_field_error(host: str) -> None:
    # RFC 2606 keeps the top-level name "invalid" free for ever.
    wires = Field({"io": link(await closed_port(), host=host)}, {"one": number("input", 0, "u16")})
    await wires.scan()
    assert wires.errors["io"].startswith(f"io: nothing answers at {host}:")


async def test_a_silent_device_costs_one_time_out_whatever_stands_on_it() -> None:
    waited_for: list[bytes] = []

    async def silent(body: bytes) -> None:
        waited_for.append(body)

    inputs = {f"p{i}": number("input", 20 * i, "u16") for i in range(10)}
    coils = {f"c{i}": coil(20 * i) for i in range(10)}
    async with odd_device(silent) as port:
        wires = Field({"io": link(port)}, {**inputs, **coils})
        await wires.scan()
        assert len(waited_for) == 1
        assert "no answer" in wires.errors["io"]
        assert wires.values == {}
        waited_for.clear()
        with pytest.raises(FieldError, match="coil 0 of unit 1: no answer"):
            await wires.write(dict.fromkeys(coils, False))
        assert len(waited_for) == 1
        wires.close()


async def test_old_values_keep_the_time_at_which_they_were_read() -> None:
    async with bench() as device:
        await device.put(1, INPUTS, 5, [42])
        wires = Field({"io": link(device.port)}, {"one": number("input", 5, "u16")})
        await wires.scan()
        at_s = wires.values["one"].at_s
    await wires.scan()
    wires.close()
    assert wires.errors
    assert (wires.values["one"].raw, wires.values["one"].at_s) == (42, at_s)


async def test_what_reads_as_before_is_as_young_as_what_has_changed_and_as_little_believed() -> None:
    points = {
        "still": number("input", 0, "u16"),
        "moves": number("input", 1, "u16"),
        "broken": number("input", 2, "f32"),
    }
    async with bench() as device:
        await device.put(1, INPUTS, 0, [7, 1, 0x7FC0, 0])
        wires = Field({"io": link(device.port)}, points)
        await wires.scan()
        first_s = wires.values["still"].at_s
        await device.put(1, INPUTS, 1, [2])
        await wires.scan()
        wires.close()
    assert (wires.values["still"].raw, wires.values["moves"].raw) == (7, 2)
    assert {value.at_s > first_s for value in wires.values.values()} == {True}
    assert "not a number" in wires.values["broken"].fault


async def test_a_late_reply_is_not_taken_for_the_next_one() -> None:
    served = 0

    async def late(body: bytes) -> bytes:
        nonlocal served
        served += 1
        mine = served
        if mine == 1:
            await asyncio.sleep(1.6 * TIMEOUT_S)
        return bytes([body[0], body[1], 2]) + mine.to_bytes(2, "big")

    async with odd_device(late) as port:
        wires = Field({"io": link(port)}, {"one": number("input", 0, "u16")})
        await wires.scan()
        assert "no answer" in wires.errors["io"]
        await wires.scan()
        wires.close()
    assert wires.values["one"].raw == 2


@pytest.mark.parametrize("registers", [0, 1, 3, 5])
async def test_too_few_or_too_many_registers_are_refused(registers: int) -> None:
    async def short(body: bytes) -> bytes:
        return bytes([body[0], body[1], 2 * registers]) + bytes(2 * registers)

    async with odd_device(short) as port:
        wires = Field({"io": link(port)}, {"one": number("input", 0, "u32"), "two": number("input", 2, "u32")})
        await wires.scan()
        wires.close()
    assert f"{registers} instead of 4 values" in wires.errors["io"]
    assert wires.values == {}


async def test_too_few_bits_are_refused() -> None:
    async def short(body: bytes) -> bytes:
        return bytes([body[0], body[1], 1, 255])

    async with odd_device(short) as port:
        wires = Field({"io": link(port)}, {"one": coil(0), "two": coil(8)})
        await wires.scan()
        wires.close()
    assert "8 instead of 9 values" in wires.errors["io"]


@pytest.mark.parametrize(
    "garbage",
    [b"", b"\x01", b"\x01\x04", b"\x01\x04\xff\x00", b"\x01\x84", b"\x01\x63\x00", b"\x01\x03\x02\x00\x01",
     b"\x09\x04\x02\x00\x01", b"\x01\x05\x00\x00\xff\x00", b"\xff" * 40],
)  # fmt: skip
async def test_garbage_is_a_field_error_and_no_value(garbage: bytes) -> None:
    async def broken(_body: bytes) -> bytes:
        return garbage

    async with odd_device(broken) as port:
        wires = Field({"io": link(port)}, {"one": number("input", 0, "u16")})
        await wires.scan()
        wires.close()
    assert wires.errors["io"].startswith("io: ")
    assert wires.values == {}


async def test_random_answers_are_values_or_field_errors() -> None:
    chance = random.Random(16)

    async def babble(body: bytes) -> bytes:
        head = body[: chance.choice((0, 1, 2, 2, 2))]
        return head + chance.randbytes(chance.randrange(12))

    points = {"bit": coil(0), "one": number("input", 0, "u16"), "two": number("holding", 0, "f32")}
    async with odd_device(babble) as port:
        wires = Field({"io": link(port, timeout="20 ms")}, points)
        for _ in range(60):
            await wires.scan()
            assert wires.errors.get("io", "io: ").startswith("io: ")
            with contextlib.suppress(FieldError):
                await wires.write({"bit": chance.random() < 0.5})
            with contextlib.suppress(FieldError):
                await wires.write_number("two", 1.0)
        wires.close()
    assert set(wires.values) <= set(points)


async def test_a_wrong_echo_is_no_written_coil() -> None:
    async def stubborn(body: bytes) -> bytes:
        return body[:4] + b"\x00\x00"  # answers "off" whatever was asked

    async with odd_device(stubborn) as port:
        wires = Field({"io": link(port)}, {"pump_run": coil(17)})
        with pytest.raises(FieldError, match="unit 1 echoed another write than coil 17"):
            await wires.write({"pump_run": True})
        wires.close()
        wires = Field({"io": link(port)}, {"pump_run": number("holding", 17, "bool")})
        with pytest.raises(FieldError, match="unit 1 echoed another write than holding 17"):
            await wires.write({"pump_run": True})
        wires.close()
