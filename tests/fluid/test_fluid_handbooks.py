"""Property tables against handbooks and standards; the source stands beside each check."""

import pytest

from rig.fluid import BASE_C, read_fluid, vapour_kpa
from rig.units import KG_PER_LB, L_PER_GAL

LB_PER_GAL = KG_PER_LB / L_PER_GAL * 1000  # kg/m3

# CRC/ICT densities of calcium chloride in water: 20 C column as reprinted at engineeringtoolbox.com (d_1955); the
# others are Perry's Chemical Engineers' Handbook, table of densities of aqueous inorganic solutions, from memory.
BRINE = [
    (10, 20, 1083.5),
    (20, 20, 1177.5),
    (30, 20, 1281.6),
    (4, 0, 1034.6),
    (4, 30, 1028.6),
    (8, 20, 1065.9),
    (12, 0, 1107.2),
    (12, 40, 1093.7),
    (16, 20, 1138.6),
    (20, 0, 1185.3),
    (20, 40, 1168.4),
    (25, 0, 1237.6),
    (25, 40, 1218.6),
    (30, 40, 1270.9),
]


@pytest.mark.parametrize(("percent", "temp", "density"), BRINE)
def test_brine_density(percent: int, temp: float, density: float) -> None:
    assert read_fluid(f"cacl2:{percent}%").density_kg_m3(temp) == pytest.approx(density, rel=0.002)


@pytest.mark.parametrize(("percent", "freeze"), [(9, -4.99), (14, -9.77), (19, -16.66), (24, -26.35), (29, -43.08)])
def test_brine_freeze_point(percent: int, freeze: float) -> None:
    # Melinder, properties of secondary working fluids, table for calcium chloride.
    assert read_fluid(f"cacl2:{percent}%").freeze_c == pytest.approx(freeze, abs=0.5)


def test_brine_near_the_eutectic_stays_on_the_safe_side() -> None:
    # FHWA-RD-95-202, appendix A: eutectic at 29.8 %, -51 C.
    assert -51 < read_fluid("cacl2:29.8%").freeze_c < -45


@pytest.mark.parametrize(
    ("flake", "assay", "percent", "lb_per_gal", "slush"),
    [(2.0, 0.77, 14.9, 9.45, -10), (3.5, 0.77, 22.8, 10.07, -24), (5.0, 0.79, 29.6, 10.65, -47)],
)
def test_flake_mixes(flake: float, assay: float, percent: float, lb_per_gal: float, slush: float) -> None:
    # Slush-free to -10, -24 and -47 C with 2, 3.5 and 5 lb per gallon: Kubota M108DC operator's manual, p. 54.
    # Weights per gallon: dealers' ballast tables, 9.45 and 10.1 and 10.6 rounded.
    mix = read_fluid(f"cacl2:{flake}lb/gal", assay=assay)
    assert mix.strength is not None
    assert 100 * mix.strength == pytest.approx(percent, abs=0.1)
    assert mix.density_kg_m3(20) / LB_PER_GAL == pytest.approx(lb_per_gal, rel=0.005)
    assert mix.freeze_c == pytest.approx(slush, abs=2.0)


def test_flake_adds_weight_as_a_tyre_maker_says() -> None:
    # A tyre maker's text: 3.5 lb adds 20 % and 5 lb adds 28 % over water.
    water = read_fluid("water").density_kg_m3(20)
    assert read_fluid("cacl2:3.5lb/gal").density_kg_m3(20) / water == pytest.approx(1.20, abs=0.015)
    assert read_fluid("cacl2:5lb/gal").density_kg_m3(20) / water == pytest.approx(1.28, abs=0.015)


def test_flake_worked_example_of_a_manual() -> None:
    # A tractor operator's manual (es): 100 L of solution = 34 kg of flake and 86 L of water, 120 kg.
    mix = read_fluid(f"cacl2:{34 / 86:.4f} kg/L")
    assert mix.mass_kg(100, 20) == pytest.approx(120, rel=0.005)


@pytest.mark.parametrize(("percent", "gravity", "freeze"), [(3.9, 0.993, -2.2), (33.6, 0.949, -30.0)])
def test_methanol(percent: float, gravity: float, freeze: float) -> None:
    # Lange's Handbook of Chemistry, 15th ed., table 5.13: specific gravity at 60 F, freeze point.
    mix = read_fluid(f"methanol:{percent}%")
    assert mix.density_kg_m3(BASE_C) == pytest.approx(gravity * 999.02, rel=0.0015)
    assert mix.freeze_c == pytest.approx(freeze, abs=0.5)


