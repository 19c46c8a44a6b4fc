"""The gas of the simulated tyre away from Boyle: polytropes, the liquid's warmth, and a gauge that errs."""

from __future__ import annotations

import statistics

import pytest

from sim.plant.params import FluidParams, TyreParams
from sim.plant.sensors import GaugeError
from sim.plant.tyre import Tyre

AIR = 101.325


def tyre(exponent: float = 1.0, warmer_k: float = 0.0, growth: float = 0.0) -> Tyre:
    params = TyreParams(300.0, growth_per_psi=growth, exponent=exponent, liquid_warmer_k=warmer_k, start_kpa=34.5)
    return Tyre(params, FluidParams(temperature_c=15.0), AIR)


@pytest.mark.parametrize("exponent", [1.0, 1.07, 1.4])
@pytest.mark.parametrize("growth", [0.0, 0.002])
def test_a_sealed_tyre_keeps_p_times_v_to_the_n(exponent: float, growth: float) -> None:
    """Polytropic change of state, any thermodynamics textbook: p·Vⁿ is constant."""
    wheel = tyre(exponent, growth=growth)
    first = wheel.pressure()
    before = first * wheel.cavity_l(first) ** exponent
    wheel.liquid_l = 180.0
    last = wheel.pressure()
    assert last * (wheel.cavity_l(last) - 180.0) ** exponent == pytest.approx(before, rel=1e-8)


def test_warm_liquid_warms_the_gas() -> None:
    """Ideal gas: at one volume the pressure goes with the absolute temperature, 3 K in 288.15 K."""
    cold, warm = tyre(), tyre(warmer_k=3.0)
    cold.liquid_l = warm.liquid_l = 150.0
    assert warm.pressure() / cold.pressure() == pytest.approx(1 + 3 / 288.15, rel=1e-4)


def test_a_warm_tyre_let_down_stands_at_ambient_pressure() -> None:
    wheel = tyre(1.1, warmer_k=3.0)
    wheel.liquid_l = 150.0
    wheel.lose_bead()
    wheel.bead_lost = False
    assert wheel.pressure() == pytest.approx(AIR, rel=1e-6)


def test_a_gauge_errs_by_its_standard_deviation_everywhere_and_always_the_same() -> None:
    for kpa in (12.0, 35.0, 117.3):
        errors = [GaugeError(0.5, seed).at(kpa) for seed in range(2000)]
        assert statistics.stdev(errors) == pytest.approx(0.5, rel=0.06)
        assert abs(statistics.mean(errors)) < 0.05
    assert GaugeError(0.5, 3).at(40.0) == GaugeError(0.5, 3).at(40.0)
    assert GaugeError(0.0, 3).at(40.0) == 0.0
