"""The controller's clock: real time on a real rig, a multiple of it on a simulated one.

A fast simulation on a busy computer loses time in jumps on either side of the wire. A simulated rig may therefore
provide its own time; the controller follows that, and the wall clock only while the rig does not answer.
"""

from __future__ import annotations

import time
from collections.abc import Callable

_LONGEST_STEP_S = 0.5
"""A simulated clock faster than real time drops time lost by this host, as the simulated rig does: a stall of a busy
computer is not physics. At real time nothing is dropped."""


class Clock:
    """Monotonic controller seconds. ``wall`` is for tests; the default is the system's monotonic clock."""

    def __init__(self, scale: float = 1.0, wall: Callable[[], float] = time.monotonic, *, since_s: float = 1.0) -> None:
        """``since_s`` is the time to start from."""
        self._scale = scale
        self._wall = wall
        self._last_ms = self._wall_ms()
        self._now_s = since_s
        self._plant_s: float | None = None
        self.gap_s = 0.0
        """Wall-clock seconds between the last two ticks, in whole milliseconds: finer digits would only be noise in
        what is recorded. Their sum does not drift."""

    def _wall_ms(self) -> int:
        return round(1000 * self._wall())

    def tick(self, plant_s: float | None = None) -> float:
        """Advance to now and return the controller's time; ``plant_s`` is a simulated rig's own time, just read."""
        wall_ms = self._wall_ms()
        self.gap_s = (wall_ms - self._last_ms) / 1000
        self._last_ms = wall_ms
        step = self.gap_s * self._scale
        if plant_s is not None and self._plant_s is not None:
            step = max(0.0, plant_s - self._plant_s)
        elif self._scale != 1:
            step = min(step, _LONGEST_STEP_S)
        self._plant_s = plant_s
        self._now_s += step
        return self._now_s
