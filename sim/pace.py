"""How far the plant may run: wall time times speed, but never far ahead of a master that has fallen behind.

A fast simulation on a busy host would otherwise let the physics run on while its controller waits for a processor,
which no real rig can do. Plant time begins with the first request, so that a fault set for a plant second falls
there however long a master takes to start. Time is an argument; this looks at no clock.
"""

from __future__ import annotations

LEAD_S = 0.1
"""Plant seconds that a fast plant may run beyond the last request: a few requests make a scan, and air is drawn out
of a small tyre in two seconds."""
PATIENCE_S = 1.0
"""Wall seconds without a request after which the plant runs free: the master is gone, and time-outs must work."""


class Pace:
    """Turns wall time into plant time."""

    __slots__ = ("_asked_plant_s", "_asked_wall_s", "_plant_s", "_wall_s", "speed")

    def __init__(self, speed: float, wall_s: float, plant_s: float = 0.0) -> None:
        self.speed = speed
        self._wall_s = wall_s
        self._plant_s = plant_s
        self._asked_wall_s: float | None = None
        self._asked_plant_s = plant_s

    def advance(self, wall_s: float) -> float:
        """Return the plant time that belongs to ``wall_s``; never goes back, and time held back is not caught up."""
        if wall_s <= self._wall_s:
            return self._plant_s
        if self._asked_wall_s is None:
            self._wall_s = wall_s
            return self._plant_s
        free_from = self._asked_wall_s + PATIENCE_S
        if self.speed > 1.0 and self._wall_s < free_from:
            held_to = min(wall_s, free_from)
            reach = self._plant_s + (held_to - self._wall_s) * self.speed
            self._plant_s = max(self._plant_s, min(reach, self._asked_plant_s + LEAD_S))
            self._wall_s = held_to
        self._plant_s += (wall_s - self._wall_s) * self.speed
        self._wall_s = wall_s
        return self._plant_s

    def asked(self, wall_s: float) -> float:
        """A master asks now; returns the plant time of the answer."""
        plant_s = self.advance(wall_s)
        self._asked_wall_s, self._asked_plant_s = wall_s, plant_s
        return plant_s
