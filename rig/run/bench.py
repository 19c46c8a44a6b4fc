"""A proving run by run between the controller and a face: what is asked between two runs, and what was answered.

A mailbox and nothing more: the runs are made in rig.run.prover, the verdict is the meter room's. It must not know
pages.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import Literal

from rig.run.prover import Counted, Seen

Asks = Literal["", "reading", "verdict"]


@dataclass(frozen=True, slots=True)
class Proof:
    """How far a proving is."""

    runs: int
    run: int = 0
    """The one under way, or to be read; 0 only wets the vessel."""
    asks: Asks = ""
    counted: Counted | None = None
    """Of the run whose vessel is to be read."""
    document: dict[str, object] | None = None
    """The verdict, once it is judged."""


class Bench:
    """The proving under way, if there is one. Any thread may ask and answer."""

    def __init__(self) -> None:
        self.proof: Proof | None = None
        self._seen: Seen | None = None
        self._accepted: bool | None = None
        self._lock = threading.Lock()

    def begins(self, runs: int) -> None:
        """A proving begins."""
        self._turn(Proof(runs))

    def asks_reading(self, run: int, counted: Counted) -> None:
        """A run is counted: what does the vessel show?"""
        if self.proof is not None:
            self._turn(replace(self.proof, run=run, asks="reading", counted=counted))

    def goes_on(self) -> None:
        """What was asked is answered."""
        if self.proof is not None:
            self._turn(replace(self.proof, asks=""))

    def asks_verdict(self, document: dict[str, object]) -> None:
        """All runs are read and judged: is the factor taken?"""
        if self.proof is not None:
            self._turn(replace(self.proof, asks="verdict", document=document))

    def ends(self) -> None:
        """The proving is kept, or given up."""
        self._turn(None)

    def _turn(self, proof: Proof | None) -> None:
        with self._lock:
            self.proof, self._seen, self._accepted = proof, None, None

    def read(self, seen: Seen) -> bool:
        """A person's reading; false where none is asked for."""
        with self._lock:
            asked = self.proof is not None and self.proof.asks == "reading"
            self._seen = seen if asked else None
            return asked

    def accept(self, *, taken: bool) -> bool:
        """A person's answer to the verdict; false where none is asked for."""
        with self._lock:
            asked = self.proof is not None and self.proof.asks == "verdict"
            self._accepted = taken if asked else None
            return asked

    @property
    def seen(self) -> Seen | None:
        """The reading that was given to what is asked now."""
        return self._seen

    @property
    def accepted(self) -> bool | None:
        """The answer that was given to the verdict."""
        return self._accepted
