"""The demonstration rig with its wires changed: everything on an RS-485 bus, or the meter a scale on a serial line.

Simulated rig and controller share one loop; between them is a real pseudo-terminal.
"""

from __future__ import annotations

import tomllib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.run.assembly import Question
from rig.run.person import Person, Unattended
from rig.run.session import Errand, fill_wheel
from rig.run.settings import Settings, settings_of
from sim.devices import Rig, serve

ROOT = Path(__file__).resolve().parents[2]
SIZE = "11L-15"
SCALE = {
    "kind": "line",
    "pattern": r"(?:ST|US),[GN][ST],(?P<weight>[-+] *\d+\.\d) ?(?P<unit>kg|lb)",
    "example": "US,GS,+  2145.2 lb",
    "fields": {"weight": {"point": "tote_mass", "quantity": "kg", "unit_from": "unit"}},
}  # fmt: skip


def demo(folder: Path, speed: float = 40, layout: str = "demo.toml") -> dict[str, Any]:
    """The demonstration configuration as a document, its records in ``folder``."""
    document = tomllib.loads((ROOT / "config" / layout).read_text(encoding="utf-8"))
    document["rig"]["data"] = str(folder / "rig-data")
    document["clock"]["scale"] = speed
    document["sim"]["size"] = SIZE
    # What the demonstration's pulse meter was proven to says nothing of other kinds.
    del document["meter"]["uncertainty"]
    return document


def on_a_bus(folder: Path, **more: object) -> dict[str, Any]:
    """Every device on one RS-485 bus, two units, and 32-bit words swapped.

    A scan of the bus takes some 20 ms: at 8 times real time that is a sixth of a second, as on a slow real bus.
    """
    document = demo(folder, speed=8)
    document["links"] = {"io": {"kind": "rtu", "port": str(folder / "bus"), "baud": 115200, "timeout": "0.3 s", **more}}
    for name in ("meter_count", "line_pressure", "tote_level", "fluid_temp"):
        document["points"][name] |= {"unit": 17}
    document["points"]["meter_count"]["order"] = "CDAB"
    return document


def with_a_scale(folder: Path, **more: object) -> dict[str, Any]:
    """The demonstration rig without a meter: the tote stands on a scale."""
    document = demo(folder)
    document["links"]["io"]["port"] = 1
    document["links"]["scale"] = {**SCALE, "port": str(folder / "scale"), **more}
    del document["points"]["meter_count"]
    document["meter"] = {"kind": "scale", "division": "0.2 lb", "proven_on": "2026-11-02"}
    return document


@asynccontextmanager
async def served(document: dict[str, Any], paced: bool = False) -> AsyncIterator[tuple[Settings, Rig]]:
    """The simulated rig running, and the settings that find it."""
    rig = await serve(settings_of(document, "test"), port=0, paced=paced)
    tcp = [link for link in document["links"].values() if link["kind"] == "tcp"]
    for link, (_host, port) in zip(tcp, rig.ports, strict=True):
        link["port"] = port
    try:
        yield settings_of(document, "test"), rig
    finally:
        await rig.close()


Watch = Callable[[Setup, Decision], None]


async def fill(
    settings: Settings, watch: Watch = lambda _setup, _decision: None, person: Person | None = None
) -> dict[str, Any]:
    """One whole fill, its prompts answered."""
    errand, whoever = Errand(Question(SIZE), "test"), person or Unattended("test", go_on=True)
    return (await fill_wheel(settings, errand, whoever, watch)).document()
