"""The trace of a virtual fill as one hash: what was read and noted in every tick, and the state where it turns.

Same seed, same program: same hash, in whatever process. Sets are written in order, so no hash seed shows through.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.control.decide import Decision
    from rig.control.values import Outputs

_PLAIN = (float, int, bool, str)


_NAMES: dict[type, tuple[str, ...] | None] = {}


def _names(kind: type) -> tuple[str, ...] | None:
    if kind not in _NAMES:
        _NAMES[kind] = tuple(each.name for each in fields(kind)) if is_dataclass(kind) else None
    return _NAMES[kind]


def canonical(value: object) -> str:
    """One text for one value: dataclasses by field, sets and mappings in order, floats to the last bit."""
    kind = type(value)
    if value is None or kind in _PLAIN:
        return repr(value)
    names = _names(kind)
    if names is not None:
        return "(" + ",".join([canonical(getattr(value, name)) for name in names]) + ")"
    return repr(value.value) if isinstance(value, Enum) else _collected(value)


def _collected(value: object) -> str:
    if isinstance(value, tuple | list):
        return "[" + ",".join(map(canonical, value)) + "]"
    if isinstance(value, set | frozenset):
        return "{" + ",".join(sorted(map(canonical, value))) + "}"
    if isinstance(value, dict):
        return "{" + ",".join(sorted(f"{canonical(k)}:{canonical(v)}" for k, v in value.items())) + "}"
    return repr(value)


class Trace:
    """Takes every decision in; ``digest`` is what they come to."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()
        self._outputs: Outputs | None = None

    def see(self, decision: Decision) -> None:
        """Take one tick in; the whole state where more was noted than how the fill gets on."""
        reading, outputs, entries = decision.facts.reading, decision.outputs, decision.entries
        parts: tuple[object, ...] = reading.now_s, reading.counts, reading.line_kpa, reading.tote_l, entries
        if outputs != self._outputs or any(entry.kind != "progress" for entry in entries):
            parts = *parts, reading, outputs, decision.prompt, decision.state
            self._outputs = outputs
        self._sha.update(canonical(parts).encode())

    @property
    def digest(self) -> str:
        """The hash so far."""
        return self._sha.hexdigest()
