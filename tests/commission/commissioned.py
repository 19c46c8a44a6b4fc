"""Hidden rigs by name, and a whole commissioning at one of them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hidden import SPEED, Hands, document, hidden

from rig.commission.dialogue import Ended, commission
from rig.commission.found import Known, Progress
from rig.commission.walk import Looking
from rig.run.commissioning.bench import Bench
from rig.run.commissioning.session import Session
from sim.devices import Rig

TODAY = "2026-11-29"


def at(unit: int, table: str, address: int, kind: str = "bool", **more: object) -> dict[str, Any]:
    return {"link": "io", "unit": unit, "table": table, "address": address, "type": kind, **more}


def relays(unit: int, first: int = 0, table: str = "coil", *names: str) -> dict[str, Any]:
    names = names or ("pump_run", "pump_reverse", "vent_valve", "beacon")
    return {name: at(unit, table, first + number) for number, name in enumerate(names)}


def timeout(unit: int, address: int, scale: float = 0.1, quantity: str = "s") -> dict[str, Any]:
    return {"output_timeout": at(unit, "holding", address, "u16", scale=scale, quantity=quantity)}


def tank(unit: int, address: int, kind: str, **more: object) -> dict[str, Any]:
    return {
        "tank_pressure": at(unit, "input", address, kind, quantity="psi", low=0, high=160, accuracy="0.5 %", **more)
    }


TANK = {"air_tank": {"volume": "60 L", "rating": "145 psi"}}


def gauge(unit: int, table: str, address: int, kind: str, **more: object) -> dict[str, Any]:
    return {"line_pressure": at(unit, table, address, kind, quantity="psi", **more)}


@dataclass
class Drawn:
    """A hidden map, and what differs at this rig."""

    points: dict[str, Any]
    link: dict[str, Any] = field(default_factory=lambda: {"kind": "tcp", "port": 1})
    tables: dict[str, Any] = field(default_factory=dict)
    hands: dict[str, Any] = field(default_factory=dict)
    said: dict[str, Any] = field(default_factory=dict)
    units: range = range(1, 8)
    odd: dict[str, str] = field(default_factory=dict)
    """Tests that are not good here, and what is seen in them."""
    shown: Callable[[dict[str, Any]], bool] = lambda _points: True


RIGS = {
    "three units, words swapped": Drawn(
        relays(3, 0, "coil", "pump_run", "pump_reverse", "vent_valve", "beacon", "air_valve") | timeout(3, 40) | {
            "estop_ok": at(3, "discrete", 5), "meter_count": at(5, "input", 12, "u32", order="CDAB"),
            "tote_level": at(6, "input", 30, "u16", scale=0.1, quantity="L"),
        } | gauge(5, "input", 20, "i16", scale=0.01) | tank(6, 34, "u16", scale=0.01),
        tables=TANK,
    ),
    "16 bits that go round, bytes swapped, a float in bar": Drawn(
        relays(1, 512) | timeout(1, 4096, 1, "ms") | {
            "estop_ok": at(1, "discrete", 100), "meter_count": at(2, "holding", 7, "u16", order="BADC"),
            "line_pressure": at(2, "input", 300, "f32", order="CDAB", quantity="bar"),
        },
        hands={"begins": 65500},
    ),
    "two one-way counts the other way round, a status word, relays in registers": Drawn(
        relays(4, 10, "holding") | timeout(4, 30) | {
            "estop_ok": at(4, "input", 3, bit=9), "liquid_in_vent": at(4, "input", 3, bit=2, inverted=True),
            "meter_reverse_count": at(5, "input", 0, "u16"), "meter_count": at(5, "input", 1, "u16"),
        } | gauge(5, "input", 16, "i16", scale=0.05, offset=-14.5),
        shown=lambda points: points["liquid_in_vent"]["inverted"],
    ),
    "counts up both ways, a current loop, no input of the stop": Drawn(
        relays(2) | timeout(2, 0) | {"meter_count": at(7, "input", 0, "u32", order="DCBA")}
        | gauge(7, "input", 8, "u16", at=[4000, 20000], span=[0, 60]),
        tables={"meter": {"reverse": "unsigned"}},
        said={"Open to air it shows about 4000": "y"},
        shown=lambda points: points["line_pressure"]["current"] == "4..20 mA" and "estop_ok" not in points,
    ),
    "no time-out, drawn out through the hose, a meter that counts no return": Drawn(
        relays(1, 0, "coil", "pump_run", "pump_reverse") | {
            "estop_ok": at(1, "discrete", 0), "meter_count": at(1, "input", 40, "u32", order="BADC"),
        } | gauge(1, "input", 50, "i32", order="CDAB", scale=0.001) | tank(1, 60, "f32", order="BADC"),
        tables={"meter": {"reverse": "none"}, **TANK},
        said={"Did it drop within": "n"},
        odd={"Output time-out": "none", "Cable pulled": "DID NOT DROP"},
    ),
    "run and direction, auxiliary break contacts": Drawn(
        relays(3, 0, "coil", "motor_run", "motor_direction", "vent_valve") | timeout(3, 9) | {
            "motor_run_feedback": at(3, "discrete", 1, inverted=True),
            "motor_direction_feedback": at(3, "discrete", 2, inverted=True),
            "estop_ok": at(3, "discrete", 0), "meter_count": at(3, "input", 0, "u32"),
        } | gauge(3, "input", 4, "i16", scale=0.01),
        said={"net1 unit 3 discrete 1 followed": "y", "net1 unit 3 discrete 2 followed": "y"},
        shown=lambda points: points["motor_direction_feedback"]["inverted"],
    ),
    "a bus at 115200, units far up": Drawn(
        relays(17) | timeout(17, 64) | {"estop_ok": at(17, "discrete", 0), "meter_count": at(33, "input", 0, "u32")}
        | gauge(33, "input", 2, "i16", scale=0.01),
        link={"kind": "rtu", "baud": 115200}, units=range(16, 19),
    ),
    "a bus at 38400 with two stop bits, the meter's pair swapped": Drawn(
        relays(2) | timeout(2, 1) | {"estop_ok": at(2, "discrete", 3),
                                     "meter_count": at(3, "input", 5, "u32", order="CDAB")}
        | gauge(3, "input", 9, "f32", order="BADC"),
        link={"kind": "rtu", "baud": 38400, "stop_bits": 2}, units=range(2, 4), hands={"swapped": True},
    ),
    "a bus behind a gateway, a module that restores an old count": Drawn(
        relays(5) | timeout(5, 0) | {"estop_ok": at(5, "discrete", 0),
                                     "meter_count": at(6, "input", 0, "u32", order="CDAB")}
        | gauge(6, "input", 2, "i16", scale=0.01),
        link={"kind": "tcp", "port": 1, "framer": "rtu"}, hands={"power": "old", "begins": 70000},
        odd={"meter_count over a power loss": "AN OLD COUNT"},
    ),
}  # fmt: skip
"""Drawn by hand from what modules do; no product's map."""


async def commissioned(hands: Hands, config: Path, drawn: Drawn, progress: Progress | None = None) -> Ended:
    """Begin, or go on from a progress, until it ends."""
    speed = hands.settings.clock.scale
    progress = progress or Progress(simulated=speed)
    session = Session(hands, config, "Jo", progress, Bench(speed))
    serial = drawn.link["kind"] == "rtu"
    looking = Looking(patience_s=0.3, module_s=6.0 if serial else 1.5, units=tuple(drawn.units))
    return await session.run(commission(Known(progress, TODAY), looking))


@asynccontextmanager
async def hidden_rig(name: str, folder: Path, speed: float = SPEED) -> AsyncIterator[tuple[Rig, Hands]]:
    """A hidden rig, and a person who knows where its plug is."""
    drawn = RIGS[name]
    serial = drawn.link["kind"] == "rtu"
    link = drawn.link | ({"port": str(folder / "tty")} if serial else {})
    async with hidden(document({"io": link}, drawn.points, **drawn.tables), speed) as (rig, truth):
        where = str(folder / "tty") if serial else f"127.0.0.1:{rig.ports[0][1]}"
        yield rig, Hands(rig, truth, where, said={"A known can": "", **drawn.said}, **drawn.hands)
