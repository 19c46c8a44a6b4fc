"""The optimum by dynamic programming, to hold the plan against: same laws, own grids, own quadrature.

Time is minimised over every sequence of fills (gas kept, air space shrinks) and air-outs (space kept, gas shrinks).
The state after a move is a point of a grid of air spaces and amounts of gas; the grid holds the points of the
published procedure too, so that a plan that just fits the window is among what it can choose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.plan.physics import Line, flow_lps, gas_flow_kg_s, series_bore_m
from rig.plan.schemes import WORTH_KPA
from rig.plan.strokes import NEAR_KPA, SETTLE_S, Window

Floats = NDArray[np.float64]
_GAS = 287.05 * 288.15


@dataclass(frozen=True)
class Case:
    line: Line
    window: Window
    start_kpa: float
    cavity_l: float
    target_l: float
    drawn: bool

    @property
    def hose_l(self) -> float:
        return self.line.hose_l if self.drawn else 0.0

    @property
    def extra(self) -> float:
        return self.line.suction_l * self.line.atmosphere_kpa_abs if self.drawn else 0.0


def _spaces(case: Case, n: int) -> Floats:
    """Air spaces from the start to the end, with those where the published procedure stops."""
    atmosphere = case.line.atmosphere_kpa_abs
    floor, ceiling = case.window.floor_kpa + atmosphere, case.window.ceiling_kpa + atmosphere
    start, end = case.cavity_l, case.cavity_l - case.target_l
    points = list(np.exp(np.linspace(math.log(start), math.log(end), n + 1)))
    points[0], points[-1] = start, end
    for gas in ((case.start_kpa + atmosphere) * start, floor * (start + case.hose_l) + case.extra):
        for _ in range(60):
            space = gas / ceiling
            if space <= end:
                break
            if space < start:
                points.append(space)
            gas = floor * (space + case.hose_l) + case.extra  # noqa: PLW2901
    return np.unique(np.array(points))[::-1]


def optimum_s(case: Case, n: int = 50) -> float:
    """Least time with the rests, seconds; infinite where the target cannot be reached."""
    atmosphere = case.line.atmosphere_kpa_abs
    floor, ceiling = case.window.floor_kpa + atmosphere, case.window.ceiling_kpa + atmosphere
    space = _spaces(case, n)
    begin = (case.start_kpa + atmosphere) * case.cavity_l
    most = max(begin, floor * (case.cavity_l + case.hose_l) + case.extra)
    own = floor * (space + case.hose_l) + case.extra
    even = np.exp(np.linspace(math.log(most), math.log(0.999 * floor * space[-1]), int(1.2 * n)))
    gas = np.unique(np.concatenate([even, own, [begin, ceiling * space[-1]]]))[::-1]
    gas = gas[gas <= most * (1 + 1e-12)]
    kpa, fill_curve, vent_curve = _curves(case)
    pressure = gas[None, :] / space[:, None]
    filled = np.interp(pressure - atmosphere, kpa, fill_curve)
    last = len(space) - 1
    to_fill = np.full((last + 1, len(gas)), np.inf)
    to_air = np.full((last + 1, len(gas)), np.inf)
    for j in range(last - 1, -1, -1):
        fits = pressure[j + 1 :] <= ceiling * (1 + 1e-9)
        # As in the plan: a stroke that raises the tyre by less than a psi, and is not the last, is no move.
        fits[:-1] &= pressure[j + 1 : last] >= pressure[j] + WORTH_KPA - 0.01
        times = gas * (filled[j + 1 :] - filled[j]) + SETTLE_S + np.vstack([to_air[j + 1 : last], np.zeros(len(gas))])
        to_fill[j] = np.where(fits, times, np.inf).min(axis=0)
        to_air[j] = (_air_s(case, space[j], gas, kpa, vent_curve, floor) + to_fill[j][None, :]).min(axis=1) + SETTLE_S
    at = int(np.argmin(abs(gas - begin)))
    return float(min(to_fill[0, at], to_air[0, at]))


def _air_s(case: Case, space: float, gas: Floats, kpa: Floats, curve: Floats, floor: float) -> Floats:
    """Time of every air-out at an air space, from each amount of gas (rows) to each (columns)."""
    line, atmosphere = case.line, case.line.atmosphere_kpa_abs
    before = gas / space
    after = (gas - case.extra) / (space + case.hose_l)
    # As in the plan: letting out less than a psi is no move that a relay and a gauge can make.
    large = after[None, :] <= before[:, None] - WORTH_KPA + 0.01
    if not case.drawn:
        at = np.interp(before - atmosphere, kpa, curve)
        times = space * (at[:, None] - at[None, :])
        allowed = large & (after[None, :] > 1.0005 * atmosphere)
    else:
        emptied = before * space / (space + line.hose_l)
        ratio = np.maximum(emptied[:, None] / np.maximum(after, 1e-9)[None, :], 1.0)
        # The hose back, the air out; then hose and suction line full again before liquid comes.
        times = (np.log(ratio) * (space + line.hose_l) + 2 * line.hose_l + line.suction_l) / line.pump_lps
        # As in the plan: a draw pays even in half the air space, or goes to the floor.
        back = after * (space / 2 + line.hose_l) + case.extra
        pays = (back[None, :] < before[:, None] * space / 2) | (after < floor + NEAR_KPA)[None, :]
        allowed = (after[None, :] <= emptied[:, None]) & pays & large
    return np.where(allowed & (after >= floor * (1 - 1e-9))[None, :], times, np.inf)


def _curves(case: Case) -> tuple[Floats, Floats, Floats]:
    """Gauge pressures with the integrals of dP/(P²Q) and of dP over the vent's rate, by trapezoids."""
    line, atmosphere = case.line, case.line.atmosphere_kpa_abs
    kpa = np.linspace(-30.0, max(case.window.ceiling_kpa, case.start_kpa) + 40, 1500)
    slow = np.array([1 / ((p + atmosphere) ** 2 * max(flow_lps(line, float(p)), 1e-7)) for p in kpa])
    bore = series_bore_m(line.bore_m, line.vent_bore_m)
    middles = (kpa[1:] + kpa[:-1]) / 2
    vent = [1 / (gas_flow_kg_s(bore, p + atmosphere, atmosphere) * _GAS) if p > 0 else 0.0 for p in middles]
    fill = np.concatenate([[0.0], np.cumsum((slow[1:] + slow[:-1]) / 2 * np.diff(kpa))])
    return kpa, fill, np.concatenate([[0.0], np.cumsum(np.array(vent) * np.diff(kpa))])
