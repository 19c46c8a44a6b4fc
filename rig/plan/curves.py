"""Time of a fill or a vent between two pressures, from two curves that are computed once for a line.

A sealed stroke keeps its gas N = P·H (Boyle), so its time is N times a difference of one curve of the pressure; a vent
keeps its air space H, so its time is H times a difference of the other. A whole plan then takes a few look-ups.
Pressures inside are absolute. It must not know what a good plan is.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import lru_cache

from rig.plan.physics import AIR_J_KG, Line, gas_flow_kg_s, head_kpa, series_bore_m
from rig.plan.physics import flow_lps as flow_into

_STEP_KPA = 2.0
_LOWEST_KPA, _HIGHEST_KPA = -40.0, 260.0
_NODES = round((_HIGHEST_KPA - _LOWEST_KPA) / _STEP_KPA) + 1
_STILL_LPS = 0.002
"""Flow below which the pump no longer raises the pressure: 0.12 L/min."""
_RISE_STEP_M = 0.01
_NEVER = 1e9


@dataclass(frozen=True, slots=True)
class Curves:
    """Both curves of a line, at equal steps of gauge pressure, and the highest pressure that the pump reaches."""

    fill: tuple[float, ...]
    """Seconds for each kPa·L of sealed gas, counted from the lowest pressure."""
    vent: tuple[float, ...]
    """Seconds for each litre of air space, likewise."""
    reach_kpa: float

    def fill_s(self, gas_kpa_l: float, from_kpa: float, to_kpa: float) -> float:
        """Time to compress a sealed amount of gas (absolute pressure times volume) between two gauge pressures."""
        return gas_kpa_l * (_at(self.fill, to_kpa) - _at(self.fill, from_kpa))

    def vent_s(self, air_l: float, from_kpa: float, to_kpa: float) -> float:
        """Time to bleed an air space from one gauge pressure down to another."""
        return air_l * (_at(self.vent, from_kpa) - _at(self.vent, to_kpa))


def _at(curve: tuple[float, ...], kpa: float) -> float:
    place = (kpa - _LOWEST_KPA) / _STEP_KPA
    left = min(max(int(place), 0), _NODES - 2)
    return curve[left] + (place - left) * (curve[left + 1] - curve[left])


def curves_of(line: Line) -> Curves:
    """The curves of a line; the rise is rounded to a centimetre, an eighth of a kilopascal of head."""
    return _curves(replace(line, rise_m=round(line.rise_m / _RISE_STEP_M) * _RISE_STEP_M))


@lru_cache(maxsize=256)
def _curves(line: Line) -> Curves:
    flows = _flows(replace(line, rise_m=0.0))
    head = head_kpa(line)
    atmosphere = line.atmosphere_kpa_abs

    def slowness(kpa: float) -> float:
        flow = _at(flows, kpa + head)
        return 1 / ((kpa + atmosphere) ** 2 * max(flow, 1e-7))

    fill = _cumulative([slowness(_kpa(node / 2)) for node in range(2 * _NODES - 1)])
    reach = max((_kpa(node) for node in range(_NODES) if _at(flows, _kpa(node) + head) > _STILL_LPS), default=-_NEVER)
    return Curves(fill, _vent(series_bore_m(line.bore_m, line.vent_bore_m), atmosphere), reach)


def _kpa(node: float) -> float:
    return _LOWEST_KPA + node * _STEP_KPA


def _cumulative(halves: list[float]) -> tuple[float, ...]:
    """Integral from the lowest pressure, by Simpson's rule over each step with its midpoint."""
    steps = ((a + 4 * m + b) * _STEP_KPA / 6 for a, m, b in zip(halves[:-2:2], halves[1::2], halves[2::2], strict=True))
    return tuple(itertools.accumulate(steps, initial=0.0))


@lru_cache(maxsize=64)
def _flows(line: Line) -> tuple[float, ...]:
    """Flow against the back pressures at the nodes, of a line without rise."""
    return tuple(flow_into(line, _kpa(node)) for node in range(_NODES))


@lru_cache(maxsize=64)
def _vent(bore_m: float, atmosphere_kpa_abs: float) -> tuple[float, ...]:
    total, curve = 0.0, []
    for node in range(_NODES):
        curve.append(total)
        # Four midpoints per step: near ambient the curve is steep.
        for part in range(4):
            above = _kpa(node + (part + 0.5) / 4)
            if above > 0:
                rate = gas_flow_kg_s(bore_m, above + atmosphere_kpa_abs, atmosphere_kpa_abs) * AIR_J_KG
                total += _STEP_KPA / 4 / rate
    return tuple(curve)
