"""Configurations for tests of the devices: the same plant behind different wirings."""

from __future__ import annotations

from typing import Any

from rig.run.settings import Settings, settings_of
from sim.assembly import plant_params
from sim.faults import Schedule, read_fault
from sim.modules import Modules
from sim.plant.whole import Plant

PIPEWORK: dict[str, Any] = {
    "rig": {"name": "Test rig", "simulated": True},
    "clock": {"scale": 100},
    "meter": {"k_factor": "100 pulse/L"},
    "pipe": {"hose_volume": "3.9 L", "suction_volume": "1.5 L"},
    "pump": {"flow": "40 L/min"},
    "air_out": {"method": "vent"},
    "tote": {"content": "900 L", "fluid": "water", "temperature": "15 degC"},
    "sim": {"size": "16.9-28", "start_pressure": "5 psi"},
}


def coil(address: int, **more: object) -> dict[str, object]:
    return {"link": "io", "table": "coil", "address": address, **more}


def number(table: str, address: int, kind: str, **more: object) -> dict[str, object]:
    return {"link": "io", "table": table, "address": address, "type": kind, **more}


def plain_map() -> dict[str, Any]:
    """A small map on one link."""
    return {
        "links": {"io": {"kind": "tcp", "port": 5020}},
        "points": {
            "pump_run": coil(0),
            "pump_reverse": coil(1),
            "vent_valve": coil(2),
            "hand_gun_on": coil(8),
            "hand_valve_open": coil(9),
            "output_timeout": number("holding", 0, "u16", scale=0.1, quantity="s"),
            "estop_ok": {"link": "io", "table": "discrete", "address": 0},
            "meter_count": number("input", 0, "u16"),
            "line_pressure": number("input", 1, "i16", scale=0.01, quantity="psi"),
            "tote_level": number("input", 2, "u16", scale=0.1, quantity="L"),
        },
    }


def crooked_map() -> dict[str, Any]:
    """Three units on two links, every byte order, scales, offsets, odd units, sparse addresses, two channels."""
    return {
        "links": {
            "io": {"kind": "tcp", "port": 5020, "max_gap": 4},
            "scale": {"kind": "tcp", "port": 5021},
        },
        "points": {
            "pump_run": coil(517, unit=3),
            "pump_reverse": coil(530, unit=3),
            "vent_valve": coil(531, unit=3),
            "hand_gun_on": coil(40000, unit=7),
            "hand_valve_open": coil(40001, unit=7),
            "output_timeout": number("holding", 4000, "u32", unit=3, order="CDAB", quantity="ms"),
            "estop_ok": {"link": "io", "unit": 7, "table": "discrete", "address": 33},
            "meter_count": number("holding", 100, "u32", unit=7, order="DCBA"),
            "meter_reverse_count": number("holding", 102, "u32", unit=7, order="BADC"),
            "flow_rate": number("input", 9, "f32", unit=7, order="CDAB", quantity="gpm"),
            "line_pressure": number("input", 12, "f32", unit=7, order="BADC", quantity="bar"),
            "tyre_pressure": number("input", 300, "u16", unit=7, order="BADC", scale=0.02, offset=-15, quantity="psi"),
            "tote_level": {
                "link": "scale", "unit": 1, "table": "input", "address": 2, "type": "i32", "order": "CDAB",
                "scale": 0.001, "quantity": "gal",
            },
            "fluid_temp": {
                "link": "scale", "unit": 1, "table": "input", "address": 9, "type": "i16", "scale": 0.1,
                "quantity": "degF",
            },
        },
    }  # fmt: skip


def settings(wiring: dict[str, Any], **tables: dict[str, object]) -> Settings:
    """A configuration; ``tables`` change keys of the pipework's tables."""
    document = {key: {**value, **tables.get(key, {})} for key, value in PIPEWORK.items()}
    return settings_of({**document, **wiring}, "test")


def modules_of(of: Settings, *faults: str) -> Modules:
    """The modules of a configuration without wires; every link is an endpoint of its own name."""
    plant = Plant(plant_params(of))
    gaps = {name: link.max_gap for name, link in of.links.items()}
    return Modules(plant, of.points, {n: n for n in of.links}, gaps, Schedule(read_fault(f) for f in faults))
