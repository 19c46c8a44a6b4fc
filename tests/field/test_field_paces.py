"""Two links of unlike pace: a bus that is read at its own period beside a device that is read in every scan.

The bus is a pseudo-terminal whose device answers when the test lets it (frames by serial line guide V1.02, section
2.5.1); the fast one is the library's server.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from field_devices import COILS, INPUTS, NEVER_S, Bench, bench, coil, link, number
from serial_devices import far_end, registers_device

from rig.field.field import Field
from rig.field.links import RtuLink
from rig.field.points import Point


@dataclass
class Slow:
    """A device that holds its answers back while ``free`` is not set; its registers hold their own address."""

    free: asyncio.Event = field(default_factory=asyncio.Event)
    asked: int = 0

    async def __call__(self, heard: bytes) -> bytes | None:
        self.asked += 1
        await self.free.wait()
        return registers_device(lambda at: at)(heard)


LEVEL = Point(link="bus", table="holding", address=7, type="u16")
FAST = {"meter_count": number("input", 0, "u16"), "pump_run": coil(17)}


@asynccontextmanager
async def two_links(
    path: Path, slow: Slow, scan: str | None, timeout: str = "5 s"
) -> AsyncIterator[tuple[Field, Bench]]:
    """A fast link and a slow one, each read once."""
    slow.free.set()
    keys = {"kind": "rtu", "port": str(path), "baud": 115200, "timeout": timeout, "scan": scan}
    async with bench() as device, far_end(path, slow):
        links = {"io": link(device.port), "bus": RtuLink.model_validate(keys)}
        wires = Field(links, {**FAST, "tote_level": LEVEL}, renew_s=NEVER_S)
        await wires.scan()
        assert wires.errors == {}
        assert wires.values["tote_level"].raw == 7, "the first scan brings every point"
        device.asked.clear()
        yield wires, device
        wires.close()


async def test_a_fast_link_and_the_outputs_keep_their_pace_while_a_slow_bus_takes_its_time(tmp_path: Path) -> None:
    slow = Slow()
    async with two_links(tmp_path / "bus", slow, "1 ms") as (wires, device):
        slow.free.clear()
        before, asked = wires.values["tote_level"].at_s, slow.asked
        async with asyncio.timeout(10):
            while slow.asked == asked:
                await wires.scan()
        for count in range(20):
            await device.put(1, INPUTS, 0, [count])
            await wires.scan()
            assert wires.values["meter_count"].raw == count
        await wires.write({"pump_run": True})
        assert await device.bits(1, 17) == [True]
        await wires.write({"pump_run": False})
        assert await device.bits(1, 17) == [False]
        assert slow.asked == asked + 1, "it was asked again before it had answered"
        assert wires.values["tote_level"].at_s == before
        slow.free.set()
        async with asyncio.timeout(10):
            while wires.values["tote_level"].at_s == before:
                await wires.scan()
    assert sum(function == COILS for _, function, _ in device.asked) >= 20


async def test_a_slow_bus_is_read_at_its_own_period_and_no_more_often(tmp_path: Path) -> None:
    slow = Slow()
    async with two_links(tmp_path / "bus", slow, "5 s") as (wires, device):
        for _ in range(20):
            await wires.scan()
        assert slow.asked == 1
        assert sum(function == INPUTS for _, function, _ in device.asked) == 20


async def test_without_a_period_of_its_own_a_bus_is_read_in_every_scan(tmp_path: Path) -> None:
    slow = Slow()
    async with two_links(tmp_path / "bus", slow, None) as (wires, _device):
        for _ in range(3):
            await wires.scan()
        assert slow.asked == 4


async def test_a_slow_bus_that_falls_silent_is_told_and_holds_up_nobody(tmp_path: Path) -> None:
    slow = Slow()
    async with two_links(tmp_path / "bus", slow, "1 ms", timeout="20 ms") as (wires, device):
        slow.free.clear()
        async with asyncio.timeout(10):
            while not wires.errors:
                await wires.scan()
        assert set(wires.errors) == {"bus"}
        assert "no answer" in wires.faults["tote_level"]
        await device.put(1, INPUTS, 0, [99])
        await wires.scan()
        assert wires.values["meter_count"].raw == 99


async def test_a_field_that_is_closed_asks_nothing_more_and_begins_anew(tmp_path: Path) -> None:
    slow = Slow()
    async with two_links(tmp_path / "bus", slow, "1 ms") as (wires, _device):
        slow.free.clear()
        asked = slow.asked
        async with asyncio.timeout(10):
            while slow.asked == asked:
                await wires.scan()
        wires.close()
        slow.free.set()
        await wires.scan()
        assert wires.errors == {}