def test_methanol_of_perry() -> None:
    # Perry's Chemical Engineers' Handbook: 40 % at 20 C, 0.9345.
    assert read_fluid("methanol:40%").density_kg_m3(20) == pytest.approx(934.5, rel=0.001)


@pytest.mark.parametrize(("percent", "gravity", "freeze"), [(30, 1.024, -12.8), (40, 1.032, -20.6), (50, 1.040, -33.3)])
def test_propylene_glycol(percent: int, gravity: float, freeze: float) -> None:
    # Lange's table 5.13; the packaged data are of inhibited glycol and 0.6 % heavier.
    mix = read_fluid(f"pg:{percent}%vol")
    assert mix.density_kg_m3(BASE_C) == pytest.approx(gravity * 999.02, rel=0.008)
    assert mix.freeze_c == pytest.approx(freeze, abs=1.0)


@pytest.mark.parametrize(("percent", "lb_per_ft3"), [(20, 64.45), (30, 65.43), (40, 66.34), (50, 67.20)])
def test_ethylene_glycol(percent: int, lb_per_ft3: float) -> None:
    # ASHRAE Handbook, inhibited ethylene glycol at 60 F, as reprinted in a design manual, p. 113.
    density = lb_per_ft3 * KG_PER_LB / 0.028316846592
    assert read_fluid(f"eg:{percent}%vol").density_kg_m3(BASE_C) == pytest.approx(density, rel=0.003)


@pytest.mark.parametrize(("temp", "density"), [(4, 999.9749), (20, 998.2067), (40, 992.2152)])
def test_water(temp: float, density: float) -> None:
    # CIPM 2001 (Tanaka et al.), density of air-free water.
    assert read_fluid("water").density_kg_m3(temp) == pytest.approx(density, rel=2e-5)


def test_water_viscosity() -> None:
    # ISO/TR 3666: 1.0016 mPa s at 20 C.
    assert read_fluid("water").viscosity_mpas(20) == pytest.approx(1.0016, rel=0.001)


def test_beet_is_common_practice() -> None:
    # Common practice, no source: 10.7 lb/gal; 738 lb in 69 gal.
    beet = read_fluid("beet")
    assert beet.density_kg_m3(BASE_C) == pytest.approx(10.7 * LB_PER_GAL, rel=0.001)
    assert beet.mass_kg(69 * L_PER_GAL, BASE_C) / KG_PER_LB == pytest.approx(738, abs=1)
    assert 20 < beet.viscosity_mpas(20) < 200
    assert beet.viscosity_mpas(0) > 2 * beet.viscosity_mpas(20)
    assert "assumed" in beet.basis


def test_solid_point_is_apart_from_slush_and_only_where_published() -> None:
    # Kubota M108DC operator's manual, p. 54: solid at -30, -47 and -52 C.
    for flake, solid in ((2, -30), (3.5, -47), (5, -52)):
        mix = read_fluid(f"cacl2:{flake}lb/gal")
        assert mix.solid_c == pytest.approx(solid, abs=0.6)
        assert mix.solid_c is not None
        assert mix.solid_c < mix.freeze_c
    assert read_fluid("cacl2:8%").solid_c is None
    assert read_fluid("methanol:30%").solid_c is None


@pytest.mark.parametrize(("percent", "density"), [(35, 1337.3), (40, 1395.7)])
def test_strong_brine_density(percent: int, density: float) -> None:
    # CRC densities of calcium chloride in water at 20 C, as in Perry's Chemical Engineers' Handbook, from memory.
    hot = max(20.0, read_fluid(f"cacl2:{percent}%").freeze_c)
    assert read_fluid(f"cacl2:{percent}%").density_kg_m3(hot) == pytest.approx(density, rel=0.003)


@pytest.mark.parametrize(("percent", "crystals"), [(37.3, 0.0), (39.3, 10.0), (42.0, 18.2)])
def test_over_the_eutectic_salt_crystallises_in_the_cold(percent: float, crystals: float) -> None:
    # Solubility of calcium chloride: 59.5 g in 100 g of water at 0 C, 64.7 g at 10 C, 74.5 g at 20 C (the solubility
    # table of handbooks, as in Wikipedia's); 42 % by the line between the last two.
    strong = read_fluid(f"cacl2:{percent}%")
    assert strong.drops_salt
    assert strong.first == "first salt crystals"
    assert strong.freeze_c == pytest.approx(crystals, abs=2.5)


