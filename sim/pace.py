"""Plant time by wall time and speed, limited to a short lead over a delayed master.

Otherwise the physics of a fast simulation on a busy host would run on while the controller waits for a processor,
which is impossible on a real rig. Plant time begins with the first request, so that a fault occurs at its plant second
however long a master takes to start. Time is an argument; no clock is read here.
"""

from __future__ import annotations

LEAD_S = 0.1
"""Plant seconds that a fast plant may run beyond the last request: a scan takes a few requests, and drawing the air out
of a small tyre takes two seconds."""
PATIENCE_S = 1.0
"""Wall seconds without a request after which the plant runs freely: the master is gone, and time-outs must work."""


class Pace:
    """Converts wall time to plant time."""

    __slots__ = ("_asked_plant_s", "_asked_wall_s", "_held", "_plant_s", "_wall_s", "speed")

    def __init__(self, speed: float, wall_s: float, plant_s: float = 0.0, *, free: bool = False) -> None:
        """``free``: the plant waits for nobody, as a real one."""
        self.speed = speed
        self._held = speed > 1.0 and not free
        self._wall_s = wall_s
        self._plant_s = plant_s
        self._asked_wall_s: float | None = None
        self._asked_plant_s = plant_s

    def advance(self, wall_s: float) -> float:
        """Return the plant time at ``wall_s``; it never goes back, and time held back is not caught up."""
        if wall_s <= self._wall_s:
            return self._plant_s
        if self._asked_wall_s is None:
            self._wall_s = wall_s
            return self._plant_s
        free_from = self._asked_wall_s + PATIENCE_S
        if self._held and self._wall_s < free_from:
            held_to = min(wall_s, free_from)
            reach = self._plant_s + (held_to - self._wall_s) * self.speed
            self._plant_s = max(self._plant_s, min(reach, self._asked_plant_s + LEAD_S))
            self._wall_s = held_to
        self._plant_s += (wall_s - self._wall_s) * self.speed
        self._wall_s = wall_s
        return self._plant_s

    def asked(self, wall_s: float) -> float:
        """Note a request; returns the plant time of the answer."""
        plant_s = self.advance(wall_s)
        self._asked_wall_s, self._asked_plant_s = wall_s, plant_s
        return plant_s
