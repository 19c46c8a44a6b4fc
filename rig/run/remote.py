"""The controller of another process: its latest snapshot, asked for several times a second, and messages to it.

All messages go over one connection and are answered in order. When that ends, nothing more is known. It must not know
what a page is.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import AsyncIterator
from pathlib import Path

from rig.run.facade import Snapshot
from rig.run.messages import (
    HEAD_BYTES,
    MOST_BYTES,
    PATIENCE_S,
    Heard,
    LinkError,
    Look,
    Message,
    SilentError,
    ToLook,
    frame_of,
    length_of,
    own_hello,
    same_program,
)  # fmt: skip
from rig.run.settings import Settings
from rig.run.sockets import connected_to
from rig.sentence import Wording

_LOOK_S = 0.1
_SILENT = Wording(
    "refused.silent", "the controller does not answer: it is not known whether it has heard; look at the rig"
)()


class Remote:
    """A Controller behind a socket."""

    def __init__(self, settings: Settings, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.settings = settings
        self._reader = reader
        self._writer = writer
        self._awaited: deque[asyncio.Future[bytes]] = deque()
        self._latest: Snapshot | None = None
        self._gap_s = 0.0
        self._lost = False

    def snapshot(self) -> Snapshot:
        """The latest one."""
        assert self._latest is not None, "the connection begins with a look"
        return self._latest

    def take_gap_s(self) -> float:
        """The longest gap between two scans since the last call, wall-clock seconds."""
        gap_s, self._gap_s = self._gap_s, 0.0
        return gap_s

    async def send(self, message: Message, *, within_s: float = PATIENCE_S) -> bool:
        """Pass a message on; whether it was taken. SilentError where the controller does not answer in that time."""
        return Heard.model_validate_json(await self._answer(message, within_s)).heard

    async def look(self) -> None:
        """Ask for a snapshot, however long that takes: until then the last one grows old."""
        seen = Look.model_validate_json(await self._answer(ToLook(), None))
        self._latest, self._gap_s = seen.snapshot, max(self._gap_s, seen.gap_s)

    async def _answer(self, message: Message, within_s: float | None) -> bytes:
        if self._lost:
            raise SilentError(_SILENT)
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._awaited.append(answer)
        self._writer.write(frame_of(message))
        try:
            return await asyncio.wait_for(answer, within_s)
        except TimeoutError as error:
            raise SilentError(_SILENT) from error

    async def hear(self) -> None:
        """Take answers in until the connection ends."""
        try:
            while True:
                text = await _read(self._reader)
                answer = self._awaited.popleft()
                if not answer.done():
                    answer.set_result(text)
        except (LinkError, OSError, asyncio.IncompleteReadError):
            self._lost = True
            for answer in self._awaited:
                if not answer.done():
                    answer.set_exception(SilentError(_SILENT))

    async def watch(self) -> None:
        """Look again and again until the connection ends."""
        with contextlib.suppress(SilentError):
            while True:
                began_s = time.monotonic()
                await self.look()
                await asyncio.sleep(max(0.0, began_s + _LOOK_S - time.monotonic()))


@contextlib.asynccontextmanager
async def reached(settings: Settings, path: Path) -> AsyncIterator[tuple[Remote, asyncio.Task[None]]]:
    """The controller that listens at ``path``, and a task that ends with the connection; OSError, LinkError."""
    reader, writer = await asyncio.open_unix_connection(sock=connected_to(path))
    with contextlib.closing(writer):
        writer.write(frame_of(own_hello()))
        same_program(await _read(reader))
        remote = Remote(settings, reader, writer)
        tasks = [asyncio.create_task(remote.hear())]
        try:
            await remote.look()
            tasks.append(asyncio.create_task(remote.watch()))
            yield remote, tasks[-1]
        finally:
            for task in tasks:
                task.cancel()


async def _read(reader: asyncio.StreamReader) -> bytes:
    return await reader.readexactly(length_of(await reader.readexactly(HEAD_BYTES), MOST_BYTES))
