"""The field over real TCP, writing: relays kept as wanted, off before on, again after a device was away."""

from __future__ import annotations

import asyncio

import pytest
from field_devices import (
    COILS,
    NEVER_S,
    RELAYS,
    WRITE_COIL,
    WRITE_REGISTERS,
    Bench,
    bench,
    coil,
    link,
    number,
    odd_device,
    relays,
)
from pymodbus.constants import ExcCodes

from rig.field.field import Field
from rig.field.modbus import FieldError


async def test_coils_are_written_when_they_change_and_off_goes_before_on() -> None:
    async with bench() as device:
        wires = relays(device)
        await wires.write({"pump_run": False, "pump_reverse": True, "vent_valve": False})
        assert device.writes() == [17, 3, 19]
        assert await device.bits(1, 17, 3) == [False, False, True]
        await wires.write({"pump_run": False, "pump_reverse": True, "vent_valve": False})
        assert device.writes() == []
        await wires.write({"pump_run": True, "pump_reverse": False, "vent_valve": False})
        assert device.writes() == [19, 17]
        assert await device.bits(1, 17, 3) == [True, False, False]
        wires.close()


async def test_relays_in_holding_registers_are_written_one_and_nought() -> None:
    points = {"pump_run": number("holding", 17, "bool"), "vent_valve": number("holding", 19, "bool")}
    async with bench() as device:
        wires = Field({"io": link(device.port)}, points, renew_s=NEVER_S)
        await wires.write({"pump_run": True, "vent_valve": False})
        # Function 6: there are relay modules that know no other write (common practice, no source).
        assert [(function, address) for _, function, address in device.asked] == [(6, 19), (6, 17)]
        assert await device.registers(1, 17, 3) == [1, 0, 0]
        await wires.scan()
        await wires.write({"pump_run": False, "vent_valve": False})
        assert await device.registers(1, 17, 3) == [0, 0, 0]
        wires.close()
    assert (wires.values["pump_run"].raw, wires.values["vent_valve"].raw) == (1, 0)


async def test_names_that_are_not_wired_are_passed_over() -> None:
    async with bench() as device:
        wires = relays(device)
        await wires.write({"fill_valve": True, "vent_valve": True})
        assert device.writes() == [3]
        wires.close()


async def test_what_is_on_is_renewed_when_due_and_what_is_off_is_not() -> None:
    async with bench() as device:
        wires = relays(device, renew_s=0.0)
        wanted = {"pump_run": True, "vent_valve": False}
        await wires.write(wanted)
        device.writes()
        for _ in range(3):
            await wires.write(wanted)
        assert device.writes() == [17, 17, 17]
        wires.renew_s = NEVER_S
        await wires.write(wanted)
        assert device.writes() == []
        wires.close()


async def test_a_coil_that_reads_on_though_written_off_is_told_again() -> None:
    async with bench() as device:
        wires = relays(device)
        wanted = dict.fromkeys(RELAYS, False)
        await wires.write(wanted)
        await wires.scan()
        device.writes()
        await device.put(1, COILS, 17, [True])  # a module that restarted behind a gateway, or a hand on its panel
        await wires.scan()
        assert wires.values["pump_run"].raw == 1
        await wires.write(wanted)
        assert device.writes() == [17]
        assert await device.bits(1, 17) == [False]
        await wires.write(wanted)
        assert device.writes() == []
        wires.close()


async def test_nothing_goes_on_while_an_off_failed() -> None:
    async with bench() as device:
        wires = relays(device)
        await wires.write({"pump_run": False, "pump_reverse": True, "vent_valve": True})
        device.writes()
        device.refuse = lambda function, address: (
            ExcCodes.DEVICE_FAILURE if (function, address) == (WRITE_COIL, 19) else None
        )
        with pytest.raises(FieldError, match="coil 19 of unit 1: the device refuses"):
            await wires.write({"pump_run": True, "pump_reverse": False, "vent_valve": False})
        # The refused off did not keep the other off from being written, but it keeps the pump from running.
        assert device.writes() == [19, 3]
        assert await device.bits(1, 17) == [False]
        device.refuse = lambda _function, _address: None
        await wires.write({"pump_run": True, "pump_reverse": False, "vent_valve": False})
        assert device.writes() == [19, 17]
        wires.close()


