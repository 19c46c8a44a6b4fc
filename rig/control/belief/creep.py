"""A pressure that comes to rest: means of three equal times, and what is still to come.

Of an exponential the differences of successive means are a geometric series, whose rest is known (Aitken's
delta-squared process). Natural convection is slower than an exponential towards its end and has up to twice as much to
come: half as much again is added, and the whole rest is taken as uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import fmean

_WINDOW_S = 10.0
"""A mean over so long averages a hundred scans of noise; three of them fit into two time constants of 15 s."""
_SLOWEST_S = 60.0
"""Longest time constant that is allowed for: three times that of natural convection at 15 K. No source."""
_MOST = _SLOWEST_S / _WINDOW_S
_CONVECTION = 1.5
"""What is left is taken for half as much again: natural convection ends more slowly than an exponential."""
_THREE, _PARTS = 3, 4
"""The last three of so many parts of the whole time: a slow creep needs longer ones to be distinguished from noise."""


@dataclass(frozen=True, slots=True)
class Rest:
    """A pressure at rest, and its uncertainty at 95 % by what had still to come."""

    kpa: float
    u_kpa: float
    left_kpa: float = 0.0
    """What was still to come, and is in it."""


@dataclass(frozen=True, slots=True)
class Creep:
    """One gauge since something moved."""

    means: tuple[float, ...] = ()
    """Of the windows."""
    began_s: float | None = None
    total: float = 0.0
    count: int = 0

    def take(self, now_s: float, kpa: float) -> Creep:
        """Take in a reading."""
        if self.began_s is None:
            return replace(self, began_s=now_s, total=kpa, count=1)
        if now_s - self.began_s < _WINDOW_S:
            return replace(self, total=self.total + kpa, count=self.count + 1)
        return Creep((*self.means, self.total / self.count), now_s, kpa, 1)

    @property
    def rest(self) -> Rest | None:
        """What it comes to; None before three windows."""
        if len(self.means) < _THREE:
            return None
        each = max(1, (len(self.means) + 1) // _PARTS)
        first, second, last = (fmean(self.means[-at * each :][:each]) for at in (3, 2, 1))
        before, now = second - first, last - second
        ratio = now / before if before else 0.0
        if not 0 < ratio < 1:
            # No creep that can be distinguished from noise.
            return Rest(last, _MOST / each * abs(now))
        left = min(ratio / (1 - ratio), _MOST / each) * now
        return Rest(last + _CONVECTION * left, abs(left), _CONVECTION * left)
