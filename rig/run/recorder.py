"""Writes a fill's entries to the disk in a separate thread, so that a slow card never delays the loop.

``opened`` and ``append`` with ``wait`` return when the entries are on the disk; otherwise they are queued, and
``lag_s`` is the age of the oldest of them.
"""

from __future__ import annotations

import asyncio
import json
import math
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from pydantic import ValidationError
from pydantic_core import to_json

from rig.control.belief.state import FillState
from rig.control.words.values import Entry, Setup
from rig.ledger.journal import Journal, StoredFill
from rig.record.base import Document, RecordError, adapter
from rig.record.work import About, Work
from rig.run.clock_memory import utc_now
from rig.sentence import Wording

STATE_VERSION = 3
"""Of setup and state in the journal; raised when the meaning of a field changes. 1: texts that do not state it. Up to 2
the account had one sum of what is in doubt, either way.

A field with a default may be added without: an older text reads with the default."""


_DOUBTS_SINCE = 3


def frozen(value: Setup | FillState) -> str:
    """A setup or state as JSON text, with its version, that :func:`restored` restores completely.

    An infinite time is preserved: an adapter's own dump would write null, which no float can be read from.
    """
    text = to_json(value, inf_nan_mode="constants").decode()
    return f'{{"version":{STATE_VERSION},{text[1:]}'


def setup_from(text: str) -> Setup:
    """The setup that :func:`frozen` wrote; pydantic's ValidationError if this version cannot read it."""
    setup: Setup = adapter(Setup).validate_json(text)
    return setup


def state_from(text: str) -> FillState:
    """The state that :func:`frozen` wrote; pydantic's ValidationError if this version cannot read it."""
    document = json.loads(text)
    if document.get("version", 1) < _DOUBTS_SINCE:
        for owner in (document, document.get("mark")):
            if isinstance(owner, dict) and isinstance(owner.get("tally"), dict):
                _state_doubts(owner["tally"])
        text = json.dumps(document)
    state: FillState = adapter(FillState).validate_json(text)
    return state


def _state_doubts(account: dict[str, object]) -> None:
    """Give an account that had one sum of doubt that sum to either side."""
    either_l = account.pop("either_l", 0.0)
    account["doubts"] = [{"reason": "before an update", "less_l": either_l, "more_l": either_l}] if either_l else []
    account["unattended_doubt_l"] = account.pop("unattended_either_l", 0.0)


def restored(stored: StoredFill) -> tuple[Setup, FillState]:
    """Setup and latest state of a fill in the journal; RecordError, with what to do, if another version wrote them."""
    written = [json.loads(text).get("version", 1) for text in (stored.setup, stored.state)]
    if max(written) > STATE_VERSION:
        raise RecordError(
            Wording(
                "record.fill_newer",
                "fill {fill_id} was begun by a newer version of this program (state {state}, this one "
                "reads {known}): update this one, then `rig resume` or `rig close` it; till then keep "
                "its supply cut",
            )(fill_id=stored.fill_id, state=max(written), known=STATE_VERSION)
        )
    try:
        return setup_from(stored.setup), state_from(stored.state)
    except ValidationError as error:
        at = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise RecordError(
            Wording(
                "record.fill_older",
                "fill {fill_id} was begun by an older version of this program (state {state}), and "
                "this one cannot read its {at}: install that version again and end the fill by `rig "
                "close {fill}`; until then keep the pump's supply cut",
            )(fill_id=stored.fill_id, state=min(written), at=at or "text", fill=stored.fill_id)
        ) from error


_PROGRESS_S = 5.0
"""Interval of rows of progress in which nothing else happens."""


class Recorder:
    """The journal of one fill, as the loop uses it."""

    def __init__(
        self, journal: Journal, about: About, *, opened: bool = False, times: Callable[[], str] = utc_now
    ) -> None:
        """``opened``: the journal already has this fill. ``times`` supplies the time of each entry."""
        self._journal = journal
        self._about = about
        self._opened = opened
        self._shown_s = -math.inf
        """Controller time of the last row of progress."""
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
        """Write ``entries`` and the resulting state; the first call opens the fill.

        A row of progress by itself is for History, which needs few: in between the state alone is written.
        """
        at, lines = self._times(), [(entry.kind, entry.data) for entry in entries]
        if all(kind == "progress" for kind, _ in lines) and 0 <= state.now_s - self._shown_s < _PROGRESS_S:
            lines = []
        elif lines:
            self._shown_s = state.now_s
        latest = frozen(state)
        if not self._opened:
            await asyncio.wrap_future(self._submit(self._open, setup, at, latest))
            self._opened = True
        done = self._submit(self._journal.append, setup.fill_id, at, lines, latest)
        if wait:
            await asyncio.wrap_future(done)

    def _open(self, setup: Setup, at: str, latest: str) -> None:
        self._journal.open_fill(setup.fill_id, at, self._about.document(), frozen(setup), latest)

    def _submit(self, work: Callable[..., None], *arguments: object) -> Future[None]:
        future = self._thread.submit(work, *arguments)
        self._pending.append((time.monotonic(), future))
        return future

    async def close(self, fill_id: str, record: Work, memory: Document) -> None:
        """Write the finished record; returns when it is on the disk. Then raises the error of an earlier entry."""
        await asyncio.wrap_future(self._submit(self._journal.close_fill, fill_id, record.document(), memory))
        self._take_written()

    @property
    def opened(self) -> bool:
        """Whether the journal has this fill."""
        return self._opened

    def shut(self) -> None:
        """End the thread after the queued entries."""
        self._thread.shutdown(wait=True)
