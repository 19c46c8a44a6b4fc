"""Estimate how much warmer than its surroundings the gas in the tyre is, from what moves it and its pressure's creep.

A bank of Kalman filters, one for each time constant of the heat transfer (multiple models: Bar-Shalom, Li and
Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, section 11.6). The state of each is ``θ``
= T_gas / T_ambient − 1, of absolute temperatures:

- prediction: gas that is compressed or let expand without loss follows ``T ∝ density^(γ − 1)`` (any textbook), and θ
  decays by natural convection, Nu = 0.13·Ra^⅓ (McAdams, Heat Transmission): with its time constant at 15 K, more slowly
  where the difference is small, as ``|θ|^⅓``;
- measurement: at constant volume the pressure at rest creeps as θ decays;
- the innovations of that slope weight the models.

The first model is a gas that keeps its surroundings' temperature. Pressures absolute unless stated otherwise. Pure:
depends on no phases.
"""

from __future__ import annotations

import math

from rig.control.words.changed import changeable, changed
from rig.plan.physics import GAMMA

TIMES_S = (5.0, 10.0, 20.0, 40.0)
"""Time constants considered: natural convection gives 12 to 21 s from 100 to 340 L, wet walls and spray less."""
_REFERENCE = 0.05
"""θ at which a time constant holds: 15 K."""
_LEAST_PACE = 0.35
"""Of the decay at a small difference, relative to that: the liquid's surface moves the gas. An assumption."""
_MODELS = range(1 + len(TIMES_S))
_START_SD = 0.005
"""Standard deviation of θ when the gun is put on: 1.5 K, an assumption. This and the four spreads below hold the
truth in 96 to 100 % of draws by Newton's law and by convection (tests/control/test_warmth.py)."""
_MODEL_SD = 0.25
"""Of a change of θ by compression or expansion: errors of the law of heat transfer and of the account of the air."""
_LETS_OUT_SD = 0.35
"""The same for air let out, whose course is only known by its two ends. An assumption."""
_SLOPE_SD_KPA_S = 0.04
"""Standard deviation of a slope besides its noise: the gauge's settling, and heat transfer that is not exponential."""
_SLOPE_SHARE = 0.15
"""And as a share of the predicted slope."""
_TURNS = 6
"""Iterations after which θ at the end of a vent has converged; it depends on how far the gas has warmed since."""
_MOST_COOLED = -0.3
"""θ of air that was let out instantly to 0.29 of its pressure, ``0.7^(γ/(γ − 1))``: from 35 psi to ambient."""
_LEAST_WEIGHT = 0.01
"""No model is excluded for good: the heat transfer changes with the surface of the liquid."""
_CREDIBLE = 0.05
"""Share of the best model's weight from which one counts for the bounds: with less it is outside the 95 %."""


@changeable
class Warmth:
    """θ of each model, its standard deviation, and the models' weights; the first is the isothermal one."""

    theta: tuple[float, ...] = (0.0,) * (1 + len(TIMES_S))
    sd: tuple[float, ...] = (0.0, *((_START_SD,) * len(TIMES_S)))
    weight: tuple[float, ...] = (1.0 / (1 + len(TIMES_S)),) * (1 + len(TIMES_S))
    measured_s: float = -1e9
    """When a slope was last taken as a measurement."""
    let_out_kpa: float | None = None
    """Air is being let out, or has been since the last rest: the pressure at which that began."""
    let_out_s: float = 0.0
    """For how long."""
    let_out_until_s: float = 0.0

    @property
    def best(self) -> float:
        """Weighted mean of θ."""
        return math.fsum(weight * theta for weight, theta in zip(self.weight, self.theta, strict=True))

    @property
    def u(self) -> float:
        """Uncertainty of that at 95 %: within the models and between them."""
        best = self.best
        spread = zip(self.weight, self.theta, self.sd, strict=True)
        return 2 * math.sqrt(math.fsum(weight * (sd * sd + (theta - best) ** 2) for weight, theta, sd in spread))


def passed(warmth: Warmth, dt_s: float, density_ratio: float) -> Warmth:
    """Predict over ``dt_s`` in which the gas's density changed by ``density_ratio``."""
    heated = density_ratio ** (GAMMA - 1) - 1
    theta, sd = [0.0], [0.0]
    for number, time_s in enumerate(TIMES_S, 1):
        moved = warmth.theta[number] * (1 + heated) + heated
        decay = 1 / (1 + dt_s * pace(moved) / time_s)
        theta.append(moved * decay)
        sd.append((warmth.sd[number] + _MODEL_SD * abs(heated)) * decay)
    return changed(warmth, theta=tuple(theta), sd=tuple(sd))


