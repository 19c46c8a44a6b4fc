"""Recordings of virtual fills for the tests, made by the recorder that works beside the loop."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rig.control.decide import Decision
from rig.control.snapshot import fill_record
from rig.control.state import FillState
from rig.control.values import Reading, Request, Setup
from rig.record.work import Software
from rig.run.black_box import BlackBox, TakenUp, head_of

HERE = Software("1.0", "0123456789abcdef")
AT = "2026-11-29T10:00:00+00:00"


def box_at(
    path: Path,
    setup: Setup,
    state: FillState,
    software: Software = HERE,
    *,
    taken_up: TakenUp | None = None,
    wall: Callable[[], float] = time.monotonic,
) -> BlackBox:
    # A virtual fill is faster than any disk.
    head = partial(head_of, setup, state, 1.0, software, "c0ffee", AT, taken_up)
    return BlackBox(path, head, most_waiting=10**9, wall=wall)


@dataclass
class Taped:
    """Records a virtual fill into a folder, a part for each stretch that the same state runs through."""

    folder: Path
    setup: Setup
    software: Software = HERE
    part: int = 0
    box: BlackBox | None = None
    last: FillState | None = None
    dark: TakenUp | None = None

    def taken_up(self, state: FillState, reading: Reading, ran_s: float) -> None:
        self.dark = TakenUp(state, reading, ran_s)

    def scan(self, before: FillState, reading: Reading, requests: Sequence[Request], decision: Decision) -> None:
        if self.box is None or before is not self.last:
            self.close()
            self.part += 1
            path = self.folder / f"{self.setup.fill_id}.{self.part}.box.gz"
            self.box, self.dark = box_at(path, self.setup, before, self.software, taken_up=self.dark), None
        self.box.scan(reading, requests, decision)
        self.last = decision.state

    def close(self) -> None:
        if self.box is not None:
            assert self.last is not None
            self.box.close(fill_record(self.setup, self.last))
            assert not self.box.fault
        self.box = None

    @property
    def parts(self) -> list[Path]:
        return [self.folder / f"{self.setup.fill_id}.{number}.box.gz" for number in range(1, self.part + 1)]
