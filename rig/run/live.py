"""Live view of every point of the field, valid or not: values, ages, rates, scan times with their limits.

It reads only. A failed point hides no other one.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from dataclasses import dataclass

from rig.field.field import Field
from rig.field.links import LineLink
from rig.field.points import Point
from rig.run.names import COUNTS
from rig.run.settings import Settings

_SPACING_S = 0.25
"""Interval of looks: a rate needs two readings apart, and the eye follows four a second."""
_RATE_S = 2.0
"""Time base of a rate."""
_IN_VAIN = 2
"""After this many looks in a row without a further point, stop waiting for more."""


@dataclass(frozen=True, slots=True)
class PointSeen:
    """One point; ``None`` if it was never read."""

    name: str
    value: float | None
    unit: str
    registers: tuple[int, ...]
    text: str
    age_s: float | None
    rate: float | None
    """Units a second over the last two seconds; pulses for a count, ``None`` for a yes or no."""
    fault: str
    """Why it cannot be read now, or is not valid."""


@dataclass(frozen=True, slots=True)
class LinkSeen:
    """One link: duration of its part of a scan, last and longest, and the limit in the settings."""

    name: str
    scan_s: float | None
    longest_s: float | None
    limit_s: float
    error: str
    every_s: float | None = None
    """Read interval of a link with a scan interval of its own."""

    @property
    def late(self) -> bool:
        """Whether it would put a running fill on hold."""
        return self.longest_s is not None and self.longest_s > self.limit_s


@dataclass(frozen=True, slots=True)
class Picture:
    """The whole field at one moment."""

    rig: str
    scan_s: float
    """Time between scans as configured, wall clock."""
    points: tuple[PointSeen, ...]
    links: tuple[LinkSeen, ...]

    @property
    def failing(self) -> dict[str, str]:
        """Points that cannot be read now, each with its reason."""
        return {point.name: point.fault for point in self.points if point.value is None}

    @property
    def document(self) -> dict[str, object]:
        """The document for ``--json``."""
        points = {point.name: _point_document(point) for point in self.points}
        links = {
            link.name: {"scan_s": link.scan_s, "longest_s": link.longest_s, "limit_s": link.limit_s,
                        "every_s": link.every_s, "error": link.error}
            for link in self.links
        }  # fmt: skip
        return {"name": self.rig, "points": points, "links": links, "scan_s": self.scan_s}

    @property
    def text(self) -> str:
        """A table for a person."""
        lines = [self.rig, f"  {'':<22} {'value':>12} {'unit':<7} {'a second':>10} {'age':>7}  raw"]
        lines += [_point_line(point) for point in self.points]
        lines.append(f"  scans every {self.scan_s:g} s")
        return "\n".join([*lines, *(_link_line(link) for link in self.links)])


def _point_document(point: PointSeen) -> dict[str, object]:
    document: dict[str, object] = {
        "value": point.value, "unit": point.unit, "registers": list(point.registers),
        "age_s": None if point.age_s is None else round(point.age_s, 3), "fault": point.fault,
        "rate": None if point.rate is None else round(point.rate, 4),
    }  # fmt: skip
    return document | ({"text": point.text} if point.text else {})


def _point_line(point: PointSeen) -> str:
    mark = "!" if point.fault else " "
    if point.value is None:
        return f"{mark} {point.name:<22} {'--':>12}  NOT READ: {point.fault}"
    rate = "" if point.rate is None else f"{point.rate:+.3g}"
    raw = repr(point.text) if point.text else str(list(point.registers))
    line = f"{mark} {point.name:<22} {point.value:>12g} {point.unit:<7} {rate:>10} {point.age_s:>5.2f} s  {raw}"
    return f"{line}  {point.fault}" if point.fault else line


def _link_line(link: LinkSeen) -> str:
    mark = "!" if link.error or link.late else " "
    if link.longest_s is None or link.scan_s is None:
        return f"{mark} link {link.name}: lines of text{f', {link.error}' if link.error else ''}"
    took = f"a scan takes {1000 * link.scan_s:.0f} ms, at most {1000 * link.longest_s:.0f}"
    late = " TOO SLOW: fewer points, another baud, or a longer limit" if link.late else ""
    every = "" if link.every_s is None else f", read every {link.every_s:g} s"
    return f"{mark} link {link.name}: {took}, limit {1000 * link.limit_s:.0f} ms{every}{late}" + (
        f"; {link.error}" if link.error else ""
    )


class Watch:
    """Scans a field repeatedly and keeps the history needed for rates and longest times."""

    def __init__(self, settings: Settings, field: Field) -> None:
        self._settings, self._field = settings, field
        self._history: dict[str, deque[tuple[float, float]]] = {}
        self._longest_s: dict[str, float] = {}
        self._looks = 0

    async def look(self) -> Picture:
        """Scan once more."""
        field, settings = self._field, self._settings
        await field.scan()
        now_s = asyncio.get_running_loop().time()
        self._looks += 1
        for name, took_s in field.took_s.items() if self._looks > 1 else ():
            # The first scan connects, and may split blocks that the device refuses.
            self._longest_s[name] = max(self._longest_s.get(name, 0.0), took_s)
        errors = field.errors
        links = [
            LinkSeen(name, field.took_s.get(name), self._longest_s.get(name), settings.late_of(name),
                     errors.get(name, ""), None if isinstance(link, LineLink) else link.scan)
            for name, link in settings.links.items()
        ]  # fmt: skip
        names = [*settings.read, *settings.line_points]
        points = [self._point(name, now_s) for name in names]
        scan_s = settings.clock.scan / settings.clock.scale
        return Picture(settings.rig.name, scan_s, tuple(points), tuple(links))

    def _point(self, name: str, now_s: float) -> PointSeen:
        unit = self._settings.quantities.get(name, "")
        value, fault = self._field.values.get(name), self._field.faults.get(name, "")
        if value is None:
            return PointSeen(name, None, unit, (), "", None, None, fault or "it has not been heard yet")
        point = self._settings.points.get(name)
        shown = value.raw if name in COUNTS else value.scaled
        rate = None if point is not None and point.type == "bool" else self._rate(name, point, value.at_s, shown)
        return PointSeen(
            name, value.scaled, unit, value.registers, value.text, now_s - value.at_s, rate, fault or value.fault
        )

    def _rate(self, name: str, point: Point | None, at_s: float, shown: float) -> float | None:
        history = self._history.setdefault(name, deque())
        if not history or at_s > history[-1][0]:
            history.append((at_s, shown))
        while len(history) > 2 and at_s - history[0][0] > _RATE_S:  # two make a rate
            history.popleft()
        (then_s, then), (last_s, last) = history[0], history[-1]
        if last_s <= then_s:
            return None
        moved = last - then
        if name in COUNTS and point is not None:
            moved = turned(moved, 16 * point.registers)
        return moved / (last_s - then_s)


def turned(moved: float, bits: int) -> float:
    """How far a counter of so many bits has moved, by the shorter way round."""
    span = 2.0**bits
    return (moved + span / 2) % span - span / 2


async def snapshot(settings: Settings) -> Picture:
    """Look for as long as further points come in, at least twice, and return the last picture."""
    field = Field(settings.links, settings.points)
    watch = Watch(settings, field)
    try:
        picture, in_vain = await watch.look(), 0
        while in_vain < (_IN_VAIN if picture.failing else 1):
            missing = len(picture.failing)
            # After a missed answer a bus is silent for another time-out.
            await asyncio.sleep(max([_SPACING_S, *(link.timeout for link in settings.links.values() if missing)]))
            picture = await watch.look()
            in_vain = 0 if 0 < len(picture.failing) < missing else in_vain + 1
        return picture
    finally:
        field.close()


async def pictures(settings: Settings) -> AsyncIterator[Picture]:
    """Pictures of the field, one after another, for as long as they are requested."""
    field = Field(settings.links, settings.points)
    watch = Watch(settings, field)
    try:
        while True:
            yield await watch.look()
            await asyncio.sleep(_SPACING_S)
    finally:
        field.close()
