"""The published procedure on a 16.9-28 by Boyle's law, and gas, orifice and hose laws against textbook figures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from lines import GAL, PSI, line_of, window_of

from rig.plan.physics import (
    bore_loss_kpa,
    churchill,
    flow_lps,
    gas_flow_kg_s,
    hose_loss_kpa,
    line_loss_kpa,
    sealed_kpa,
    vent_seconds,
)
from rig.plan.strokes import AtRest, fixed_procedure

# 69 gal is the published fill of a 16.9-28 (dealer's water chart); taken as 75 %, the cavity is 92 gal. The rows are
# Boyle's law by hand at 14.696 psi: start, floor, ceiling; gallons stroke by stroke; final pressure.
TABLE = [
    (0.0, 5.0, 20.0, (53.03, 15.97), 18.67),
    (5.0, 5.0, 20.0, (39.77, 22.58, 6.65), 10.69),
    (5.0, 5.0, 14.0, (28.85, 19.80, 13.59, 6.75), 10.78),
]


@pytest.mark.parametrize(("start", "floor", "ceiling", "gallons", "final"), TABLE)
def test_the_published_procedure_as_computed_by_boyles_law(
    start: float, floor: float, ceiling: float, gallons: tuple[float, ...], final: float
) -> None:
    rest = AtRest(start * PSI, 92 * GAL, 69 * GAL)
    plan = fixed_procedure(line_of(), window_of(floor, ceiling), rest, "vent")
    strokes = [stroke.litres / GAL for stroke in plan.strokes if stroke.move == "fill"]
    assert strokes == pytest.approx(gallons, abs=0.02)
    assert plan.final_kpa / PSI == pytest.approx(final, abs=0.02)


def test_a_sealed_tyre_of_that_size_bursts_the_bead_limit() -> None:
    # 69 into 92 gal from 0 psi: four times 14.696 psi absolute, 44.1 psi gauge.
    assert sealed_kpa(line_of(), 0.0, 92, 23) / PSI == pytest.approx(44.1, abs=0.05)
    assert sealed_kpa(line_of(), 5 * PSI, 92, 23) / PSI == pytest.approx(64.1, abs=0.1)


# Darcy friction factors of a smooth pipe: 64/Re, and the smooth line of the Moody chart as tabulated in
# F. M. White, Fluid Mechanics (Prandtl's smooth law): 1e4 0.0309, 1e5 0.0180, 1e6 0.0116. From memory.
@pytest.mark.parametrize(
    ("reynolds", "factor", "within"),
    [(100, 0.64, 1e-3), (1000, 0.064, 1e-3), (1e4, 0.0309, 0.02), (1e5, 0.0180, 0.01), (1e6, 0.0116, 0.01)],
)
def test_churchill_against_the_moody_chart(reynolds: float, factor: float, within: float) -> None:
    assert churchill(reynolds) == pytest.approx(factor, rel=within)


def test_choked_flow_against_the_textbook_constant() -> None:
    # Shapiro (1953): m = 0.0404 p A / sqrt(T) for air, SI, here times the bore's coefficient of 0.8.
    area = math.pi / 4 * 0.008**2
    wanted = 0.8 * 0.0404 * 400e3 * area / math.sqrt(288.15)
    assert gas_flow_kg_s(0.008, 400.0, 101.325) == pytest.approx(wanted, rel=2e-3)
    assert gas_flow_kg_s(0.008, 400.0, 50.0) == gas_flow_kg_s(0.008, 400.0, 101.325)


def test_air_below_the_choke_against_the_isentropic_table() -> None:
    # Isentropic flow table for 1.4: at p/p0 = 0.84302 the Mach number is 0.50 and A/A* = 1.33984.
    choked = gas_flow_kg_s(0.01, 200.0, 0.0)
    assert choked / gas_flow_kg_s(0.01, 200.0, 0.84302 * 200.0) == pytest.approx(1.33984, rel=1e-3)


def test_vent_times_of_the_worked_tyre() -> None:
    # By hand from the nozzle law: 52.2 gal of air from 20 to 5 psi takes 57 s through 4 mm and 14 s through 8 mm.
    for bore_mm, seconds in ((4.0, 57.0), (8.0, 14.0)):
        alone = replace(line_of(bore_mm), vent_bore_m=1.0)
        assert vent_seconds(alone, 52.2 * GAL, 20 * PSI, 5 * PSI) == pytest.approx(seconds, rel=0.035)


# Q = 0.7 A sqrt(2 dp/rho) with 10 psi across the bore: water in US gallons a minute, orifice law of ISO 5167. A short
# tube's viscosity adds some 2 % with water.
@pytest.mark.parametrize(("bore_mm", "gpm"), [(3.5, 1.25), (4.0, 1.64), (6.0, 3.7), (8.0, 6.6), (10.0, 10.2)])
def test_a_bore_passes_what_the_orifice_law_says(bore_mm: float, gpm: float) -> None:
    assert bore_loss_kpa(line_of(bore_mm), gpm * GAL / 60) / PSI == pytest.approx(10, rel=0.025)


@pytest.mark.parametrize(
    ("reynolds", "coefficient"), [(10.0, 0.025), (100.0, 0.195), (1000.0, 0.591), (20000.0, 0.757)]
)
def test_a_short_tube_s_coefficient_falls_with_the_reynolds_number(reynolds: float, coefficient: float) -> None:
    """Lichtarowicz, Duggins and Markland (1965), l/d = 8: Re of the ideal jet, their formula worked out by hand."""
    line = replace(line_of(8.0, "water", 15.0), discharge=0.759)
    ideal_m_s = reynolds * line.viscosity_mpas / 1000 / (line.density_kg_m3 * line.bore_m)
    flow_lps = coefficient * ideal_m_s * math.pi / 4 * line.bore_m**2 * 1000
    assert bore_loss_kpa(line, flow_lps) == pytest.approx(line.density_kg_m3 * ideal_m_s**2 / 2000, rel=0.06)


def test_hose_loss_of_water_at_eight_gallons_a_minute() -> None:
    # 25 ft of 1 in hose, water, 8 gpm: 0.5 psi by Darcy and the Moody chart.
    assert hose_loss_kpa(line_of(), 8 * GAL / 60) / PSI == pytest.approx(0.5, abs=0.06)


def test_laminar_hose_loss_is_poiseuilles() -> None:
    line = line_of(8.0, "beet", -10.0)
    flow = 0.1
    poiseuille = 128 * line.viscosity_mpas / 1000 * line.hose_length_m * flow / 1000 / (math.pi * line.hose_bore_m**4)
    assert hose_loss_kpa(line, flow) == pytest.approx(poiseuille / 1000, rel=1e-3)


@pytest.mark.parametrize("tyre_psi", [0.0, 5.0, 12.0, 20.0])
def test_flow_balances_pump_relief_and_line(tyre_psi: float) -> None:
    line = line_of(4.0, "beet", 0.0)
    flow = flow_lps(line, tyre_psi * PSI)
    gauge = tyre_psi * PSI + line.density_kg_m3 * 9.80665 * line.rise_m / 1000 + line_loss_kpa(line, flow)
    assert gauge == pytest.approx(line.relief_kpa, abs=0.2)
    assert flow < line.pump_lps
