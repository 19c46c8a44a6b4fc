"""Writes a fill's entries to the disk in a separate thread, so that a slow card never delays the loop.

``opened`` and ``append`` with ``wait`` return when the entries are on the disk; otherwise they are queued, and
``lag_s`` is the age of the oldest of them.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from pydantic import TypeAdapter
from pydantic_core import to_json

from rig.control.state import FillState
from rig.control.values import Entry, Setup
from rig.ledger.journal import Journal
from rig.run.clock_memory import utc_now

SETUP: TypeAdapter[Setup] = TypeAdapter(Setup)
STATE: TypeAdapter[FillState] = TypeAdapter(FillState)


def frozen(value: Setup | FillState) -> str:
    """A setup or state as JSON text that ``SETUP`` and ``STATE`` restore completely.

    An infinite time is preserved: an adapter's own dump would write null, which no float can be read from.
    """
    return to_json(value, inf_nan_mode="constants").decode()


class Recorder:
    """The journal of one fill, as the loop uses it."""

    def __init__(
        self, journal: Journal, about: dict[str, object], *, opened: bool = False, times: Callable[[], str] = utc_now
    ) -> None:
        """``opened``: the journal already has this fill. ``times`` supplies the time of each entry."""
        self._journal = journal
        self._about = about
        self._opened = opened
        self._times = times
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        self._pending: deque[tuple[float, Future[None]]] = deque()

    @property
    def lag_s(self) -> float:
        """Age of the oldest entry not yet on the disk. Raises a disk error once."""
        self._take_written()
        return time.monotonic() - self._pending[0][0] if self._pending else 0.0

    def _take_written(self) -> None:
        while self._pending and self._pending[0][1].done():
            self._pending.popleft()[1].result()

    async def append(self, setup: Setup, state: FillState, entries: Sequence[Entry], *, wait: bool) -> None:
        """Write ``entries`` and the resulting state; the first call opens the fill."""
        at, lines = self._times(), [(entry.kind, entry.data) for entry in entries]
        latest = frozen(state)
        if not self._opened:
            await asyncio.wrap_future(self._submit(self._open, setup, at, latest))
            self._opened = True
        done = self._submit(self._journal.append, setup.fill_id, at, lines, latest)
        if wait:
            await asyncio.wrap_future(done)

    def _open(self, setup: Setup, at: str, latest: str) -> None:
        self._journal.open_fill(setup.fill_id, at, self._about, frozen(setup), latest)

    def _submit(self, work: Callable[..., None], *arguments: object) -> Future[None]:
        future = self._thread.submit(work, *arguments)
        self._pending.append((time.monotonic(), future))
        return future

    async def close(self, fill_id: str, record: dict[str, object], memory: dict[str, object]) -> None:
        """Write the finished record; returns when it is on the disk. Then raises the error of an earlier entry."""
        await asyncio.wrap_future(self._submit(self._journal.close_fill, fill_id, record, memory))
        self._take_written()

    @property
    def opened(self) -> bool:
        """Whether the journal has this fill."""
        return self._opened

    def shut(self) -> None:
        """End the thread after the queued entries."""
        self._thread.shutdown(wait=True)
