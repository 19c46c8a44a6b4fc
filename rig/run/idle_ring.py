"""The last ten minutes of readings while nothing runs: what was there before and after a fill.

Written in a thread of its own; a disk that fails ends the ring until the service starts anew, and nothing else. While a
disk stalls, readings beyond ten minutes' worth are left out: the next one's time shows the gap.
"""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from rig.control.words.values import Reading
from rig.ledger.black_box import Ring
from rig.run.scans import Writer

NAME = "idle"
SPAN_S = 600.0
"""Each of the two files holds so much: together the last ten to twenty minutes."""
_FLUSH_S = 10.0
MOST_WAITING = 6000
"""Readings that wait for the disk: as many as one file holds at ten scans a second, some megabytes."""


class IdleRing:
    """The ring of one rig. ``sees`` never waits and never raises."""

    def __init__(self, folder: Path) -> None:
        self.fault = ""
        """Why nothing is recorded any more."""
        self._ring = Ring(folder, NAME, SPAN_S)
        self._writer = Writer(1.0)
        self._flushed_s = 0.0
        self._room = threading.Semaphore(MOST_WAITING)
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ring")

    def sees(self, reading: Reading, errors: str, at: str, now_s: float) -> None:
        """Take one reading at monotonic ``now_s``, with what did not answer; ``at`` is the time of day."""
        if not self.fault and self._room.acquire(blocking=False):
            self._thread.submit(self._write, replace(reading, now_s=round(now_s, 3)), errors, at)

    def _write(self, reading: Reading, errors: str, at: str) -> None:
        self._room.release()
        if self.fault:
            return
        now_s = reading.now_s
        try:
            if self._ring.begin(now_s):
                self._writer, self._flushed_s = Writer(1.0), now_s
                self._ring.line(json.dumps({"idle_from": at, "now_s": now_s}))
            self._ring.line(self._writer.scan(reading, (), None, errors))
            if now_s - self._flushed_s >= _FLUSH_S:
                self._ring.flush()
                self._flushed_s = now_s
        except OSError as error:
            self.fault = f"the readings between fills are no longer recorded ({error.strerror or error})"
            self._ring.close()

    def close(self) -> None:
        """End the file; what is seen afterwards begins another."""
        self._thread.submit(self._ring.close)

    def end(self) -> None:
        """End for good, once what was seen is written."""
        self.close()
        self._thread.shutdown(wait=True)
