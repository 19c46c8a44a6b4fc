"""Pressure at the gun for each connection of the hose's end. Pure functions of a flow.

Flows in L/s out of the hose, pressures in kPa absolute. ``k`` factors are those of ``laws.orifice_factor``.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.plant.tyre import Tyre


def viscous_end(tyre: Tyre, dt: float, ahead: Callable[[float], float], behind: float) -> Callable[[float], float]:
    """Open tyre valve with liquid before it: as ``tyre_end``, the loss of the inflow by a law of its own."""
    head, pressure = tyre.head_kpa(), tyre.pressure

    def gun(flow: float) -> float:
        loss = ahead(flow) if flow >= 0.0 else -behind * flow * flow
        return pressure(flow * dt) + head + loss

    return gun


def tyre_end(tyre: Tyre, dt: float, ahead: float, behind: float) -> Callable[[float], float]:
    """Open tyre valve: gas pressure after the step, head of the liquid above the hole, and the bore's loss.

    ``ahead`` and ``behind`` are the bore's factor times the density of the inflow and of the outflow.
    """
    head, pressure = tyre.head_kpa(), tyre.pressure

    def gun(flow: float) -> float:
        loss = ahead * flow * flow if flow >= 0.0 else -behind * flow * flow
        return pressure(flow * dt) + head + loss

    return gun


def vent_end(air_kpa_abs: float, ahead: float, behind: float) -> Callable[[float], float]:
    """Tyre valve closed, vent valve open: the vent's loss alone."""

    def gun(flow: float) -> float:
        return air_kpa_abs + (ahead * flow * flow if flow >= 0.0 else -behind * flow * flow)

    return gun


class SharedEnd:
    """Tyre valve and vent valve both open at the gun: they share a pressure between tyre and ambient.

    Liquid from the hose leaves through the vent up to the vent's capacity at tyre pressure; the rest enters the tyre.
    Without liquid at the gun (``density_kg_m3`` None) the hose only displaces gas and the pressure is that of the vent.
    """

    __slots__ = ("_air", "_bore", "_inside", "_still", "_vent")

    def __init__(
        self, inside_kpa_abs: float, air_kpa_abs: float, bore: float, vent: float, density_kg_m3: float | None
    ) -> None:
        self._inside, self._air = inside_kpa_abs, air_kpa_abs
        # Two orifices in series: the drop divides in proportion to their factors.
        self._still = air_kpa_abs + (inside_kpa_abs - air_kpa_abs) * vent / (bore + vent)
        self._bore = bore * density_kg_m3 if density_kg_m3 else None
        self._vent = vent * (density_kg_m3 or 1.0)

    def _capacity(self) -> float:
        return math.sqrt(max(0.0, self._inside - self._air) / self._vent)

    def pressure(self, flow: float) -> float:
        """Pressure at the gun for a flow out of the hose."""
        if flow <= 0.0 or self._bore is None:
            return self._still
        capacity = self._capacity()
        if flow <= capacity:
            return self._still + (self._inside - self._still) * flow / capacity
        return self._both(flow)

    def _both(self, flow: float) -> float:
        assert self._bore is not None
        base = max(self._inside, self._air)
        low, high = base, base + flow * flow * self._vent
        for _ in range(40):
            middle = 0.5 * (low + high)
            into_tyre = math.sqrt(max(0.0, middle - self._inside) / self._bore)
            if into_tyre + math.sqrt(max(0.0, middle - self._air) / self._vent) > flow:
                high = middle
            else:
                low = middle
        return 0.5 * (low + high)

    def vent_share(self, flow: float, gun_kpa_abs: float) -> float:
        """Share of the hose's liquid that leaves through the vent."""
        if flow <= self._capacity():
            return 1.0
        return min(1.0, math.sqrt(max(0.0, gun_kpa_abs - self._air) / self._vent) / flow)

    def free(self, flow: float) -> float:
        """Share of the vent that is available to gas."""
        capacity = self._capacity()
        return max(0.0, 1.0 - flow / capacity) if capacity > 0.0 else 0.0
