"""The cavity of a tyre as a body of revolution: its volume, and the volume below a level.

The inner section is described by a few lengths: from the rim seat up to the widest point a quarter ellipse, above it a
superellipse closed at the crown, below it the rim well. A horizontal line at y above the axle cuts every ring of
radius r: the share 1 - acos(y/r)/pi of it is below. It must not know designations, tables or liquids.

The integrals use a fixed Gauss-Legendre rule in the angle of r = middle - half cos(angle): the section has vertical
tangents at the ends of its pieces and the rings a square root at r = y, and both become smooth in that angle.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

_NODES = 10


def _legendre(n: int) -> list[tuple[float, float]]:
    """Nodes and weights of the n-point Gauss-Legendre rule on [-1, 1], by Newton's method."""
    rule = []
    for k in range(1, n + 1):
        x = math.cos(math.pi * (k - 0.25) / (n + 0.5))
        slope = 1.0
        for _ in range(50):
            before, here = 1.0, x
            for j in range(2, n + 1):
                before, here = here, ((2 * j - 1) * x * here - (j - 1) * before) / j
            slope = n * (x * here - before) / (x * x - 1)
            x -= here / slope
        rule.append((x, 2 / ((1 - x * x) * slope * slope)))
    return rule


def _panel() -> tuple[tuple[float, float], ...]:
    """Nodes on [0, 1] and weights of the rule with clustered ends, for integrals over a piece of the section."""
    angles = [(math.pi * (1 + x) / 2, math.pi * w / 2) for x, w in _legendre(_NODES)]
    return tuple((math.sin(t / 2) ** 2, w * math.sin(t) / 2) for t, w in angles)


_PANEL = _panel()


@dataclass(frozen=True, slots=True)
class Section:
    """Inner lengths of a tyre on its rim, metres; radii are from the axle."""

    rim_radius_m: float
    height_m: float
    width_m: float
    rim_width_m: float
    widest_m: float
    crown_power: float
    well_depth_m: float
    well_width_m: float

    @property
    def crown_radius_m(self) -> float:
        """Radius of the inner crown."""
        return self.rim_radius_m + self.height_m

    def width_at(self, radius_m: float) -> float:
        """Inner width at a radius, well included; 0 outside the cavity."""
        h = radius_m - self.rim_radius_m
        if h < 0:
            return self.well_width_m if h >= -self.well_depth_m else 0.0
        if h < self.widest_m:
            bulge = math.sqrt(max(0.0, 1 - (1 - h / self.widest_m) ** 2))
            return self.rim_width_m + (self.width_m - self.rim_width_m) * bulge
        up = (h - self.widest_m) / (self.height_m - self.widest_m)
        return self.width_m * math.pow(max(0.0, 1 - math.pow(up, self.crown_power)), 1 / self.crown_power)

    def _edges(self) -> tuple[float, float, float, float]:
        seat = self.rim_radius_m
        return (seat - self.well_depth_m, seat, seat + self.widest_m, seat + self.height_m)

    def _pieces(self, split_m: float) -> Iterator[tuple[float, float]]:
        """The smooth pieces of the section, also split at the level."""
        edges = self._edges()
        for low, high in itertools.pairwise(edges):
            if low < split_m < high:
                yield low, split_m
                yield split_m, high
            elif high > low:
                yield low, high

    def _integral(self, ring: Callable[[float], float], split_m: float) -> float:
        """Integral of ring(r) times the section's width over r."""
        total = 0.0
        for low, high in self._pieces(split_m):
            span = high - low
            for at, weight in _PANEL:
                r = low + span * at
                total += span * weight * self.width_at(r) * ring(r)
        return total

    def volume_m3(self) -> float:
        """Volume of the whole cavity."""
        return self._integral(lambda r: 2 * math.pi * r, 0.0)

    def volume_above_m3(self, level_m: float) -> float:
        """Volume above a level at or above the axle; ``level_m`` is measured from the axle."""
        return self._integral(lambda r: 2 * r * math.acos(level_m / r) if r > level_m else 0.0, level_m)

    def surface_m2(self, level_m: float) -> float:
        """Area of the liquid's surface at a level: the derivative of the volume."""
        y = abs(level_m)
        return self._integral(lambda r: 2 * r / math.sqrt(r * r - y * y) if r > y else 0.0, y)
