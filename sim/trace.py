"""The trace of a virtual fill as one hash: what was read and noted in every tick, and the state where it turns.

Same seed, same program: same hash, in whatever process. Sets are written in order, so no hash seed shows through.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.control.decide import Decision
    from rig.control.values import Outputs


def canonical(value: object) -> str:
    """One text for one value: dataclasses by field, sets and mappings in order, floats to the last bit."""
    return _writer(type(value))(value)  # type: ignore[arg-type]  # every type is hashable


@cache
def _writer(kind: type) -> Callable[[Any], str]:
    """How the values of one type are written."""
    if is_dataclass(kind):
        parts = [attrgetter(each.name) for each in fields(kind)]
        return lambda value: "(" + ",".join([canonical(part(value)) for part in parts]) + ")"
    if issubclass(kind, Enum):
        return lambda value: repr(value.value)
    if issubclass(kind, tuple | list):
        return lambda value: "[" + ",".join(map(canonical, value)) + "]"
    if issubclass(kind, set | frozenset):
        return lambda value: "{" + ",".join(sorted(map(canonical, value))) + "}"
    if issubclass(kind, dict):
        return lambda value: "{" + ",".join(sorted(f"{canonical(k)}:{canonical(v)}" for k, v in value.items())) + "}"
    return repr


class Trace:
    """Takes every decision in; ``digest`` is what they come to."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()
        self._outputs: Outputs | None = None

    def see(self, decision: Decision) -> None:
        """Take one tick in; the whole state where more was noted than how the fill gets on."""
        reading, outputs, entries = decision.facts.reading, decision.outputs, decision.entries
        counts = ",".join(map(repr, reading.counts))
        text = f"[{reading.now_s!r},[{counts}],{reading.line_kpa!r},{reading.tote_l!r},{canonical(entries)}"
        turned = outputs is not self._outputs and outputs != self._outputs
        if turned or (entries and any(entry.kind != "progress" for entry in entries)):
            text = ",".join((text, *map(canonical, (reading, outputs, decision.prompt, decision.state))))
            self._outputs = outputs
        self._sha.update(f"{text}]".encode())

    @property
    def digest(self) -> str:
        """The hash so far."""
        return self._sha.hexdigest()
