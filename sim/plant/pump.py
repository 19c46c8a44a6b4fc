"""The pump with its relays and its relief valve: its speed, and its flow at a pressure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.plant.laws import GRAVITY, HoseLoss

if TYPE_CHECKING:
    from sim.plant.params import FluidParams, PipeParams, PumpParams

_VAPOUR_KPA_ABS = 2.0
_STARVED_KPA_ABS = 12.0
"""Range of inlet pressure in which a reversed pump loses its suction (cavitation). From memory, rounded."""


def suction_lps(pipe: PipeParams, fluid: FluidParams, atmosphere_kpa_abs: float) -> float:
    """Flow at which the pump's inlet is down to what it needs above the liquid's vapour: more only cavitates.

    Infinite without a suction line, 0 where the lift alone is too high. Found by bisection.
    """
    if not pipe.suction_length_m:
        return math.inf
    loss = HoseLoss(pipe.suction_length_m, pipe.suction_bore_m, fluid.density_kg_m3, fluid.viscosity_mpas)
    lift_kpa = fluid.density_kg_m3 * GRAVITY * 1e-3 * pipe.suction_lift_m
    left_kpa = atmosphere_kpa_abs - lift_kpa - max(fluid.vapour_kpa, _VAPOUR_KPA_ABS) - pipe.suction_needs_kpa
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if loss.drop_kpa(middle) > left_kpa else (middle, high)
    return low


class Relay:
    """A contact that follows its command after a delay."""

    __slots__ = ("_delay", "_due", "_wanted", "closed")

    def __init__(self, delay_s: float) -> None:
        self._delay = delay_s
        self._wanted = False
        self._due: float | None = None
        self.closed = False

    def command(self, now: float, on: bool) -> None:
        """Note the command; only a change starts the delay."""
        if on != self._wanted:
            self._wanted = on
            self._due = now + self._delay

    def update(self, now: float) -> bool:
        """Return the contact's state at ``now``."""
        if self._due is not None and now >= self._due - 1e-9:
            self.closed = self._wanted
            self._due = None
        return self.closed

    @property
    def due_s(self) -> float | None:
        """Time at which the contact will move, None if it will not."""
        return self._due


class Pump:
    """Speed of the pump, from -1 (full reverse) to 1 (full forward)."""

    __slots__ = ("_most_lps", "_params", "speed")

    def __init__(self, params: PumpParams, most_lps: float = math.inf) -> None:
        """``most_lps`` is the flow that the suction line can give."""
        self._params, self._most_lps = params, most_lps
        self.speed = 0.0

    def turn(self, dt: float, target: float) -> float:
        """Ramp the speed towards ``target`` for ``dt``; returns its mean over that time.

        The ramp is linear in both directions. To reverse, the pump first comes to rest.
        """
        start, left, area = self.speed, dt, 0.0
        while left > 1e-12 and self.speed != target:
            aim = 0.0 if self.speed * target < 0.0 else target
            rising = abs(aim) > abs(self.speed)
            ramp_s = self._params.start_lag_s if rising else self._params.coast_s
            need = abs(aim - self.speed) * ramp_s
            used = min(left, need)
            before = self.speed
            self.speed = aim if used >= need - 1e-12 else before + (aim - before) * used / need
            area += 0.5 * (before + self.speed) * used
            left -= used
            if used <= 0.0 and self.speed == before:
                break
        area += self.speed * left
        return area / dt if dt > 0.0 else start

    def flow_lps(self, speed: float, line_kpa_abs: float, air: float, atmosphere: float, gain: float) -> float:
        """Net flow past the meter at line pressure, minus the relief flow; falls as the line pressure rises.

        ``air`` is the share of gas at the suction line's end, at atmospheric pressure.
        """
        params = self._params
        rise = line_kpa_abs - atmosphere
        rest = -params.rest_slip_lps_per_kpa * rise
        if speed == 0.0:
            moved = rest
        elif speed > 0.0:
            moved = max(params.flow_lps * speed * gain - params.slip_lps_per_kpa * rise, min(rest, 0.0))
            moved = min(moved, self._most_lps)
            if air > 0.0 and moved > 0.0:
                moved *= 1.0 - air + air * atmosphere / line_kpa_abs
        else:
            most_lps = params.flow_lps if params.reverse_lps is None else params.reverse_lps
            moved = min(most_lps * speed * gain - params.slip_lps_per_kpa * rise, 0.0)
            starved = (line_kpa_abs - _VAPOUR_KPA_ABS) / (_STARVED_KPA_ABS - _VAPOUR_KPA_ABS)
            moved *= min(max(starved, 0.0), 1.0)
        over = rise - params.relief_kpa
        if over > 0.0:
            moved -= over * params.flow_lps / params.relief_band_kpa
        return moved
