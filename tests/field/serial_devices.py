"""The far end of a pseudo-terminal for tests of serial links: bytes in, an answer out, and what was heard is kept."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from pymodbus.framer import FramerRTU

Answer = Callable[[bytes], Awaitable[bytes | None]]
"""From what was heard at once to what is said, None for silence."""


def framed(body: bytes) -> bytes:
    """Unit and PDU with the check sum, by the library's own arithmetic."""
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


@dataclass
class FarEnd:
    """One device or bus at the other end of the wire."""

    path: Path
    answer: Answer
    heard: list[bytes] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    fds: tuple[int, int] = (-1, -1)
    tasks: set[asyncio.Task[None]] = field(default_factory=set)

    def plug(self) -> None:
        """Plug the adapter in: the port appears under its name."""
        self.fds = os.openpty()
        tty.setraw(self.fds[1])
        os.set_blocking(self.fds[0], False)
        self.path.symlink_to(os.ttyname(self.fds[1]))
        asyncio.get_running_loop().add_reader(self.fds[0], self._ready)

    def unplug(self) -> None:
        """Pull it out: the port is gone."""
        if self.fds[0] >= 0:
            asyncio.get_running_loop().remove_reader(self.fds[0])
            for fd in self.fds:
                os.close(fd)
            self.path.unlink()
            self.fds = (-1, -1)

    def say(self, data: bytes) -> None:
        """Send by itself."""
        if self.fds[0] >= 0:
            os.write(self.fds[0], data)

    def _ready(self) -> None:
        with suppress(OSError):
            data = os.read(self.fds[0], 4096)
            self.heard.append(data)
            self.at_s.append(asyncio.get_running_loop().time())
            task = asyncio.create_task(self._reply(data))
            self.tasks.add(task)
            task.add_done_callback(self.tasks.discard)

    async def _reply(self, data: bytes) -> None:
        reply = await self.answer(data)
        if reply is not None:
            self.say(reply)


@asynccontextmanager
async def far_end(path: Path, answer: Answer) -> AsyncIterator[FarEnd]:
    """A plugged-in far end at ``path``."""
    end = FarEnd(path, answer)
    end.plug()
    try:
        yield end
    finally:
        for task in end.tasks:
            task.cancel()
        end.unplug()


def registers_device(words: Callable[[int], int], unit: int = 1) -> Callable[[bytes], bytes | None]:
    """A device whose registers and bits hold ``words`` of their address; other units are not its business."""

    def reply(frame: bytes) -> bytes | None:
        body, function = frame[:-2], frame[1]
        if frame[0] != unit or framed(body) != frame:
            return None
        first, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        if function in (3, 4):
            data = b"".join(words(at).to_bytes(2, "big") for at in range(first, first + count))
            return framed(bytes((unit, function, len(data))) + data)
        if function in (1, 2):
            return framed(bytes((unit, function, (count + 7) // 8)) + bytes((count + 7) // 8))
        return framed(body[:6])

    return reply
