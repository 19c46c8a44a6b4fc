"""A proving run by run between the controller and a front end: the question between two runs, and its answer.

A mailbox only: the runs are made in rig.run.prover, the verdict in the meter room. It must not know
pages.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import Literal

from rig.meter.references import Can, Scale
from rig.record.base import Document
from rig.run.prover import Counted, Seen

Asks = Literal["", "reading", "verdict"]


@dataclass(frozen=True, slots=True)
class Proof:
    """Progress of a proving."""

    runs: int
    reference: Can | Scale
    tare: str
    """As typed: a reading by weight includes it."""
    run: int = 0
    """The run under way, or to be read; 0 only wets the vessel."""
    asks: Asks = ""
    counted: Counted | None = None
    """The count of the run whose vessel is to be read."""
    document: Document | None = None
    """The verdict, once it is judged."""


class Bench:
    """The proving under way, if there is one. Any thread may ask and answer."""

    def __init__(self) -> None:
        self.proof: Proof | None = None
        self._seen: Seen | None = None
        self._accepted: bool | None = None
        self._lock = threading.Lock()

    def begins(self, runs: int, reference: Can | Scale, tare: str) -> None:
        """Note that a proving begins."""
        self._turn(Proof(runs, reference, tare))

    def asks_reading(self, run: int, counted: Counted) -> None:
        """Ask for the vessel's reading after a counted run."""
        if self.proof is not None:
            self._turn(replace(self.proof, run=run, asks="reading", counted=counted))

    def goes_on(self) -> None:
        """Note that the question is answered."""
        if self.proof is not None:
            self._turn(replace(self.proof, asks=""))

    def asks_verdict(self, document: Document) -> None:
        """Ask whether the factor is accepted, all runs being read and judged."""
        if self.proof is not None:
            self._turn(replace(self.proof, asks="verdict", document=document))

    def ends(self) -> None:
        """Note that the proving is stored, or given up."""
        self._turn(None)

    def _turn(self, proof: Proof | None) -> None:
        with self._lock:
            self.proof, self._seen, self._accepted = proof, None, None

    def read(self, seen: Seen) -> bool:
        """Take a person's reading; false if none is requested."""
        with self._lock:
            asked = self.proof is not None and self.proof.asks == "reading"
            self._seen = seen if asked else None
            return asked

    def accept(self, *, taken: bool) -> bool:
        """Take a person's answer to the verdict; false if none is requested."""
        with self._lock:
            asked = self.proof is not None and self.proof.asks == "verdict"
            self._accepted = taken if asked else None
            return asked

    @property
    def seen(self) -> Seen | None:
        """The reading given to the present question."""
        return self._seen

    @property
    def accepted(self) -> bool | None:
        """The answer given to the verdict."""
        return self._accepted
