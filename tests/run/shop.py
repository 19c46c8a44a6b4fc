"""A small real rig as a document, for tests that change one thing in it."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from rig.run.settings import Settings, SettingsError, settings_of


def number(table: str, address: int, kind: str, **more: object) -> dict[str, object]:
    return {"link": "io", "table": table, "address": address, "type": kind, **more}


REAL: dict[str, Any] = {
    "rig": {"name": "Bay 2"},
    "links": {"io": {"kind": "tcp", "host": "192.0.2.7", "port": 502}},
    "points": {
        "pump_run": {"link": "io", "table": "coil", "address": 0},
        "pump_reverse": {"link": "io", "table": "coil", "address": 1},
        "vent_valve": {"link": "io", "table": "coil", "address": 2},
        "output_timeout": number("holding", 0, "u16", scale=0.1, quantity="s"),
        "estop_ok": {"link": "io", "table": "discrete", "address": 0},
        "meter_count": number("input", 0, "u32"),
        "line_pressure": number("input", 2, "i16", scale=0.01, quantity="psi", low=-15, high=60),
        "tote_level": number("input", 3, "u16", scale=0.1, quantity="L"),
    },
    "meter": {"k_factor": "100 pulse/L"},
    "pipe": {"hose_volume": "3.9 L", "suction_volume": "1.5 L"},
    "pump": {"flow": "40 L/min"},
    "air_out": {"method": "vent"},
    "tote": {"content": "900 L"},
}
"""192.0.2.0/24 is kept for documentation (RFC 5737): nothing answers there."""

GONE = object()


def changed(changes: dict[str, object]) -> dict[str, Any]:
    """The rig with values set, by dotted key; ``GONE`` takes one out."""
    document = copy.deepcopy(REAL)
    for key, value in changes.items():
        *tables, last = key.split(".")
        table = document
        for name in tables:
            table = table.setdefault(name, {})
        if value is GONE:
            del table[last]
        else:
            table[last] = value
    return document


def settings(**changes: object) -> Settings:
    """The rig with changes, dots written as two underscores."""
    return settings_of(changed({key.replace("__", "."): value for key, value in changes.items()}), "shop.toml")


def mistakes(changes: dict[str, object]) -> list[str]:
    """The lines of the error that a changed rig meets, the file's name taken off."""
    with pytest.raises(SettingsError) as caught:
        settings_of(changed(changes), "shop.toml")
    lines = str(caught.value).splitlines()
    assert all(line.startswith("shop.toml: ") for line in lines), lines
    return [line.removeprefix("shop.toml: ") for line in lines]
