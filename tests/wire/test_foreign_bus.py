"""An RS-485 device in C, on the library libmodbus: its own frames and check sums, and a float in every word order."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from foreign_devices import libmodbus_device, null_modem

from rig.field.field import Field
from rig.field.links import RtuLink
from rig.field.points import Point


@pytest.fixture
def program(tmp_path: Path) -> Path:
    """The device, compiled."""
    return libmodbus_device(tmp_path)


def point(table: str, address: int, kind: str = "bool", **more: object) -> Point:
    return Point.model_validate({"link": "bus", "unit": 3, "table": table, "address": address, "type": kind, **more})


async def test_every_table_and_word_order_of_a_device_in_c(program: Path, tmp_path: Path) -> None:
    points = {
        order: point("holding", address, "f32", order=order)
        for address, order in ((10, "ABCD"), (12, "CDAB"), (14, "BADC"), (16, "DCBA"))
    }
    points |= {"relay": point("coil", 9), "switch": point("discrete", 5), "all": point("input", 40, "i16"),
               "written": point("holding", 30, "u32", order="CDAB", scale=0.1)}  # fmt: skip
    async with null_modem(tmp_path / "here", tmp_path / "there"):
        device = await asyncio.create_subprocess_exec(program, tmp_path / "there", stdout=asyncio.subprocess.PIPE)
        try:
            assert device.stdout is not None
            assert await asyncio.wait_for(device.stdout.readline(), 10) == b"ready\n"
            link = RtuLink.model_validate({"kind": "rtu", "port": str(tmp_path / "here"), "baud": 115200})
            wires = Field({"bus": link}, points)
            await wires.write({"relay": True})
            await wires.write_number("written", 7000000.1)
            await wires.scan()
            wires.close()
        finally:
            device.kill()
            await device.wait()
    assert wires.errors == {}
    shown = {name: value.scaled for name, value in wires.values.items()}
    assert [shown[order] for order in ("ABCD", "CDAB", "BADC", "DCBA")] == pytest.approx([123.456] * 4, rel=1e-6)
    assert (shown["relay"], shown["switch"], shown["all"]) == (1, 1, -1)
    assert shown["written"] == pytest.approx(7000000.1)