def test_the_eutectic_is_where_the_two_lines_meet() -> None:
    # 29.8 % and -51 C (FHWA-RD-95-202, appendix A); about 31 % and -50 C by other diagrams.
    coldest = min((read_fluid(f"cacl2:{percent / 10}%") for percent in range(280, 330)), key=lambda mix: mix.freeze_c)
    assert coldest.strength == pytest.approx(0.303, abs=0.006)
    assert coldest.freeze_c == pytest.approx(-50, abs=1.5)
    magnesium = min((read_fluid(f"mgcl2:{percent / 10}%") for percent in range(180, 260)), key=lambda mix: mix.freeze_c)
    # 21.6 % and -33 C: the same appendix, from memory.
    assert magnesium.strength == pytest.approx(0.216, abs=0.006)
    assert magnesium.freeze_c == pytest.approx(-33, abs=1.5)


def test_flake_of_83_percent() -> None:
    # The recipe's arithmetic, water at 8.33 lb/gal: 0.83 x 3.5 / (3.5 + 8.33) = 24.6 %.
    strength = read_fluid("cacl2:3.5lb/gal", assay=0.83).strength
    assert strength == pytest.approx(0.83 * 3.5 / (3.5 + 8.33), abs=1e-3)


@pytest.mark.parametrize(("percent", "density"), [(10, 1081.6), (20, 1174.2), (30, 1268.8)])
def test_magnesium_chloride_density(percent: int, density: float) -> None:
    # CRC Handbook of Chemistry and Physics, 20 C, from memory.
    assert read_fluid(f"mgcl2:{percent}%").density_kg_m3(20) == pytest.approx(density, rel=0.005)


@pytest.mark.parametrize(
    ("text", "density", "freeze"),
    [("glycerol:50%", 1126.3, -23.0), ("glycerol:30%", 1072.7, -9.5), ("kac:30%", 1157.0, -22.0)],
)
def test_glycerol_and_acetate(text: str, density: float, freeze: float) -> None:
    # Glycerol: Lange's Handbook of Chemistry, density at 20 C and freezing point (-23.0 and -9.5 C), from memory.
    # Acetate: density by Laliberté's correlation (J. Chem. Eng. Data 54 (2009) 1725), freeze point of data sheets for
    # runway de-icers diluted to 30 %, from memory.
    mix = read_fluid(text)
    assert mix.density_kg_m3(20) == pytest.approx(density, rel=0.005)
    assert mix.freeze_c == pytest.approx(freeze, abs=1.5)


def test_washer_fluid_weighs_what_a_distributor_says() -> None:
    # -25 F washer fluid: about 7.8 lb/gal on a chemical distributor's chart.
    assert read_fluid("washer:-25degF").density_kg_m3(20) / LB_PER_GAL == pytest.approx(7.8, abs=0.1)


def test_what_is_sold_for_caravans_is_slush_long_before_its_label() -> None:
    # A maker's sheet on storing watermakers: "minus fifty" is a 25 % solution with slush from +15 F, about -10 C.
    assert read_fluid("rv:-50degF").freeze_c == pytest.approx(-9.6, abs=1.0)


@pytest.mark.parametrize(("temp", "kpa"), [(0, 0.6113), (10, 1.2282), (20, 2.3393), (40, 7.3849)])
def test_vapour_of_water(temp: float, kpa: float) -> None:
    # IAPWS steam tables.
    assert vapour_kpa(read_fluid("water"), temp) == pytest.approx(kpa, rel=0.005)


def test_vapour_over_other_liquids() -> None:
    # Over 23 % brine near 0.8 of water's: water activity by Conde's formulation (2004). Methanol of
    # 34 % adds some kilopascals (by Raoult's law alone 13.0 x 0.22 = 2.9 kPa at 20 C, more with its activity).
    assert vapour_kpa(read_fluid("cacl2:22.8%"), 20) / 2.3393 == pytest.approx(0.8, abs=0.04)
    assert 4.5 < vapour_kpa(read_fluid("methanol:33.6%"), 20) < 7
    assert vapour_kpa(read_fluid("cacl2:38%"), 20) < vapour_kpa(read_fluid("cacl2:29%"), 20)
