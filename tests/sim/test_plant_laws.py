"""Flow laws against textbook figures."""

from __future__ import annotations

import math
import random

import pytest

from sim.plant.laws import HoseLoss, area_m2, gas_flow, orifice_factor, orifice_flow_lps, rising_root, series


@pytest.mark.parametrize("reynolds", [5e3, 2e4, 1e5, 1e6])
def test_turbulent_friction_is_that_of_a_smooth_pipe(reynolds: float) -> None:
    # Prandtl's law of smooth pipes (Schlichting, Boundary-Layer Theory): 1/sqrt(f) = 2 log10(Re sqrt(f)) - 0.8.
    friction = 0.02
    for _ in range(50):
        friction = (2.0 * math.log10(reynolds * math.sqrt(friction)) - 0.8) ** -2
    bore, length, density, viscosity = 0.0254, 10.0, 1000.0, 1.0
    speed = reynolds * viscosity * 1e-3 / (density * bore)
    expected_kpa = friction * length / bore * density * speed**2 / 2 / 1000
    flow_lps = speed * area_m2(bore) * 1000
    # Churchill's own claim is a few percent.
    assert HoseLoss(length, bore, density, viscosity).drop_kpa(flow_lps) == pytest.approx(expected_kpa, rel=0.03)


@pytest.mark.parametrize("flow_lps", [1e-7, 0.01, 0.3, -0.3])
def test_laminar_loss_is_hagen_poiseuille(flow_lps: float) -> None:
    # Hagen-Poiseuille: dp = 128 mu L Q / (pi d^4).
    bore, length, viscosity = 0.0254, 7.62, 500.0
    expected_kpa = 128 * viscosity * 1e-3 * length * flow_lps * 1e-3 / (math.pi * bore**4) / 1000
    assert HoseLoss(length, bore, 1250.0, viscosity).drop_kpa(flow_lps) == pytest.approx(expected_kpa, rel=1e-6)


def test_orifice_both_ways() -> None:
    # 8 mm, Cd 0.7, water, 10 psi: Q = Cd A sqrt(2 dp/rho), worked by hand: 0.413 L/s (6.55 gpm).
    effective = 0.7 * area_m2(0.008)
    assert orifice_flow_lps(effective, 68.95, 1000.0) == pytest.approx(0.4132, rel=1e-3)
    assert orifice_factor(effective) * 1000.0 * 0.4132**2 == pytest.approx(68.95, rel=1e-3)


@pytest.mark.parametrize("kelvin", [260.0, 288.15, 310.0])
def test_choked_air_is_the_textbook_constant(kelvin: float) -> None:
    # Air: mass flow = 0.0404 p A / sqrt(T) in SI units (Fliegner's formula, compressible-flow textbooks).
    area, up_kpa = area_m2(0.004), 240.0
    kg_per_s = gas_flow(area, up_kpa, 100.0, kelvin) / (287.05 * kelvin)
    assert kg_per_s == pytest.approx(0.0404 * up_kpa * 1000 * area / math.sqrt(kelvin), rel=2e-3)


def test_gas_flow_joins_at_the_critical_ratio_and_stops_at_equal_pressure() -> None:
    below, above = gas_flow(1e-5, 200.0, 200 * 0.5282, 290.0), gas_flow(1e-5, 200.0, 200 * 0.5284, 290.0)
    assert below == pytest.approx(above, rel=1e-5)
    assert gas_flow(1e-5, 100.0, 100.0, 290.0) == 0.0
    # Small drops: incompressible orifice with the density of air at the inlet.
    density = 100.0 * 1000 / (287.05 * 290)
    expected = 1e-5 * math.sqrt(2 * 100 / density) * 1000 * 100.0
    assert gas_flow(1e-5, 100.0, 99.9, 290.0) == pytest.approx(expected, rel=2e-3)


def test_series_of_two_equal_bores_is_a_bore_over_root_two() -> None:
    assert series(2.0, 2.0) == pytest.approx(2.0 / math.sqrt(2.0))
    assert series(2.0, 0.0) == 0.0


def test_root_of_steep_and_flat_functions() -> None:
    rng = random.Random(4)
    for _ in range(300):
        root, steep = rng.uniform(-30, 30), 10 ** rng.uniform(-3, 3)

        def rising(x: float, root: float = root, steep: float = steep) -> float:
            return steep * (x - root) + (x - root) ** 3

        found, _slope = rising_root(rising, rng.uniform(-40, 40), 10 ** rng.uniform(-3, 3), -50.0, 50.0, 1e-9)
        assert abs(rising(found)) < 1e-9 or found == pytest.approx(root, abs=1e-9)