def lets_out(warmth: Warmth, now_s: float, kpa_abs: float, dt_s: float) -> Warmth:
    """Air is being let out; ``kpa_abs`` is the pressure when that began."""
    began = kpa_abs if warmth.let_out_kpa is None else warmth.let_out_kpa
    return changed(warmth, let_out_kpa=began, let_out_s=warmth.let_out_s + dt_s, let_out_until_s=now_s)


def came_to_rest(warmth: Warmth, now_s: float, kpa_abs: float) -> Warmth:
    """Add the cooling by a vent, once the pressure at rest shows how far the gas has expanded.

    Since the last of it left the gas has warmed again, and its pressure risen.
    """
    since_s = now_s - warmth.let_out_until_s
    began_kpa, lasted_s = warmth.let_out_kpa, warmth.let_out_s
    if began_kpa is None:
        return warmth
    theta, sd = [0.0], [0.0]
    for number, time_s in enumerate(TIMES_S, 1):
        cooled = _expanded(began_kpa, kpa_abs, lasted_s / time_s, since_s / time_s)
        theta.append(warmth.theta[number] * _decayed(warmth.theta[number], lasted_s / time_s) + cooled)
        sd.append(math.hypot(warmth.sd[number], _LETS_OUT_SD * cooled))
    return changed(warmth, theta=tuple(theta), sd=tuple(sd), let_out_kpa=None, let_out_s=0.0)


def pace(theta: float) -> float:
    """How fast θ decays, relative to the time constant: faster where the difference is large."""
    return max(float((abs(theta) / _REFERENCE) ** (1 / 3)), _LEAST_PACE)


def _decayed(theta: float, times: float) -> float:
    """Share of θ that is left after so many time constants: the decay with ``|θ|^⅓`` in closed form."""
    return float((1 + times * pace(theta) / 3) ** -3)


def _expanded(began_kpa: float, rest_kpa: float, lasted: float, since: float) -> float:
    """θ at a rest after air was let out; both times in time constants."""
    left = at_end = 0.0
    for _ in range(_TURNS):
        ended_kpa = rest_kpa * (1 + at_end) / (1 + left)
        dropped = (GAMMA - 1) / GAMMA * math.log(ended_kpa / began_kpa)
        paced = lasted * pace(at_end or dropped)
        kept = -math.expm1(-paced) / paced if paced > 1e-6 else 1.0
        at_end = max(dropped * kept, _MOST_COOLED)
        left = at_end * _decayed(at_end, since)
    return left


def measured(warmth: Warmth, now_s: float, kpa_abs: float, slope_kpa_s: float, slope_u_kpa_s: float) -> Warmth:
    """Update with a slope at rest, ``slope_u_kpa_s`` at 95 %: correct each model, and weight it by its innovation."""
    noise = (slope_u_kpa_s / 2) ** 2 + _SLOPE_SD_KPA_S**2
    theta: list[float] = []
    sd: list[float] = []
    logs: list[float] = []
    for number in _MODELS:
        before, sigma = warmth.theta[number], warmth.sd[number]
        per_theta = -kpa_abs * pace(before) / TIMES_S[number - 1] if number else 0.0
        predicted = per_theta * before
        variance = (per_theta * sigma) ** 2 + noise + (_SLOPE_SHARE * predicted) ** 2
        innovation = slope_kpa_s - predicted
        gain = sigma * sigma * per_theta / variance
        theta.append(before + gain * innovation)
        sd.append(sigma * math.sqrt(max(1 - gain * per_theta, 0.0)))
        logs.append(math.log(warmth.weight[number]) - 0.5 * (innovation * innovation / variance + math.log(variance)))
    top = max(logs)
    weights = [max(math.exp(each - top), _LEAST_WEIGHT) for each in logs]
    total = math.fsum(weights)
    return changed(
        warmth, theta=tuple(theta), sd=tuple(sd), weight=tuple(each / total for each in weights), measured_s=now_s
    )


def since(warmth: Warmth, rest: Warmth) -> tuple[float, float, float]:
    """Absolute temperature now over that at a ``rest`` of the same fill: least, best, most."""
    least = most = 1.0
    best, floor = 0.0, _CREDIBLE * max(warmth.weight)
    for number in _MODELS:
        ratio = (1 + warmth.theta[number]) / (1 + rest.theta[number])
        best += warmth.weight[number] * ratio
        if warmth.weight[number] >= floor:
            least, most = min(least, ratio), max(most, ratio)
    return least, best, most
