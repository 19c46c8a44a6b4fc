"""Lines and windows for the tests of the plan."""

from __future__ import annotations

from rig.fluid import read_fluid
from rig.plan.physics import Line
from rig.plan.strokes import Window

PSI = 6.894757293168361
GAL = 3.785411784


def line_of(bore_mm: float = 8.0, fluid: str = "water", temp_c: float = 15.0, atmosphere: float = 101.325) -> Line:
    """A 10 gpm pump with a 30 psi relief, 25 ft of 1 in hose."""
    found = read_fluid(fluid)
    return Line(
        pump_lps=0.667,
        slip_lps_per_kpa=0.0004,
        relief_kpa=30 * PSI,
        hose_length_m=7.62,
        hose_bore_m=0.0254,
        hose_l=3.9,
        suction_l=1.5,
        bore_m=bore_mm / 1000,
        discharge=0.7,
        rise_m=0.4,
        density_kg_m3=found.density_kg_m3(temp_c),
        viscosity_mpas=found.viscosity_mpas(temp_c),
        atmosphere_kpa_abs=atmosphere,
    )


def window_of(floor_psi: float, ceiling_psi: float, working_psi: float | None = None) -> Window:
    """A window in psi gauge."""
    return Window(floor_psi * PSI, ceiling_psi * PSI, None if working_psi is None else working_psi * PSI)
