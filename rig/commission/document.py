"""The configuration that the findings make: as a document, and as commented TOML that a person can read on. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from rig.commission.found import Keys, Known

_TABLES = ("rig", "clock", "meter", "pipe", "pump", "air_out", "limits", "air_tank", "tote")
"""Tables in the order in which they are written; links and points come after the first two."""
_BEFORE_LINKS = ("rig", "clock")
_USUAL, _QUICK = 9600, 38400
"""Speed of a bus, baud, whose scans take no longer than those of a network."""


def document_of(known: Known) -> dict[str, object]:
    """The configuration as a document."""
    links = {name: wire.keys(wire.link) for name, wire in known.wires.items()}
    used = {str(point["link"]) for point in known.points.values()}
    rig: Keys = {"data": "."}
    clock: dict[str, Keys] = {}
    if known.progress.simulated is not None:
        rig["simulated"] = True
        clock = {"clock": {"scale": known.progress.simulated}}
    tables = {**clock, **known.tables}
    tables["rig"] = {**rig, **tables.get("rig", {})}
    return {
        **tables,
        "links": {name: _at_its_pace(link) for name, link in links.items() if name in used},
        "points": dict(known.points),
    }


def _at_its_pace(link: Keys) -> Keys:
    """A link of the configuration: a slow bus may take its time for a scan."""
    slow = link["kind"] == "rtu" and int(str(link.get("baud", _USUAL))) < _QUICK
    return link | ({"late": "1 s"} if slow else {})


def toml_of(known: Known, heading: str) -> str:
    """The configuration as text, each value with the reason for it."""
    document, why = document_of(known), known.why
    lines = [f"# {line}" for line in heading.splitlines()]
    for table in _BEFORE_LINKS:
        lines += _table(table, document.get(table), why)
    links = document["links"]
    assert isinstance(links, dict)
    for name, link in links.items():
        lines += _table(f"links.{name}", link, why)
    lines += _points(document["points"], why)
    for table in _TABLES:
        if table not in _BEFORE_LINKS:
            lines += _table(table, document.get(table), why)
    return "\n".join(lines) + "\n"


def _table(name: str, keys: object, why: Mapping[str, str]) -> Iterator[str]:
    if not isinstance(keys, dict) or not keys:
        return
    yield ""
    yield f"[{name}]"
    for key, value in keys.items():
        reason = why.get(f"{name}.{key}", "")
        yield f"{key} = {_value(key, value)}{f'   # {reason}' if reason else ''}"


def _points(points: object, why: Mapping[str, str]) -> Iterator[str]:
    assert isinstance(points, dict)
    yield ""
    yield "# Addresses count from 0."
    yield "[points]"
    for name, point in points.items():
        reason = why.get(f"points.{name}", "")
        if reason:
            yield f"# {reason}"
        keys = ", ".join(f"{key} = {_value(key, value)}" for key, value in point.items())
        yield f"{name} = {{ {keys} }}"


def _value(key: str, value: object) -> str:
    """A value in TOML: its strings, numbers and lists are written like those of JSON, and a day without quotes."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(key, each) for each in value)}]"
    if isinstance(value, float) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return str(value) if key.endswith("_on") else json.dumps(value, ensure_ascii=False)
