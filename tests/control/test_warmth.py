"""The estimate of the gas's temperature, against integrations of the first law by scipy and published check values.

First law for an open volume of ideal gas at wall temperature 1 (any thermodynamics textbook), θ = T/T_wall − 1:
d ln(1 + θ) = (γ − 1)·d ln(density), and heat transfer either by Newton's law, θ' = −θ/τ, or by natural convection,
Nu = 0.13·Ra^⅓ (McAdams, Heat Transmission): θ' = −θ/τ·(density²·|ΔT|)^⅓, at 1 for 135 kPa and 15 K.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from rig.control.belief.warmth import TIMES_S, Warmth, came_to_rest, lets_out, measured, passed, since

GAMMA, WALL_K, DT_S, WINDOW_S = 1.4, 288.15, 0.1, 3.0
Heat = Callable[[float, float], float]
"""θ and relative density to θ'."""


def newton(time_s: float) -> Heat:
    return lambda theta, _: -theta / time_s


def convection(time_s: float) -> Heat:
    def heat(theta: float, density: float) -> float:
        return -theta / time_s * np.cbrt(density**2 * abs(theta) * WALL_K / 15.0)

    return heat


@dataclass
class Gas:
    """The true gas, by scipy: relative density and θ; pressure is their product, kPa absolute."""

    heat: Heat
    density: float
    theta: float = 0.0

    @property
    def kpa(self) -> float:
        return 135.0 * self.density * (1 + self.theta)

    def go(self, lasts_s: float, rate: float = 0.0) -> None:
        """``rate`` is d ln(density)/dt."""
        began = self.density

        def slope(t: float, y: np.ndarray) -> list[float]:
            return [(GAMMA - 1) * rate * (1 + y[0]) + self.heat(y[0], began * math.exp(rate * t))]

        solved = scipy.integrate.solve_ivp(slope, (0.0, lasts_s), [self.theta], rtol=1e-8, atol=1e-10, max_step=1.0)
        self.theta, self.density = float(solved.y[0, -1]), began * math.exp(rate * lasts_s)


class Watched:
    """A gas and the estimate of it, on one clock."""

    def __init__(self, gas: Gas) -> None:
        self.gas, self.warmth, self.now_s = gas, Warmth(), 0.0

    def stroke(self, lasts_s: float, ratio: float) -> None:
        """Change the density by ``ratio``, counted."""
        rate = math.log(ratio) / lasts_s
        self.gas.go(lasts_s, rate)
        for _ in range(round(lasts_s / DT_S)):
            self.warmth = passed(self.warmth, DT_S, math.exp(rate * DT_S))
        self.now_s += lasts_s

    def vent(self, lasts_s: float, ratio: float) -> None:
        """Let air out, uncounted."""
        began_kpa = self.gas.kpa
        self.gas.go(lasts_s, math.log(ratio) / lasts_s)
        for _ in range(round(lasts_s / DT_S)):
            self.now_s += DT_S
            self.warmth = lets_out(self.warmth, self.now_s, began_kpa, DT_S)

    def rest(self, lasts_s: float, error: Callable[[], float] = float) -> None:
        """Read the gauge at the end of each window; ``error`` in the slope, kPa/s."""
        for _ in range(round(lasts_s / WINDOW_S)):
            was_kpa = self.gas.kpa
            for _ in range(round(WINDOW_S / DT_S)):
                self.warmth = passed(self.warmth, DT_S, 1.0)
            self.gas.go(WINDOW_S)
            self.now_s += WINDOW_S
            slope = (self.gas.kpa - was_kpa) / WINDOW_S + error()
            self.warmth = came_to_rest(self.warmth, self.now_s, self.gas.kpa)
            self.warmth = measured(self.warmth, self.now_s, self.gas.kpa, slope, 0.04)

    @property
    def settles_kpa(self) -> tuple[float, float]:
        """Estimated pressure once the gas has the walls' temperature, and its uncertainty."""
        kpa = self.gas.kpa / (1 + self.warmth.best)
        return kpa, kpa * self.warmth.u

    @property
    def true_kpa(self) -> float:
        return 135.0 * self.gas.density