OFF = dict.fromkeys(RELAYS, False)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second off that is not done is one too many."""
    monkeypatch.setattr("rig.field.field._REFUSES_S", 0.0)


@pytest.mark.usefixtures("impatient")
async def test_a_unit_that_goes_on_refusing_an_off_is_sent_nothing_for_its_time_out() -> None:
    async with bench() as device:
        wires = relays(device)
        wires.leave_s = 0.5
        await wires.write({"pump_run": True})
        device.refuse = lambda _function, _address: ExcCodes.DEVICE_FAILURE
        device.writes()
        for _ in range(3):
            with pytest.raises(FieldError, match="the device refuses"):
                await wires.write(OFF)
        # Each of its outputs was told, twice, before it was left alone.
        assert device.writes() == [17, 19, 3] * 2
        await wires.scan()
        assert "the device refuses" in wires.errors["io"]
        assert device.asked == []
        device.refuse = lambda _function, _address: None
        async with asyncio.timeout(10):
            while not device.asked:
                await asyncio.sleep(0.002)
                await wires.scan()
        await wires.write(OFF)
        assert not any(await device.bits(1, 3, 17))
        wires.close()


@pytest.mark.usefixtures("impatient")
async def test_a_unit_that_takes_every_off_and_stays_on_is_left_to_its_time_out_too() -> None:
    async with bench() as device:
        wires = relays(device)
        wires.leave_s = NEVER_S
        await wires.write(OFF)
        for _ in range(2):
            await device.put(1, COILS, 17, [True])
            await wires.scan()
            await wires.write(OFF)
        device.asked.clear()
        await wires.scan()
        with pytest.raises(FieldError, match="leaves it on"):
            await wires.write({**OFF, "pump_run": True})
        assert device.asked == []
        assert "unit 1 takes every off of pump_run and leaves it on" in wires.errors["io"]
        wires.close()


async def test_a_stop_does_not_wait_for_a_silent_link() -> None:
    async def silent(_body: bytes) -> None:
        return None

    async with bench() as device, odd_device(silent) as port:
        points = {"beacon": coil(0, at="dead"), **RELAYS}
        wires = Field({"dead": link(port, timeout="0.5 s"), "io": link(device.port)}, points, renew_s=NEVER_S)
        await wires.write({"pump_run": True})
        device.asked.clear()
        stop = asyncio.create_task(wires.write(dict.fromkeys(points, False)))
        while await device.bits(1, 17) == [True]:
            assert not stop.done(), "the pump waited for the silent beacon"
            await asyncio.sleep(0.002)
        assert not stop.done(), "the pump waited for the silent beacon"
        with pytest.raises(FieldError, match="dead: "):
            await stop
        wires.close()


async def test_a_device_that_went_away_and_came_back_is_told_everything_again() -> None:
    device = Bench()
    await device.start()
    wires = relays(device)
    wanted = {"pump_run": False, "pump_reverse": False, "vent_valve": True}
    await wires.write(wanted)
    await wires.scan()
    assert wires.errors == {}
    await device.stop()
    await wires.scan()
    assert wires.errors
    await device.start()  # all its coils read off again
    device.writes()
    async with asyncio.timeout(5):
        while wires.errors:
            await asyncio.sleep(0.01)
            await wires.scan()
    assert wires.values["vent_valve"].raw == 0
    await wires.write(wanted)
    assert sorted(device.writes()) == [3, 17, 19]
    assert await device.bits(1, 3) == [True]
    wires.close()
    await device.stop()


async def test_a_failed_write_is_written_again_next_time() -> None:
    device = Bench()
    await device.start()
    wires = relays(device)
    await wires.write({"pump_run": True})
    await device.stop()
    with pytest.raises(FieldError):
        await wires.write({"pump_run": False})
    await device.start()
    await device.put(1, COILS, 17, [True])  # outputs that keep their state over a restart
    async with asyncio.timeout(5):
        while await device.bits(1, 17) == [True]:
            try:
                await wires.write({"pump_run": False})
            except FieldError:
                await asyncio.sleep(0.01)
    wires.close()
    await device.stop()


async def test_numbers_are_written_in_the_points_own_unit_and_order() -> None:
    points = {
        "short": number("holding", 40, "u16", scale=0.1, quantity="s"),
        "long": number("holding", 50, "u32", order="CDAB", quantity="ms"),
        "float": number("holding", 60, "f32", order="DCBA"),
    }
    async with bench() as device:
        wires = Field({"io": link(device.port)}, points)
        await wires.write_number("short", 2.0)
        await wires.write_number("long", 70000)
        await wires.write_number("float", 1.0)
        assert await device.registers(1, 40) == [20]
        assert await device.registers(1, 50, 2) == [0x1170, 0x0001]  # 70000 = 0x00011170
        assert await device.registers(1, 60, 2) == [0x0000, 0x803F]
        await wires.scan()
        assert wires.values["short"].scaled == pytest.approx(2.0)
        with pytest.raises(FieldError, match=r"short: .* does not fit a u16"):
            await wires.write_number("short", 7000)
        device.refuse = lambda function, _address: ExcCodes.ILLEGAL_VALUE if function == WRITE_REGISTERS else None
        with pytest.raises(FieldError, match="holding 40 of unit 1: the device refuses"):
            await wires.write_number("short", 3.0)
        wires.close()


async def test_after_close_the_next_scan_connects_anew_and_the_next_write_is_whole() -> None:
    async with bench() as device:
        wires = relays(device)
        await wires.write({"vent_valve": True})
        wires.close()
        await wires.scan()
        assert wires.errors == {}
        device.writes()
        await wires.write({"vent_valve": True})
        assert device.writes() == [3]
        wires.close()
