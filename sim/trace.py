"""The trace of a virtual fill as one hash: readings and notes of every tick, and the state at changes.

The same seed and program give the same hash in any process. Sets are written in order, so the hash seed has no effect.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from rig.control.words.canonical import canonical

if TYPE_CHECKING:
    from rig.control.moves.decide import Decision
    from rig.control.words.values import Outputs


class Trace:
    """Hash of all decisions; ``digest`` is the result."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()
        self._outputs: Outputs | None = None

    def see(self, decision: Decision) -> None:
        """Add one tick, with the whole state where outputs changed or more than progress was noted."""
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
