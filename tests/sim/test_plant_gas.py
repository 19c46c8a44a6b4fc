"""The gas of the simulated tyre away from Boyle: polytropes, casings that grow late, and a gauge that errs."""

from __future__ import annotations

import statistics

import pytest

from sim.plant.params import FluidParams, TyreParams
from sim.plant.sensors import ErrorSplit, GaugeError
from sim.plant.tyre import Tyre

AIR = 101.325
KPA_PER_PSI = 6.894757293168361


@pytest.mark.parametrize("exponent", [1.0, 1.07, 1.4])
@pytest.mark.parametrize("growth", [0.0, 0.002])
def test_a_sealed_tyre_keeps_p_times_v_to_the_n(exponent: float, growth: float) -> None:
    """Polytropic change of state, any thermodynamics textbook: p·Vⁿ is constant."""
    params = TyreParams(300.0, growth_per_psi=growth, exponent=exponent, start_kpa=34.5)
    wheel = Tyre(params, FluidParams(), AIR)
    first = wheel.pressure()
    before = first * wheel.cavity_l(first) ** exponent
    wheel.liquid_l = 180.0
    last = wheel.pressure()
    assert last * (wheel.cavity_l(last) - 180.0) ** exponent == pytest.approx(before, rel=1e-8)


def test_a_casing_grows_at_once_and_late_by_its_shares() -> None:
    """First-order creep, any viscoelasticity textbook: after three time constants 95 % of the late share is done."""
    params = TyreParams(300.0, growth_per_psi=0.003, growth_delayed=0.4, growth_s=50.0)
    wheel = Tyre(params, FluidParams(), AIR)
    assert wheel.settles
    wheel.gas *= 2.0
    whole_l = 300.0 * 0.003 / KPA_PER_PSI
    at_once_kpa = wheel.pressure()
    assert wheel.cavity_l(at_once_kpa) - 300.0 == pytest.approx(0.6 * whole_l * (at_once_kpa - AIR), rel=1e-9)
    for _ in range(1500):
        wheel.settle(0.1)
    kpa = wheel.pressure()
    assert kpa < at_once_kpa
    assert wheel.cavity_l(kpa) - 300.0 == pytest.approx((0.6 + 0.4 * 0.95) * whole_l * (kpa - AIR), rel=2e-3)
    assert kpa * wheel.cavity_l(kpa) == pytest.approx(wheel.gas, rel=1e-9)


def test_a_tyre_that_has_stood_at_its_pressure_has_grown() -> None:
    late, at_once = (
        Tyre(TyreParams(300.0, growth_per_psi=0.003, growth_delayed=share, start_kpa=100.0), FluidParams(), AIR)
        for share in (0.5, 0.0)
    )
    assert late.gas == pytest.approx(at_once.gas)


def test_a_gauge_errs_by_its_standard_deviation_everywhere_and_always_the_same() -> None:
    for kpa in (12.0, 35.0, 117.3):
        errors = [GaugeError(0.5, seed).at(kpa) for seed in range(2000)]
        assert statistics.stdev(errors) == pytest.approx(0.5, rel=0.06)
        assert abs(statistics.mean(errors)) < 0.05
    assert GaugeError(0.5, 3).at(40.0) == GaugeError(0.5, 3).at(40.0)
    assert GaugeError(0.0, 3).at(40.0) == 0.0


def test_a_split_error_has_its_parts_and_no_more_than_the_whole() -> None:
    """The terms of IEC 61298-2 as makers explain them: zero, span, and what departs from a straight line."""
    split = ErrorSplit(100.0, zero=0.375, span=0.375, curve=0.25)
    for kpa, share in ((0.0, 0.375), (25.0, 0.375 + 0.375 / 16 + 0.25 * 0.78), (100.0, 0.75)):
        errors = [GaugeError(0.5, seed, split).at(kpa) for seed in range(3000)]
        assert statistics.stdev(errors) == pytest.approx(0.5 * share**0.5, rel=0.06)
    one = GaugeError(0.5, 3, ErrorSplit(100.0, span=1.0))
    assert one.at(100.0) == pytest.approx(4 * one.at(25.0))
    bent = GaugeError(0.5, 3, ErrorSplit(100.0, curve=1.0))
    assert (bent.at(0.0), bent.at(100.0)) == pytest.approx((0.0, 0.0))
    rest = [GaugeError(0.5, seed, ErrorSplit(100.0, zero=0.5)).at(50.0) for seed in range(3000)]
    assert statistics.stdev(rest) == pytest.approx(0.5, rel=0.06)
