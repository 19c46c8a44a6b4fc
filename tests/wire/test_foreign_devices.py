"""Fills against a Modbus server of another make, npm package modbus-serial, with another map and other word orders."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from foreign_devices import node_server, null_modem, side_door, why_no_node
from serial_rigs import demo, fill, served

from rig.field.field import Field
from rig.run.settings import settings_of

MISSING = why_no_node()
pytestmark = pytest.mark.skipif(bool(MISSING), reason=MISSING)


def other_map(folder: Path) -> dict[str, Any]:
    """Three units, sparse addresses, floats and counters in every order but the usual one."""
    # The hops to the plant behind each request take longer than a wire, and a busy machine is late.
    document = demo(folder, speed=6)
    document["limits"]["late"] = "2 s"
    moved: dict[str, dict[str, object]] = {
        "pump_run": {"unit": 5, "address": 512},
        "pump_reverse": {"unit": 5, "address": 513},
        "vent_valve": {"unit": 5, "address": 520},
        "beacon": {"unit": 5, "address": 521},
        "output_timeout": {"unit": 5, "address": 4095, "type": "u16", "scale": 1, "quantity": "ms"},
        "meter_count": {"unit": 6, "table": "holding", "address": 1000, "type": "u32", "order": "DCBA"},
        "line_pressure": {"unit": 7, "table": "input", "address": 7, "type": "f32", "order": "CDAB", "scale": 1,
                          "quantity": "bar", "low": -1, "high": 4},
        "tote_level": {"unit": 7, "table": "input", "address": 9, "type": "f32", "order": "BADC", "scale": 1,
                       "quantity": "gal"},
        "fluid_temp": {"unit": 7, "address": 40, "type": "i16", "order": "BADC", "scale": 0.1, "quantity": "degF",
                       "low": -40, "high": 140},
    }  # fmt: skip
    for name, change in moved.items():
        document["points"][name] |= change
    return document


def all_in_registers(folder: Path) -> dict[str, Any]:
    """A device without coils or discretes: a register for each relay, a status word of which bits 2 and 9 are ours."""
    document = other_map(folder)
    for name, address in {"pump_run": 512, "pump_reverse": 513, "vent_valve": 520, "beacon": 521}.items():
        document["points"][name] |= {"table": "holding", "address": address}
    for name, bit in {"estop_ok": 2, "liquid_in_vent": 9}.items():
        document["points"][name] |= {"unit": 7, "table": "input", "address": 30, "bit": bit}
    document["points"]["liquid_in_vent"]["inverted"] = True
    return document


@pytest.mark.full
@pytest.mark.parametrize("mapped", [other_map, all_in_registers])
async def test_a_fill_against_a_server_in_node(tmp_path: Path, mapped: Callable[[Path], dict[str, Any]]) -> None:
    document = mapped(tmp_path)
    async with served(document) as (_settings, rig):
        endpoint = next(iter(rig.modules.spans)).endpoint
        async with side_door(rig, endpoint) as plant, node_server(plant) as port:
            document["links"]["io"]["port"] = port
            found = settings_of(document, "test")
            record = await fill(found)
            wires = Field(found.links, found.points)
            await wires.scan()
            wires.close()
        truth = rig.document()
    assert (record["outcome"], record["first_out"]) == ("complete", None)
    assert abs(record["net_l"] - float(str(truth["delivered_l"]))) <= max(0.005 * record["target_l"], 0.2)
    assert wires.errors == {}
    assert wires.values["fluid_temp"].scaled == pytest.approx(59.0)
    assert wires.values["tote_level"].scaled == pytest.approx(float(str(truth["tote_l"])) / 3.785411784, abs=0.01)


@pytest.mark.full
async def test_an_address_that_it_does_not_have_is_refused_and_the_rest_is_read(tmp_path: Path) -> None:
    document = other_map(tmp_path)
    async with served(document) as (_settings, rig):
        endpoint = next(iter(rig.modules.spans)).endpoint
        async with side_door(rig, endpoint) as plant, node_server(plant) as port:
            document["links"]["io"]["port"] = port
            document["points"]["strainer_dp"] = {"link": "io", "unit": 7, "table": "input", "address": 900,
                                                 "type": "u16", "quantity": "kPa"}  # fmt: skip
            found = settings_of(document, "test")
            wires = Field(found.links, found.points)
            await wires.scan()
            wires.close()
    assert "input 900 of unit 7" in wires.errors["io"]
    assert set(found.points) - set(wires.values) == {"strainer_dp"}


@pytest.mark.full
@pytest.mark.parametrize("mapped", [other_map, all_in_registers])
async def test_a_bus_served_by_node(tmp_path: Path, mapped: Callable[[Path], dict[str, Any]]) -> None:
    document = mapped(tmp_path)
    async with served(document) as (_settings, rig), null_modem(tmp_path / "here", tmp_path / "there"):
        endpoint = next(iter(rig.modules.spans)).endpoint
        async with side_door(rig, endpoint) as plant, node_server(plant, tmp_path / "there"):
            document["links"]["io"] = {
                "kind": "rtu",
                "port": str(tmp_path / "here"),
                "baud": 115200,
                "timeout": "0.5 s",
            }
            found = settings_of(document, "test")
            wires = Field(found.links, found.points)
            await wires.write({"pump_run": False, "vent_valve": True})
            await wires.write_number("output_timeout", 1500)
            await wires.scan()
            errors = wires.errors
            wires.close()
    assert errors == {}
    shown = {name: value.scaled for name, value in wires.values.items()}
    assert (shown["pump_run"], shown["vent_valve"], shown["output_timeout"]) == (0, 1, 1500)
    assert shown["fluid_temp"] == pytest.approx(59.0)
    assert shown["tote_level"] == pytest.approx(900 / 3.785411784, abs=0.5)
