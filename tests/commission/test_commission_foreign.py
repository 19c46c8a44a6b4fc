"""Commissioning on Modbus servers written by others: the npm package modbus-serial, and libmodbus in C."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from commissioned import RIGS, commissioned, hidden_rig
from foreign_devices import libmodbus_device, node_server, null_modem, side_door, why_no_node
from hidden import Hands
from test_commission_rigs import same_map

from rig.commission.dialogue import find_modules
from rig.commission.found import Known, Progress
from rig.commission.walk import Looking, wire_text
from rig.run.commissioning.session import Session
from rig.run.settings import load_settings

MISSING = why_no_node()


@pytest.mark.full
@pytest.mark.timeout(400)
@pytest.mark.skipif(bool(MISSING), reason=MISSING)
@pytest.mark.parametrize("name", ["16 bits that go round, bytes swapped, a float in bar"])
async def test_a_rig_behind_a_server_in_node(name: str, tmp_path: Path) -> None:
    """It answers as every unit, if only to refuse; the frames, checks and exceptions are the package's."""
    async with hidden_rig(name, tmp_path) as (rig, hands):
        endpoint = next(iter(rig.modules.spans)).endpoint
        async with side_door(rig, endpoint) as plant, node_server(plant) as port:
            hands.where = f"127.0.0.1:{port}"
            drawn = RIGS[name]
            drawn.units = range(1, 4)
            # A server that hides a dead bus behind an open connection: nobody sees the wire lost.
            ended = await commissioned(hands, tmp_path / "rig.toml", drawn)
        found = load_settings(tmp_path / "rig.toml")
        same_map(found, hands.settings)
    assert ended.whole
    wires = ended.progress.done["look"].wires
    assert [module.unit for module in wires["net1"].modules] == [1, 2]


@pytest.mark.full
async def test_the_places_of_a_device_in_c_are_found(tmp_path: Path) -> None:
    program = libmodbus_device(tmp_path)
    here, there = tmp_path / "here", tmp_path / "there"

    class Person(Hands):
        def __init__(self) -> None:
            self.asked, self.told = [], []

        async def ask(self, text: str, *_: object, **__: object) -> str:
            return "" if text.startswith(("Modbus TCP", "Is a place")) else str(here)

        def say(self, text: str) -> None:
            self.told.append(text)

    async with null_modem(here, there):
        device = await asyncio.create_subprocess_exec(program, there, stdout=asyncio.subprocess.PIPE)
        try:
            assert device.stdout is not None
            assert await asyncio.wait_for(device.stdout.readline(), 10) == b"ready\n"
            looking = Looking(patience_s=0.05, module_s=6.0, budget_s=25.0, units=(2, 3))
            session = Session(Person(), tmp_path / "rig.toml", "", Progress())
            found = await session.run(find_modules(Known(Progress(), "2026-11-29"), looking))  # type: ignore[arg-type]
        finally:
            device.kill()
            await device.wait()
    (module,) = found.wires["bus1"].modules  # type: ignore[attr-defined]
    spans = {span.table: (span.address, span.count) for span in module.spans}
    assert module.unit == 3
    assert spans == {"coil": (0, 16), "discrete": (0, 16), "holding": (0, 64), "input": (0, 64)}
    assert "unit 3" in wire_text("bus1", found.wires["bus1"])  # type: ignore[attr-defined]
