"""Simulated devices that send lines of text, such as a scale: the configured example line with present values."""

from __future__ import annotations

import asyncio
import re
from typing import TYPE_CHECKING

from rig.units import parse
from sim.ports import Port
from sim.registers import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.field.links import LineField, LineLink

_EVERY_S = 0.1
"""Plant seconds between two lines of a device that sends without polls."""
_LEAST_S = 0.004


def line_of(link: LineLink, shown: Callable[[str], float]) -> str:
    """The example line with its numbers replaced by the points' present values."""
    found = re.fullmatch(link.pattern, link.example)
    assert found is not None, "the configuration's example fits its pattern"
    text = link.example
    for name in sorted(link.fields, key=found.start, reverse=True):
        each = link.fields[name]
        unit = found[each.unit_from] if each.unit_from else each.quantity
        number = _formatted(_on_the_wire(each, unit, shown(each.point)), found[name])
        text = text[: found.start(name)] + number + text[found.end(name) :]
    return text


def _on_the_wire(each: LineField, unit: str, value: float) -> float:
    kind = KINDS[each.point]
    zero, one = parse(f"0 {unit}", kind), parse(f"1 {unit}", kind)
    return ((value - zero) / (one - zero) - each.offset) / each.scale


def _formatted(value: float, like: str) -> str:
    """Format a number with the width, sign and decimals of an example."""
    decimals = len(like.partition(".")[2])
    sign = "-" if value < 0 else "+" if like.startswith(("+", "-")) else ""
    pad = "0" if like.lstrip("+- ").startswith("0") and decimals + 2 < len(like) else " "
    return sign + f"{abs(value):.{decimals}f}".rjust(len(like) - len(sign), pad)


class LineServer:
    """One device on one port."""

    def __init__(self, link: LineLink, line: Callable[[], str | None], speed: float) -> None:
        """``line`` gives the present line, None while the device is dead."""
        self._link, self._line = link, line
        self._every_s = max(_EVERY_S / speed, _LEAST_S)
        self._asked = b""
        self._task: asyncio.Task[None] | None = None
        self.port = Port(link, self._heard)

    def open(self) -> None:
        """Begin to send, or to wait for polls."""
        self.port.open()
        if not self._link.poll:
            self._task = asyncio.create_task(self._speak())

    async def _speak(self) -> None:
        while True:
            self._send()
            await asyncio.sleep(self._every_s)

    def _heard(self, data: bytes) -> None:
        poll = self._link.poll.encode("ascii")
        if not poll:
            return
        self._asked += data
        while poll in self._asked:
            self._asked = self._asked.split(poll, 1)[1]
            self._send()
        self._asked = self._asked[-len(poll) :]

    def _send(self) -> None:
        text = self._line()
        if text is not None:
            self.port.send((text + self._link.terminator).encode("ascii"))

    def close(self) -> None:
        """Stop sending and close the port."""
        if self._task is not None:
            self._task.cancel()
            self._task = None
        self.port.close()