@pytest.mark.parametrize(("transfer", "nominal"), [(newton, 0.9), (convection, 0.9)])
def test_the_settled_pressure_lies_within_its_uncertainty(transfer: Callable[[float], Heat], nominal: float) -> None:
    """Drawn vents and strokes, 5 to 40 s: at least ``nominal`` of the estimates hold the truth, and say something."""
    rng, inside, widths, errors = random.Random(3), 0, [], []
    for _ in range(150):
        watched = Watched(Gas(transfer(rng.uniform(5.0, 40.0)), rng.uniform(1.0, 1.8)))
        if rng.random() < 0.5:
            watched.vent(rng.uniform(5.0, 60.0), rng.uniform(0.6, 0.95))
        else:
            watched.stroke(rng.uniform(20.0, 300.0), rng.uniform(1.05, 1.6))
        watched.rest(rng.choice((6.0, 12.0, 30.0)), lambda: rng.gauss(0.0, 0.02))
        kpa, u_kpa = watched.settles_kpa
        inside += abs(kpa - watched.true_kpa) <= u_kpa
        widths.append(u_kpa)
        errors.append(abs(kpa - watched.true_kpa))
    assert inside >= nominal * 150
    assert np.median(widths) < 3.5
    assert np.median(errors) < 1.0


@pytest.mark.parametrize(
    ("began_psi", "took_s", "cold_k", "settles_psi"),
    [
        pytest.param(14.0, 19.0, 22.0, 6.5, id="339 L through 8 mm"),
        pytest.param(20.0, 17.0, 30.0, 7.2, id="200 L through 8 mm"),
        pytest.param(14.0, 62.0, 13.0, 5.9, id="339 L through 4 mm"),
    ],
)
def test_vents_of_the_published_procedure(began_psi: float, took_s: float, cold_k: float, settles_psi: float) -> None:
    """Down to 5 psi; temperature at the end and settled pressure by an integration made outside the project."""
    psi, air = 6.894757, 101.325
    warmth = Warmth()
    for number in range(round(took_s / DT_S)):
        warmth = lets_out(warmth, DT_S * number, began_psi * psi + air, DT_S)
    kpa = 5.0 * psi + air
    warmth = came_to_rest(warmth, took_s, kpa)
    # Convection slows down as the difference shrinks: a nominal 20 s lies between these two.
    usual, slow = (warmth.theta[TIMES_S.index(time_s) + 1] for time_s in (20.0, 40.0))
    assert -WALL_K * usual <= cold_k + 2.5
    assert -WALL_K * slow >= cold_k - 2.5
    assert (kpa / (1 + usual) - air) / psi <= settles_psi + 0.2
    assert (kpa / (1 + slow) - air) / psi >= settles_psi - 0.2


def test_a_gas_that_does_not_creep_is_taken_for_isothermal_at_once() -> None:
    watched = Watched(Gas(lambda theta, _: -theta / 0.01, 1.5))
    watched.vent(20.0, 0.7)
    watched.rest(6.0)
    assert watched.warmth.weight[0] > 0.8
    kpa, u_kpa = watched.settles_kpa
    assert kpa == pytest.approx(watched.true_kpa, abs=0.5)
    assert u_kpa < 2.0


def test_a_rest_before_a_stroke_serves_to_predict_the_pressure_in_it() -> None:
    """Compressed by a half in 60 s with 20 s of heat transfer: the bounds hold the true ratio of temperatures."""
    watched = Watched(Gas(newton(20.0), 1.0))
    watched.rest(6.0)
    rest = watched.warmth
    watched.stroke(60.0, 1.5)
    least, best, most = since(watched.warmth, rest)
    assert least <= 1 + watched.gas.theta <= most
    assert least < best < most


@given(st.floats(0.5, 2.0), st.floats(0.05, 120.0), st.floats(-3.0, 3.0), st.floats(0.0, 5.0))
def test_whatever_is_read_the_weights_are_shares_and_nothing_overflows(
    ratio: float, lasts_s: float, slope: float, slope_u: float
) -> None:
    warmth = measured(passed(Warmth(), DT_S, ratio), 1.0, 150.0, slope, slope_u)
    warmth = came_to_rest(lets_out(warmth, lasts_s, 250.0, lasts_s), lasts_s + 1e3, 1.0)
    warmth = measured(warmth, lasts_s + 1e3, 150.0, slope, slope_u)
    assert sum(warmth.weight) == pytest.approx(1.0)
    assert all(map(math.isfinite, (*warmth.theta, *warmth.sd, *since(warmth, Warmth()))))
