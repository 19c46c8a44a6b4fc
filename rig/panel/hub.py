"""The latest picture for all viewers: made a few times a second, once for all, and never queued.

Slow browsers get the newest picture when they are ready for it. The controller never waits: the hub reads the snapshot
that it published. It must not know requests.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from rig.panel.sessions import Sessions
from rig.panel.view import picture, public
from rig.panel.worded import worded
from rig.run.messages import Controller

PERIOD_S = 0.2
_MOST_POINTS = 600


@dataclass(slots=True)
class _Latest:
    """The latest picture of one kind, as text, whole and as a change."""

    shown: dict[str, object] = field(default_factory=dict)
    text: str = ""
    change: str = ""

    def take(self, shown: dict[str, object]) -> None:
        """The next one."""
        self.change = json.dumps(worded(changed(self.shown, shown)), allow_nan=False, separators=(",", ":"))
        self.text = json.dumps(worded({"whole": shown}), allow_nan=False, separators=(",", ":"))
        self.shown = shown


class Hub:
    """The picture maker; runs in the page's own event loop."""

    def __init__(self, rig: Controller, sessions: Sessions) -> None:
        self._rig = rig
        self._sessions = sessions
        self._named, self._public = _Latest(), _Latest()
        self._count = 0
        self._fresh = asyncio.Event()
        self._trace: list[tuple[object, ...]] = []
        self._traced = ""
        self._step_s = 0.5
        self.watching = 0
        self.ended = False
        """Set before the page ends, so that streams finish by themselves instead of being cut off."""

    async def run(self) -> None:
        """Make pictures periodically, without end."""
        while True:
            self.draw()
            await asyncio.sleep(PERIOD_S)

    def draw(self) -> None:
        """Make the present picture and wake all waiting streams."""
        sessions = self._sessions
        shown = picture(self._rig, time.monotonic(), sessions.driver, sessions.asking)
        fill = shown["fill"]
        if isinstance(fill, dict):
            self._keep(fill)
        self._named.take(shown)
        self._public.take(public(shown))
        self._count += 1
        fresh, self._fresh = self._fresh, asyncio.Event()
        fresh.set()

    def _keep(self, fill: dict[str, object]) -> None:
        """Add a point to the trace; when it grows too long, drop every other one."""
        if fill["id"] != self._traced:
            self._traced, self._trace, self._step_s = str(fill["id"]), [], 0.5
        t_s = fill["t_s"]
        assert isinstance(t_s, float)
        last = self._trace[-1][0] if self._trace else -1e9
        assert isinstance(last, float)
        if t_s - last < self._step_s or not t_s:
            return
        self._trace.append((t_s, fill["in_tyre_l"], fill["flow_lps"], fill["tyre_kpa"]))
        if len(self._trace) > _MOST_POINTS:
            self._trace, self._step_s = self._trace[::2], 2 * self._step_s

    def trace(self) -> dict[str, object]:
        """The trace of the fill under way, or of the last one: rows of seconds, litres, L/s and gauge kPa."""
        return {"fill_id": self._traced, "step_s": self._step_s, "rows": self._trace}

    def line(self, *, whole: bool, named: bool = True) -> str:
        """The latest picture as a server-sent event, or what has changed since the one before."""
        latest = self._named if named else self._public
        return f"data: {latest.text if whole else latest.change}\n\n"

    async def stream(self, *, named: bool) -> AsyncIterator[str]:
        """Pictures as server-sent events: a whole one, then changes. A slow reader misses some and gets a whole one.

        ``named``: with what only a signed-in person sees.
        """
        self.watching += 1
        had = -1
        try:
            while not self.ended:
                fresh, count = self._fresh, self._count
                if count:
                    yield self.line(whole=count != had + 1, named=named)
                had = count
                await fresh.wait()
        finally:
            self.watching -= 1


def changed(before: dict[str, object], now: dict[str, object]) -> dict[str, object]:
    """What differs between two pictures; of a fill that goes on, what differs within it."""
    found = {key: value for key, value in now.items() if key not in before or before[key] != value}
    was, fill = before.get("fill"), found.get("fill")
    if isinstance(was, dict) and isinstance(fill, dict):
        del found["fill"]
        found["in_fill"] = {key: value for key, value in fill.items() if key not in was or was[key] != value}
    return found
