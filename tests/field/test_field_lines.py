"""Devices that speak in lines, over a real pseudo-terminal: sending and polled scales, noise, silence, a pulled plug.

Kilograms per pound: NIST SP 811, appendix B.8 (0.453 592 37).
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from serial_devices import FarEnd, far_end

from rig.field.field import Field
from rig.field.lines import Splitter
from rig.field.links import LineLink

TIMEOUT_S = 0.1
PATTERN = r"(?:ST|US),(?P<weight>[-+]? *\d+\.\d+) *(?P<unit>kg|lb|KG)(?:,(?P<temp>-?\d+))?"


def scale(path: Path, **more: object) -> LineLink:
    fields = {"weight": {"point": "tote_mass", "quantity": "kg", "unit_from": "unit", "low": 0, "high": 2000}}
    return LineLink.model_validate(
        {"kind": "line", "port": str(path), "pattern": PATTERN, "timeout": f"{TIMEOUT_S} s", "fields": fields, **more}
    )


async def silent(_heard: bytes) -> None:
    return None


async def until_heard(wires: Field) -> None:
    async with asyncio.timeout(5):
        await wires.scan()
        while wires.errors:
            await asyncio.sleep(0.005)
            await wires.scan()


async def say_when_open(end: FarEnd, wires: Field, data: bytes) -> None:
    """Open the port by a scan, speak meanwhile, and let what was said arrive."""
    scan = asyncio.create_task(wires.scan())
    for _ in range(5):
        await asyncio.sleep(0)
    end.say(data)
    await scan


@pytest.mark.parametrize(
    ("line", "kg"),
    [
        (b"ST,+ 123.4 kg", 123.4),
        (b"US,  1000.0lb", 453.59237),
        (b"ST,0.05 KG", 0.05),
        (b"ST,123,4 kg", None),
        (b"ST,+9999.0 kg", None),
    ],
)
async def test_a_line_is_a_value_in_its_own_unit_with_its_age(line: bytes, kg: float | None, tmp_path: Path) -> None:
    async with far_end(tmp_path / "tty", silent) as end:
        wires = Field({"scale": scale(tmp_path / "tty")}, {})
        # The first line may have lost its beginning; the second counts.
        await say_when_open(end, wires, b"9.9 kg\r\n" + line + b"\r\n")
        wires.close()
    if kg is None:
        fault = wires.values["tote_mass"].fault if wires.values else wires.errors["scale"]
        assert "outside 0 … 2000" in fault or "fits the pattern; the last was" in fault
        return
    value = wires.values["tote_mass"]
    assert value.scaled == pytest.approx(kg)
    assert (value.text, value.fault) == (line.decode().strip(), "")
    assert 0 <= asyncio.get_running_loop().time() - value.at_s < 5


async def test_noise_and_half_lines_are_thrown_away(tmp_path: Path) -> None:
    async with far_end(tmp_path / "tty", silent) as end:
        wires = Field({"scale": scale(tmp_path / "tty", max_line=20)}, {})
        said = b"ST,1.0 kg\r\nST,2.0 kg\r\n\xff\x00ST,3.0 kg\r\n" + b"ST,4.0 kg" * 9 + b"\r\nST,5.0 k\r\n"
        await say_when_open(end, wires, said)
        assert wires.values["tote_mass"].scaled == 2.0
        end.say(b"ST,6.0 ")
        end.say(b"kg\r")
        end.say(b"\nST,7")
        async with asyncio.timeout(5):
            while wires.values["tote_mass"].scaled != 6.0:
                await asyncio.sleep(0)
                await wires.scan()
        wires.close()


async def test_a_scale_that_falls_silent_is_told_and_holds_no_scan(tmp_path: Path) -> None:
    async with far_end(tmp_path / "tty", silent) as end:
        wires = Field({"scale": scale(tmp_path / "tty")}, {})
        await say_when_open(end, wires, b"\r\nST,2.0 kg\r\n")
        assert wires.errors == {}
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(5):
            while not wires.errors:
                await asyncio.sleep(0.01)
                await wires.scan()
        began_s = loop.time()
        await wires.scan()
        assert loop.time() - began_s < TIMEOUT_S / 2
        assert "no line from" in wires.errors["scale"]
        end.say(b"ST,3.0 kg\r\n")
        await until_heard(wires)
        wires.close()
    assert wires.values["tote_mass"].scaled == 3.0


async def test_a_polled_scale_is_asked_once_a_scan_and_a_late_line_is_not_the_next(tmp_path: Path) -> None:
    count = 0
    delays_s = [0.0, 1.3 * TIMEOUT_S]

    async def answer(heard: bytes) -> bytes:
        nonlocal count
        assert heard == b"W\r"
        count += 1
        mine = count
        if delays_s:
            await asyncio.sleep(delays_s.pop(0))
        return b"ST,%d.0 kg\r\n" % mine

    async with far_end(tmp_path / "tty", answer) as end:
        wires = Field({"scale": scale(tmp_path / "tty", poll="W\r")}, {})
        await wires.scan()
        assert wires.values["tote_mass"].scaled == 1.0
        await wires.scan()
        assert "no line from" in wires.errors["scale"]
        await wires.scan()
        assert "silent for a moment" in wires.errors["scale"]
        await until_heard(wires)
        wires.close()
    assert wires.values["tote_mass"].scaled == 3.0
    assert len(end.heard) == 3


async def test_a_pulled_plug_and_a_new_one(tmp_path: Path) -> None:
    async def answer(_heard: bytes) -> bytes:
        return b"ST,5.0 kg\r\n"

    async with far_end(tmp_path / "tty", answer) as end:
        wires = Field({"scale": scale(tmp_path / "tty", poll="W")}, {})
        await wires.scan()
        assert wires.errors == {}
        end.unplug()
        await wires.scan()
        await wires.scan()
        assert "scale" in wires.errors
        end.plug()
        await until_heard(wires)
        wires.close()
    assert wires.values["tote_mass"].scaled == 5.0


async def test_two_fields_of_one_line_and_a_missing_one(tmp_path: Path) -> None:
    fields = {
        "weight": {"point": "tote_mass", "quantity": "kg", "scale": 2, "offset": -1},
        "temp": {"point": "fluid_temp", "quantity": "degC"},
    }
    async with far_end(tmp_path / "tty", silent) as end:
        wires = Field({"scale": scale(tmp_path / "tty", fields=fields)}, {})
        await say_when_open(end, wires, b"\r\nST,2.0 kg,-7\r\n")
        assert (wires.values["tote_mass"].scaled, wires.values["fluid_temp"].scaled) == (3.0, -7.0)
        end.say(b"ST,2.5 kg\r\n")
        async with asyncio.timeout(5):
            while wires.values["tote_mass"].scaled != 4.0:
                await asyncio.sleep(0)
                await wires.scan()
        wires.close()
    assert "is no number" in wires.values["fluid_temp"].fault


def test_lines_are_split_the_same_whole_or_byte_by_byte() -> None:
    said = b"cut off\r\none\r\n" + b"x" * 99 + b"\r\ntwo\r\n\r\nthree\r\nbegun"
    expected = [b"one", b"two", b"", b"three"]
    whole = Splitter(b"\r\n", 10, whole=False)
    assert whole.take(said) == expected
    crumbs = Splitter(b"\r\n", 10, whole=False)
    assert [line for byte in said for line in crumbs.take(bytes((byte,)))] == expected
