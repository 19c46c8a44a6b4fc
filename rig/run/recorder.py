"""Puts a fill's entries on the disk from a thread of its own, so that a slow card never makes the loop late.

``opened`` and ``append`` with ``wait`` return when the entries are on the disk; otherwise they are on their way, and
``lag_s`` says how old the oldest of them is.
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
    """A setup or state as JSON text that ``SETUP`` and ``STATE`` read back whole.

    An endless time is kept as such: an adapter's own dump would write null, which no float can be read from.
    """
    return to_json(value, inf_nan_mode="constants").decode()


class Recorder:
    """The journal of one fill, as the loop uses it."""

    def __init__(
        self, journal: Journal, about: dict[str, object], *, opened: bool = False, times: Callable[[], str] = utc_now
    ) -> None:
        """``opened``: the journal has this fill already. ``times`` gives each entry its time."""
        self._journal = journal
        self._about = about
        self._opened = opened
        self._times = times
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        self._pending: deque[tuple[float, Future[None]]] = deque()

    @property
    def lag_s(self) -> float:
        """Age of the oldest entry that is not on the disk. Raises what the disk raised, once."""
        self._take_written()
        return time.monotonic() - self._pending[0][0] if self._pending else 0.0

    def _take_written(self) -> None:
        while self._pending and self._pending[0][1].done():
            self._pending.popleft()[1].result()

    async def append(self, setup: Setup, state: FillState, entries: Sequence[Entry], *, wait: bool) -> None:
        """Write ``entries`` and the state that they led to; the first call opens the fill."""
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
        """Write the finished record; returns when it is on the disk. Then raises what an entry before it met."""
        await asyncio.wrap_future(self._submit(self._journal.close_fill, fill_id, record, memory))
        self._take_written()

    @property
    def opened(self) -> bool:
        """Whether the journal knows of this fill."""
        return self._opened

    def shut(self) -> None:
        """End the thread after what is on its way."""
        self._thread.shutdown(wait=True)
