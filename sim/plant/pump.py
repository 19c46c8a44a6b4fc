"""The pump with its relays and its relief valve: its speed, and its flow at a pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.plant.params import PumpParams

_VAPOUR_KPA_ABS = 2.0
_STARVED_KPA_ABS = 12.0
"""Range of inlet pressure in which a reversed pump loses its suction (cavitation). From memory, rounded."""


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

    __slots__ = ("_params", "speed")

    def __init__(self, params: PumpParams) -> None:
        self._params = params
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
