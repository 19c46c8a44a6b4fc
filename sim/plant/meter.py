"""The flow meter: whole pulses from volume, with its true factor, its faults and its response to air."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random

    from sim.plant.params import MeterParams
    from sim.plant.upsets import Upsets

_KNOTS = 9
_SEEN_OF_AIR = {"counts": 1.0, "part": 0.4, "blind": 0.0}
"""Share of the air's volume that is counted. The value for "part" is assumed, no source."""


def viscosity_share(ratio: float) -> float:
    """Share of the drift between 1 and 500 mPa·s that a ratio of viscosities makes; the logarithm is assumed."""
    return math.log(ratio) / math.log(500.0)


class Meter:
    """Running counts (registers wrap, these do not) and the indicated flow."""

    __slots__ = (
        "_carry",
        "_curve",
        "_drift",
        "_frozen",
        "_full_lps",
        "_params",
        "_passed_l",
        "_rng",
        "flow_lps",
        "pulses",
        "reverse_pulses",
    )

    def __init__(self, params: MeterParams, full_lps: float, rng: random.Random, viscosity_mpas: float = 1.0) -> None:
        self._params = params
        self._drift = viscosity_share(viscosity_mpas / params.proven_mpas) * params.viscosity_drift
        self._passed_l = 0.0
        self._full_lps = full_lps
        self._rng = rng
        self._curve = [rng.gauss(0.0, params.noise) for _ in range(_KNOTS + 1)]
        self._carry = 0.0
        self._frozen: tuple[int, int, float] | None = None
        self.pulses = 0
        self.reverse_pulses = 0
        self.flow_lps = 0.0

    def _error(self, flow_lps: float) -> float:
        """Linearity error at a flow: linear interpolation between the knots."""
        place = min(abs(flow_lps) / self._full_lps, 1.0) * (_KNOTS - 1)
        index = int(place)
        return self._curve[index] + (place - index) * (self._curve[index + 1] - self._curve[index])

    def update(self, dt: float, volume_l: float, upsets: Upsets, liquid_l: float | None = None) -> None:
        """Count a signed volume; ``liquid_l`` of it is liquid, by default all."""
        liquid_l = volume_l if liquid_l is None else liquid_l
        volume_l = liquid_l + _SEEN_OF_AIR[self._params.on_air] * (volume_l - liquid_l)
        flow = volume_l / dt
        seen = 0.0 if upsets.meter_dead else volume_l * upsets.meter_gain
        if self._drift:
            seen *= 1.0 + self._drift
        if self._params.slip:
            self._passed_l += abs(liquid_l)
            if self._passed_l > self._params.slip_after_l:
                seen *= 1.0 - self._params.slip
        if self._params.reverse == "none" and seen < 0.0:
            seen = 0.0
        self.flow_lps += (seen / dt - self.flow_lps) * -math.expm1(-dt / self._params.flow_lag_s)
        if seen and self._params.noise:
            seen *= 1.0 + self._error(flow)
        pulses = seen * self._params.k_per_l
        if self._params.reverse == "unsigned":
            pulses = abs(pulses)
        if upsets.meter_noise_hz:
            pulses += upsets.meter_noise_hz * dt * 2.0 * self._rng.random()
        if pulses:
            self._count(pulses)

    def _count(self, pulses: float) -> None:
        # Edges are at fixed rotor positions: one that was passed forward is passed again in reverse.
        self._carry += pulses
        whole = math.floor(self._carry + 1e-9)
        if not whole:
            return
        self._carry -= whole
        if whole < 0 and self._params.second_channel:
            self.reverse_pulses -= whole
        else:
            self.pulses += whole

    def hold(self, stuck: bool) -> None:
        """Freeze the registers' values, or release them."""
        self._frozen = (self.pulses, self.reverse_pulses, self.flow_lps) if stuck else None

    def reset(self) -> None:
        """Lose the count, as after a power cycle of the counter."""
        self.pulses = self.reverse_pulses = 0

    def roll_back(self, volume_l: float) -> None:
        """Set the count back by a volume, as when a counter restores an old value."""
        self.pulses -= round(volume_l * self._params.k_per_l)

    def shown(self) -> tuple[int, int, float, float]:
        """Count, reverse count, total in litres and flow in litres per second, as in the registers."""
        forward, backward, flow = self._frozen or (self.pulses, self.reverse_pulses, self.flow_lps)
        return forward, backward, (forward - backward) / self._params.plate_k_per_l, flow
