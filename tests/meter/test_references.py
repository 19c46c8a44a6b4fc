"""Known can and scale against published figures.

- Z factors (litres per kilogram of water weighed in air): table of ISO 8655-6 as a pipette maker's manual prints it.
- Water: Tanaka et al., Metrologia 38 (2001) 301, the CIPM formula.
- 6 in3 in 5 gal is half a per cent: maintenance tolerance of a 5 gal draft, NIST Handbook 44.
"""

from __future__ import annotations

import pytest

from rig.fluid import read_fluid
from rig.meter.references import EXPANSION_PER_C, Air, Can, Scale
from rig.units import parse


def tanaka(temp_c: float) -> float:
    """Density of air-free water at 101.325 kPa."""
    t = temp_c
    return 999.97495 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


@pytest.mark.parametrize("temp_c", [0.5, 5, 10, 15, 20, 25, 30, 35])
def test_the_fluid_room_s_water_is_that_of_the_metrologists(temp_c: float) -> None:
    assert read_fluid("water").density_kg_m3(temp_c) == pytest.approx(tanaka(temp_c), abs=0.05)


@pytest.mark.parametrize(
    ("temp_c", "hpa", "z"),
    [
        (15, 1013, 1.0020), (20, 1013, 1.0029), (25, 1013, 1.0040), (30, 1013, 1.0054),
        (20, 800, 1.0026), (15, 800, 1.0018), (25, 907, 1.0039), (30, 1067, 1.0055),
    ],
)  # fmt: skip
def test_a_kilogram_of_water_in_air(temp_c: float, hpa: float, z: float) -> None:
    scale = Scale(0.0, 0.0, Air(hpa / 10, temp_c))
    assert scale.litres(1.0, tanaka(temp_c)) == pytest.approx(z, abs=1e-4)
    assert scale.litres(1.0, read_fluid("water").density_kg_m3(temp_c)) == pytest.approx(z, abs=1.5e-4)


def test_the_air_of_a_laboratory() -> None:
    # OIML R 111-1: 1.2 kg/m3 is the reference air, near 20 degC and 1013 hPa.
    assert Air().density_kg_m3() == pytest.approx(1.2, abs=0.003)
    assert Air(kpa_abs=84.0).density_kg_m3() == pytest.approx(0.992, abs=0.005)


def test_brine_by_weight_and_what_the_air_lifts() -> None:
    """315.0 kg at 1213 kg/m3 in air of 1.2: 259.905 L, 68.660 gal; without the lift 68.602 gal."""
    scale = Scale(0.0, 0.0, Air())
    litres = scale.litres(315.0, 1213.0)
    assert litres == pytest.approx(259.905, abs=0.002)
    assert litres / 3.785411784 == pytest.approx(68.660, abs=0.001)
    assert litres / (1000 * 315.0 / 1213.0) == pytest.approx(1.00084, abs=5e-6)


def test_six_cubic_inches_in_five_gallons() -> None:
    can = Can(parse("5 gal", "volume"))
    error = can.litres(can.volume_l + parse("6 in3", "volume"), can.ref_c) / can.volume_l - 1
    assert error == pytest.approx(6 / 1155, rel=1e-6)


def test_a_can_grows_with_its_metal() -> None:
    """NIST Handbook 105-3 (from memory): 1.86e-5 per degF for mild steel, 2.65e-5 for stainless 304."""
    warm_c = 15.5555556 + 40 / 1.8
    for material, per_f in (("mild steel", 1.86e-5), ("stainless", 2.65e-5)):
        can = Can(20.0, material)  # type: ignore[arg-type]
        assert can.litres(20.0, warm_c) == pytest.approx(20.0 * (1 + 40 * per_f), rel=2e-6)
        assert EXPANSION_PER_C[can.material] == pytest.approx(1.8 * per_f, rel=2e-3)


def test_a_truck_scale_is_no_reference() -> None:
    """A division of 5 kg on 315 kg is 1.6 %."""
    assert Scale(5.0, 0.0).doubt(315.0) == pytest.approx(0.0159, abs=1e-4)
    assert Scale(0.1, 0.0005).doubt(315.0) < 6e-4
