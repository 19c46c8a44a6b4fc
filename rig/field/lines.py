"""A serial device that sends lines of text, such as a scale: bytes in, the newest line's named fields out.

Every fault is raised as :class:`FieldError`. The module must not know what a field means.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import termios
from dataclasses import dataclass

import serial

from rig.field.links import LineLink
from rig.field.modbus import NO_CONNECTION, FieldError, SilentError
from rig.sentence import Wording

_BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
_CHUNK = 4096
_BROKEN = (OSError, termios.error, ValueError, TypeError)
"""Errors of a serial port that was pulled out or cannot be set up; the library's own error is an OSError."""
_WAITS = Wording("bus.waits", "{link}: silent for a moment, so that a late line is not taken for the next answer")
_GONE = Wording("bus.gone", "{link}: {port} is gone ({error})")
_NO_LINE = Wording("bus.no_line", "{link}: no line from {port} fits the pattern{last}")
_ODD = Wording("bus.odd", "; the last was {line}")
_NO_PORT = Wording("bus.no_port", "{link}: {port} cannot be opened ({error})")


@dataclass(frozen=True, slots=True)
class Line:
    """One line that fits the pattern."""

    text: str
    fields: dict[str, str]
    at_s: float
    """Wall-clock seconds, monotonic, when its end arrived."""


class Splitter:
    """Splits bytes into whole lines; discards what precedes the first line's end, and what is too long."""

    def __init__(self, terminator: bytes, longest: int, *, whole: bool) -> None:
        """``whole``: the first byte begins a line, as after a poll."""
        self._terminator, self._longest = terminator, longest
        self._kept = b""
        self._skip = not whole

    def take(self, data: bytes) -> list[bytes]:
        """The lines that end in ``data``."""
        *ended, self._kept = (self._kept + data).split(self._terminator)
        if self._skip and ended:
            ended, self._skip = ended[1:], False
        if len(self._kept) > self._longest + len(self._terminator):
            self._kept, self._skip = self._kept[-len(self._terminator) :], True
        return [line for line in ended if len(line) <= self._longest]


class LinePort:
    """The wire to one device. One task uses it at a time."""

    def __init__(self, name: str, link: LineLink) -> None:
        self.name, self._link = name, link
        self._pattern = re.compile(link.pattern)
        self._serial: serial.Serial | None = None
        self._fd = -1
        self._splitter = self._fresh_splitter()
        self._latest: Line | None = None
        self._odd = ""
        self._came = asyncio.Event()
        self._failures = 0
        self._next_try_s = self._opened_s = self._quiet_until_s = -1e9

    async def read(self) -> Line:
        """The newest line that fits, asked for if the device is polled; waits at most one time-out."""
        self._open()
        return await (self._polled() if self._link.poll else self._heard())

    async def _heard(self) -> Line:
        now_s = asyncio.get_running_loop().time()
        if self._latest is not None and now_s - self._latest.at_s <= self._link.timeout:
            return self._latest
        # Wait only after opening the port; a device that fell silent must not delay every scan.
        return await self._next(self._opened_s + self._link.timeout - now_s)

    async def _polled(self) -> Line:
        now_s = asyncio.get_running_loop().time()
        if now_s < self._quiet_until_s:
            raise FieldError(_WAITS(link=self.name))
        assert self._serial is not None
        self._latest, self._splitter = None, self._fresh_splitter()
        try:
            self._serial.reset_input_buffer()
            self._serial.write(self._link.poll.encode("ascii"))
        except _BROKEN as error:
            self.close()
            raise FieldError(_GONE(link=self.name, port=self._link.port, error=str(error))) from error
        try:
            return await self._next(self._link.timeout)
        except SilentError:
            self._quiet_until_s = asyncio.get_running_loop().time() + self._link.timeout
            raise

    async def _next(self, patience_s: float) -> Line:
        self._came.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(max(patience_s, 0.0)):
                await self._came.wait()
        if self._came.is_set() and self._latest is not None:
            return self._latest
        last = _ODD(line=repr(self._odd)) if self._odd else ""
        raise SilentError(_NO_LINE(link=self.name, port=self._link.port, last=last))

    # --- the port ---------------------------------------------------------------------------------------------------

    def _fresh_splitter(self) -> Splitter:
        link = self._link
        return Splitter(link.terminator.encode("ascii"), link.max_line, whole=bool(link.poll))

    def _open(self) -> None:
        if self._serial is not None:
            return
        link, loop = self._link, asyncio.get_running_loop()
        now_s = loop.time()
        if now_s < self._next_try_s:
            raise FieldError(NO_CONNECTION(link=self.name, place=link.port))
        try:
            port = serial.Serial(
                link.port, link.baud, link.bits, link.parity, link.stop_bits, timeout=0, write_timeout=0, exclusive=True
            )
        except _BROKEN as error:
            self._next_try_s = now_s + _BACK_OFF_S[min(self._failures, len(_BACK_OFF_S) - 1)]
            self._failures += 1
            raise FieldError(_NO_PORT(link=self.name, port=link.port, error=str(error))) from error
        self._serial, self._fd, self._opened_s = port, port.fileno(), now_s
        self._splitter, self._latest = self._fresh_splitter(), None
        loop.add_reader(self._fd, self._ready)

    def _ready(self) -> None:
        assert self._serial is not None
        try:
            data = self._serial.read(_CHUNK)
        except _BROKEN:
            self.close()
            self._came.set()
            return
        for raw in self._splitter.take(data):
            self._take(raw.decode("ascii", errors="replace").strip())

    def _take(self, text: str) -> None:
        found = self._pattern.fullmatch(text)
        if found is None:
            self._odd = text or self._odd
            return
        self._failures = 0
        fields = {name: value or "" for name, value in found.groupdict().items()}
        self._latest = Line(text, fields, asyncio.get_running_loop().time())
        self._came.set()

    def close(self) -> None:
        """Close the port; the next read opens it again."""
        if self._serial is not None:
            asyncio.get_running_loop().remove_reader(self._fd)
            with contextlib.suppress(*_BROKEN):
                self._serial.close()
            self._serial, self._latest = None, None
