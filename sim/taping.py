"""Virtual fills recorded by the recorder that works beside the loop, and replayed."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from sim.compiled import is_compiled, restore_field_types

if is_compiled():
    restore_field_types()

from rig.control.moves.snapshot import fill_record
from rig.record.work import Software
from rig.run.black_box import BlackBox, TakenUp, head_of
from rig.run.replaying import Replay, replay

if TYPE_CHECKING:
    from types import TracebackType

    from rig.control.belief.state import FillState
    from rig.control.moves.decide import Decision
    from rig.control.words.values import Reading, Request, Setup

HERE = Software("1.0", "0123456789abcdef")
"""The program that records and replays, by a name of its own: only "the same" matters."""
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
    """A recording that takes every scan, since a virtual fill is faster than any disk."""
    head = partial(head_of, setup, state, 1.0, software, "c0ffee", AT, taken_up)
    return BlackBox(path, head, most_waiting=10**9, wall=wall)


@dataclass
class FileTape:
    """Records a virtual fill into a folder, a part for each stretch that the same state runs through."""

    folder: Path
    setup: Setup
    software: Software = HERE
    _parts: int = 0
    _box: BlackBox | None = None
    _last: FillState | None = None
    _dark: TakenUp | None = None

    def taken_up(self, state: FillState, reading: Reading, ran_s: float) -> None:
        """An interruption: the next scan begins a part."""
        self._dark = TakenUp(state, reading, ran_s)

    def scan(self, before: FillState, reading: Reading, requests: Sequence[Request], decision: Decision) -> None:
        """Record one scan."""
        if self._box is None or before is not self._last:
            self.close()
            self._parts += 1
            self._box = box_at(self.parts[-1], self.setup, before, self.software, taken_up=self._dark)
            self._dark = None
        self._box.scan(reading, requests, decision)
        self._last = decision.state

    def close(self) -> None:
        """End the part; RuntimeError if it is not on the disk as a whole."""
        box, self._box = self._box, None
        if box is not None and self._last is not None:
            box.close(fill_record(self.setup, self._last))
            if box.fault:
                raise RuntimeError(box.fault)

    @property
    def parts(self) -> list[Path]:
        """The files, in the order of their stretches."""
        return [self.folder / f"{self.setup.fill_id}.{number}.box.gz" for number in range(1, self._parts + 1)]


@dataclass
class Recorded:
    """Records the fill of a campaign into a temporary folder; ``of`` makes its tape."""

    _folder: TemporaryDirectory[str] = field(default_factory=TemporaryDirectory)
    _tape: FileTape | None = None

    def __enter__(self) -> Recorded:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._folder.cleanup()

    def of(self, setup: Setup) -> FileTape:
        """The tape of this fill."""
        self._tape = FileTape(Path(self._folder.name), setup)
        return self._tape

    def replayed(self) -> Replay | None:
        """The fill replayed; None if nothing was recorded."""
        if self._tape is None:
            return None
        self._tape.close()
        return replay(self._tape.parts, HERE) if self._tape.parts else None
