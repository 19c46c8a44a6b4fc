"""Switch everything off before anything slow is read: the first action of a command that finds an interrupted fill.

An interrupted fill may have left the pump on. Nothing here waits for units, checks or the book: links and outputs
are taken from the configuration unchecked. What cannot be read here is reported by the command that follows.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import sqlite3
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from pydantic import ValidationError

from rig.field.field import Field
from rig.field.links import BusLink, RtuLink
from rig.field.modbus import FieldError
from rig.field.points import Point, TcpLink
from rig.ledger.lock import LockedError, RigLock, serial_ends, tcp_ends
from rig.ledger.readonly import open_read_only

_DATA = Path("rig-data")
_OUTPUTS = ("pump_run", "pump_reverse", "motor_run", "vent_valve", "fill_valve", "flush_valve", "air_valve", "beacon",
            "heartbeat")  # fmt: skip
"""A direction output is not included: the pump may still turn."""
_OF_A_FILL = frozenset({"resume", "close"})
"""Commands that name a fill and use the configuration it was started with."""
_NOT_NEEDED = {"timeout", "turnaround", "max_gap", "late", "scan", "stale"}
_SECONDS = re.compile(r"\s*(\d+\.?\d*)\s*(ms|s)\s*")
_NOT_READ = (OSError, ValueError, KeyError, TypeError, sqlite3.Error)


def off_first(words: Sequence[str]) -> None:
    """Switch every output off if ``words``, a command that works the pump, name a rig with an unfinished fill.

    Never raises: a failure is reported by the command itself. A rig in use by another controller is left alone.
    """
    with contextlib.suppress(*_NOT_READ, ValidationError, LockedError, FieldError):
        config = _config(words)
        document = tomllib.loads(config.read_text(encoding="utf-8"))
        folder = config.parent / str(document["rig"].get("data", "rig-data"))
        if _unfinished(folder):
            links = {name: _link(keys) for name, keys in document["links"].items() if keys["kind"] != "line"}
            points = {name: Point(**document["points"][name]) for name in _OUTPUTS if name in document["points"]}
            with RigLock(folder, set().union(*map(_ends, links.values())), str(config)):
                asyncio.run(_off(links, points))


def _config(words: Sequence[str]) -> Path:
    for word, following in zip(words, [*words[1:], ""], strict=True):
        if word == "--config" or word.startswith("--config="):
            return Path(word.partition("=")[2] or following)
    if words[0] in _OF_A_FILL:
        for fill_id, about in _rows(_DATA, "SELECT fill_id, about FROM fills WHERE record IS NULL"):
            if fill_id in words:
                return Path(json.loads(about)["config"])
    return _DATA / "rig.toml"


def _unfinished(folder: Path) -> bool:
    return bool(_rows(folder, "SELECT fill_id FROM fills WHERE record IS NULL"))


def _rows(folder: Path, query: str) -> list[tuple[str, ...]]:
    with contextlib.closing(open_read_only(folder / "journal.sqlite")) as journal:
        return journal.execute(query).fetchall()


def _link(keys: Mapping[str, object]) -> BusLink:
    plain = {name: value for name, value in keys.items() if name not in _NOT_NEEDED}
    link = TcpLink.model_validate(plain) if keys["kind"] == "tcp" else RtuLink.model_validate(plain)
    found = _SECONDS.fullmatch(str(keys.get("timeout", "")))
    if found is None:
        return link
    return link.model_copy(update={"timeout": float(found[1]) / (1000 if found[2] == "ms" else 1)})


def _ends(link: BusLink) -> set[str]:
    return tcp_ends(link.host, link.port) if isinstance(link, TcpLink) else serial_ends(link.port)


async def _off(links: Mapping[str, BusLink], points: Mapping[str, Point]) -> None:
    field = Field(links, points)
    with contextlib.closing(field):
        await field.write(dict.fromkeys(points, False))
