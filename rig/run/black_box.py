"""The recorder of every scan: a thread of its own writes what the loop hands over, so that no disk delays a scan.

A disk that is full or fails ends the recording and nothing else; ``fault`` says why. The module must not know the loop.
"""

from __future__ import annotations

import contextlib
import json
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from queue import SimpleQueue
from threading import Thread

from rig.control.belief.state import FillState
from rig.control.moves.decide import Decision
from rig.control.words.canonical import canonical
from rig.control.words.values import Reading, Request, Setup
from rig.ledger.black_box import BoxFile, hash_of, new_part, parts_of, prune
from rig.record.base import Document
from rig.record.work import Counted, Software, Work
from rig.run.recorder import frozen
from rig.run.scans import Writer, line_of
from rig.run.settings import Settings

FORMAT = 1
"""Version of the format of a part; increment it when the meaning of a key changes."""
STOPPED = "black box stopped"
"""Mark of a record whose recording broke off."""
_FLUSH_S, _DURABLE_S = 2.0, 10.0
"""Interval of handing the lines to the system, and of waiting for the disk: what a kill, a power failure costs."""
_MOST_WAITING = 6000
"""Scans that may wait for the disk: ten minutes of a usual rig. Assumed, no source."""
_CLOSE_S = 5.0


@dataclass(frozen=True, slots=True)
class TakenUp:
    """How an interrupted fill was taken up: what :func:`rig.control.moves.recover.recovered` was given."""

    state: FillState
    """The journal's."""
    reading: Reading
    ran_s: float


_Item = tuple[Reading, tuple[Request, ...], Decision | None, str]


def digest(state: FillState) -> str:
    """A sum of every bit of a state, hex."""
    return f"{zlib.crc32(canonical(state).encode()):08x}"


def head_of(
    setup: Setup,
    state: FillState,
    scale: float,
    software: Software,
    config_hash: str,
    at: str,
    taken_up: TakenUp | None = None,
) -> Document:
    """The first line of a part: all that the decisions start from."""
    return {
        "taken_up": None
        if taken_up is None
        else {
            "state": json.loads(frozen(taken_up.state)),
            "reading": json.loads(Writer(scale).scan(taken_up.reading, (), None)),
            "ran_s": taken_up.ran_s,
        },
        "format": FORMAT,
        "fill_id": setup.fill_id,
        "at": at,
        "software": {"version": software.version, "hash": software.hash},
        "config_hash": config_hash,
        "scale": scale,
        "setup": json.loads(frozen(setup)),
        "state": json.loads(frozen(state)),
    }


class BlackBox:
    """One part of a fill's recording. ``scan`` costs the loop a few microseconds and never raises."""

    def __init__(
        self,
        path: Path,
        head: Callable[[], Document],
        *,
        before: Callable[[], None] | None = None,
        most_waiting: int = _MOST_WAITING,
        wall: Callable[[], float] = time.monotonic,
    ) -> None:
        """``head`` makes the first line and ``before`` room on the disk; both are called in the thread."""
        self.fault = ""
        """Why the recording has stopped; empty while it goes on."""
        self._path, self._head, self._before = path, head, before
        self._most_waiting, self._wall = most_waiting, wall
        self._queue: SimpleQueue[_Item | Counted | None] = SimpleQueue()
        self._thread = Thread(target=self._work, name="black box", daemon=True)
        self._thread.start()

    def scan(self, reading: Reading, requests: Sequence[Request], decision: Decision | None, error: str = "") -> None:
        """Take one scan over; ``error`` is what ``decide`` raised instead of a decision."""
        if self.fault:
            return
        if self._queue.qsize() >= self._most_waiting:
            self.fault = f"{self._path}: the disk is too slow for the black box"
            return
        self._queue.put((reading, tuple(requests), decision, error))

    def close(self, counted: Counted | None = None) -> None:
        """End the part, with what the controller counted if the fill has ended; returns when it is on the disk.

        Closing it again does nothing.
        """
        if counted is not None:
            self._queue.put(counted)
        self._queue.put(None)
        self._thread.join(_CLOSE_S)
        if self._thread.is_alive() and not self.fault:
            self.fault = f"{self._path}: the disk did not take the end of the black box in {_CLOSE_S:g} s"

    def _work(self) -> None:
        try:
            if self._before is not None:
                self._before()
            file = BoxFile(self._path)
        except OSError as error:
            self.fault = self._broken(error)
            return
        try:
            self._write(file)
            file.close()
        except OSError as error:
            self.fault = self._broken(error)
        except (TypeError, ValueError, AttributeError) as error:
            self.fault = f"{self._path}: the black box broke off by a defect of this program ({error!r})"
        finally:
            file.abandon()

    def _broken(self, error: OSError) -> str:
        why = error.strerror or str(error)
        return f"{self._path}: the black box cannot be written ({why}); is the disk full or failing?"

    def _write(self, file: BoxFile) -> None:
        head = self._head()
        file.line(line_of(head))
        file.flush(durable=True)
        scale = head["scale"]
        assert isinstance(scale, float)
        writer, state = Writer(scale), None
        flushed_s = kept_s = self._wall()
        while not self.fault and (item := self._queue.get()) is not None:
            if isinstance(item, Counted):
                file.line(writer.closed(item.document()))
                continue
            file.line(writer.scan(*item))
            state = item[2].state if item[2] is not None else state
            now_s = self._wall()
            if now_s - flushed_s >= _FLUSH_S or item[2] is None:
                durable = now_s - kept_s >= _DURABLE_S
                _check(file, writer, state)
                file.flush(durable=durable)
                flushed_s, kept_s = now_s, now_s if durable else kept_s
        _check(file, writer, state)


def _check(file: BoxFile, writer: Writer, state: FillState | None) -> None:
    if state is not None:
        file.line(writer.check(digest(state)))


def box_of(
    settings: Settings,
    setup: Setup,
    state: FillState,
    at: str,
    software: Callable[[], Software],
    taken_up: TakenUp | None = None,
) -> BlackBox:
    """The recording of a fill, or of its next part, in the rig's folder; the oldest recordings make room for it."""
    folder, table, fill_id = Path(settings.rig.data), settings.black_box, setup.fill_id
    return BlackBox(
        new_part(folder, fill_id),
        lambda: head_of(setup, state, settings.clock.scale, software(), settings.hash, at, taken_up),
        before=lambda: prune(folder, fill_id, days=table.days, most_mb=table.megabytes),
    )


def with_box(record: Work, folder: Path, fault: str = "") -> Work:
    """The record with the hash of what was recorded of it; marked if the recording broke off by a ``fault``."""
    flags = (*record.flags, STOPPED) if fault else record.flags
    found = None
    with contextlib.suppress(OSError):
        parts = parts_of(folder, record.fill_id)
        found = hash_of(parts) if parts else None
    return replace(record, black_box=found, flags=tuple(sorted(flags)))
