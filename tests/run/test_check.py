"""`rig check`: every configuration explained, offline and against a device that is there or not."""

from __future__ import annotations

import asyncio
import json
import socket
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from shop import GONE, number, settings

from rig.cli import main
from rig.record.work import MeterKind
from rig.run.check import check_text
from rig.run.live import snapshot
from rig.run.settings import SettingsError, settings_of
from sim.devices import serve

FOLDER = Path(__file__).parents[2] / "config"
CONFIGS = sorted(FOLDER.glob("demo*.toml"))
EXAMPLES = sorted(set(FOLDER.glob("*.toml")) - {*CONFIGS, FOLDER / "prices.toml"})


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_the_command_explains_what_comes_along(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", str(path)]) == 0
    text = capsys.readouterr().out
    assert "simulated rig, air out by" in text
    assert "pump_run" in text
    assert main(["check", "--json", "--config", str(path)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["simulated"] is True
    assert {"pump_run", "meter_count"} <= set(document["points"])


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
async def test_an_example_of_a_real_rig_is_sound_and_its_map_is_read(path: Path, tmp_path: Path) -> None:
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    assert "REAL rig" in check_text(settings_of(document, path.name))[1]
    for name, link in document["links"].items():
        # A pseudo-terminal has no parity.
        link.update({"host": "127.0.0.1"} if link["kind"] == "tcp" else {"port": str(tmp_path / name), "parity": "N"})
    rig = await serve(settings_of(document, path.name), port=0)
    for link in document["links"].values():
        link.update({"port": rig.ports[0][1]} if link["kind"] == "tcp" else {})
    picture = await snapshot(settings_of(document, path.name))
    await rig.close()
    text, points = picture.text, picture.document["points"]
    assert isinstance(points, dict)
    assert all(not point["fault"] for point in points.values()), text
    # The column from gauge to valve, under a psi, once the simulated gauge has followed.
    assert points["line_pressure"]["value"] == pytest.approx(0.0, abs=1.0)
    if "tote_mass" in points:
        assert points["tote_mass"]["text"].startswith("US,GS,+")
        # 250 gal of water at 15 degC: 945.5 kg, and a thousandth less on a scale in air.
        assert points["tote_mass"]["value"] == pytest.approx(945.5 * 0.9989, rel=1e-3)


def test_a_wrong_configuration_ends_with_2_and_says_what_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "shop.toml"
    text = CONFIGS[0].read_text(encoding="utf-8")
    path.write_text(text.replace('relief = "30 psi"', 'relief = "30"'), encoding="utf-8")
    assert main(["check", "--config", str(path)]) == 2
    heard = capsys.readouterr()
    assert heard.out == ""
    assert f"{path}: pump.relief: '30' has no unit: write a pressure with its unit, for example 18 psi" in heard.err


def test_what_the_rig_cannot_check_is_said() -> None:
    document, text = check_text(settings(points__estop_ok=GONE, points__output_timeout=GONE, points__tote_level=GONE))
    missing = document["missing"]
    assert isinstance(missing, dict)
    assert set(missing) == {"estop_ok", "output_timeout", "tote_level", "fluid_temp", "liquid_in_vent", "tyre_pressure"}
    assert "without output_timeout: the rig cannot arm the relay module's own time-out" in text
    assert "without estop_ok: the rig cannot see the emergency stop" in text
    assert "REAL rig, air out by vent" in text
    assert "NOT PROVEN" in text


def test_requests_of_one_scan_are_counted() -> None:
    # Four tables of one unit, each near together.
    assert check_text(settings())[0]["requests_per_scan"] == 4
    far = number("input", 500, "u16", quantity="psi")
    assert check_text(settings(points__tyre_pressure=far))[0]["requests_per_scan"] == 5


async def test_live_reads_every_point() -> None:
    bits = SimData(0, values=[True] + [False] * 15, datatype=DataType.BITS)
    words = SimData(0, values=[20, 1, 1800, 9000, *[0] * 12], datatype=DataType.REGISTERS)
    server = ModbusTcpServer(SimDevice(1, simdata=([bits], [bits], [words], [words])), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    assert isinstance(server.transport, asyncio.Server)
    host, port = server.transport.sockets[0].getsockname()
    of = settings(links__io={"kind": "tcp", "host": host, "port": port})
    picture = await snapshot(of)
    await server.shutdown()  # type: ignore[no-untyped-call]
    text, points = picture.text, picture.document["points"]
    assert isinstance(points, dict)
    assert set(points) == set(of.points)
    assert points["line_pressure"]["value"] == pytest.approx(18.0)
    assert points["meter_count"]["registers"] == [20, 1]
    assert points["output_timeout"] == {
        "value": 2.0, "unit": "s", "registers": [20], "age_s": points["output_timeout"]["age_s"], "fault": "",
        "rate": 0.0,
    }  # fmt: skip
    assert "[1800]" in text


async def test_live_says_when_nobody_answers() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    picture = await snapshot(settings(links__io={"kind": "tcp", "port": port, "timeout": "50 ms"}))
    assert f"io: nothing answers at 127.0.0.1:{port}" in picture.text
    assert len(picture.failing) == len(picture.points)


def test_a_bus_that_cannot_keep_its_limit_is_told_before_any_fill() -> None:
    # Four reads of 13 bytes and more, 11 bits a byte (serial line guide V1.02, section 2.5.1): 843 ms at 1200 baud.
    slow = {"kind": "rtu", "port": "/dev/ttyS9", "baud": 2400, "parity": "E"}
    with pytest.raises(SettingsError, match=r"links.io.late: this bus takes 843 ms for its points at 1200 baud"):
        settings(links__io={**slow, "baud": 1200})
    with pytest.raises(SettingsError, match=r"links.io.late: this bus takes 105 ms .* and may take 100 ms"):
        settings(links__io={**slow, "baud": 9600, "late": "100 ms"})
    assert settings(links__io={**slow, "baud": 19200, "late": "100 ms"}).late_s == 0.1
    assert settings(links__io={**slow, "baud": 1200, "late": "1 s"}).late_s == 1.0
    document, text = check_text(settings(links__io=slow))
    assert "Link io: a scan takes" in text
    assert "its limit is 700 ms" in text
    cautions = document["cautions"]
    assert isinstance(cautions, list)
    assert any("links.io.late" in each for each in cautions)
    assert "a scan takes" not in check_text(settings(links__io={**slow, "baud": 115200}))[1]


def test_a_bus_with_a_pace_of_its_own_has_limits_of_its_own_and_the_rig_keeps_its_own() -> None:
    bus = {"kind": "rtu", "port": "/dev/ttyS9", "late": "1.5 s", "scan": "2 s"}
    level = {**number("input", 3, "u16", scale=0.1, quantity="L"), "link": "bus"}
    of = settings(links__bus=bus, points__tote_level=level)
    assert (of.late_s, of.stale_s) == (0.7, 1.0), "what a slow bus may take is no matter of the others"
    assert of.own_stale_s == {"tote_level": 3.5}
    assert "tote_level" in of.unhurried
    assert "tote_level" not in of.brought
    assert "read every 2 s" in check_text(of)[1]
    longer = settings(links__bus={**bus, "stale": "8 s"}, points__tote_level=level)
    assert longer.own_stale_s == {"tote_level": 8.0}
    with pytest.raises(SettingsError, match=r"links.bus.stale: its points may be 3.5 s old when all is well"):
        settings(links__bus={**bus, "stale": "2 s"}, points__tote_level=level)
    for needed in ("meter_count", "line_pressure", "estop_ok", "pump_run"):
        with pytest.raises(SettingsError, match=rf"links.io.scan: points.{needed} is needed in every scan"):
            settings(links__io={"kind": "tcp", "scan": "1 s"})


def test_the_limits_of_the_rig_are_those_of_its_slowest_link() -> None:
    of = settings(links__io={"kind": "rtu", "port": "/dev/ttyS9", "late": "1.5 s"})
    assert (of.late_s, of.stale_s, of.late_of("io")) == (1.5, 1.5, 1.5)
    assert (settings().late_s, settings().stale_s) == (0.7, 1.0)


@pytest.mark.parametrize("kind", get_args(MeterKind))
def test_every_kind_of_meter_has_its_words(kind: str) -> None:
    """A rig by its tote's level ended in a KeyError."""
    document = tomllib.loads((FOLDER / "demo.toml").read_text(encoding="utf-8"))
    document["meter"] |= {"kind": kind} | ({"reverse": "none"} if kind == "run time" else {})
    document["points"]["meter_total"] = {**document["points"]["tote_level"], "address": 40}
    document["points"]["tote_mass"] = {**document["points"]["tote_level"], "address": 41, "quantity": "kg"}
    document["points"]["flow_rate"] = {**document["points"]["tote_level"], "address": 42, "quantity": "L/min"}
    assert "; meter " in check_text(settings_of(document, "demo"))[1]
