"""The trace of a virtual fill as one hash: every reading, every output, every entry and the state beside it.

Same seed, same program: same hash, in whatever process. Sets are written in order, so no hash seed shows through.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.control.decide import Decision

_PLAIN = (float, int, bool, str)


def canonical(value: object) -> str:
    """One text for one value: dataclasses by field, sets and mappings in order, floats to the last bit."""
    if value is None or type(value) in _PLAIN:
        return repr(value)
    if isinstance(value, Enum):
        return repr(value.value)
    if isinstance(value, type) or not is_dataclass(value):
        return _collected(value)
    return "(" + ",".join([canonical(getattr(value, each.name)) for each in fields(value)]) + ")"


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

    def see(self, decision: Decision) -> None:
        """Take one tick in; the whole state where something was noted, which is once a second at least."""
        parts: tuple[object, ...] = decision.facts.reading, decision.outputs, decision.entries, decision.prompt
        if decision.entries:
            parts = *parts, decision.state
        self._sha.update(canonical(parts).encode())

    @property
    def digest(self) -> str:
        """The hash so far."""
        return self._sha.hexdigest()
