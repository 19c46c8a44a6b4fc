"""A factor outside the viscosities of its proving, and liquids that cling to the can."""

from dataclasses import replace
from pathlib import Path

import pytest

from rig.fluid import read_fluid
from rig.meter.liquid import Mechanism, why_widened, widening_percent
from rig.meter.references import Can
from rig.run.settings import load_settings
from rig.shop.calibration import Standing, for_liquid, meter_facts, with_factor

ROOT = Path(__file__).resolve().parents[2]
SETTINGS = load_settings(ROOT / "config" / "demo.toml")
WATER = (1.0, 1.0)


@pytest.mark.parametrize(
    ("mechanism", "least", "most"), [("displacement", 0.3, 2.0), ("turbine", 5.0, 10.0), ("magnetic", 0.0, 0.0)]
)
def test_from_1_to_500_mpas(mechanism: Mechanism, least: float, most: float) -> None:
    # Makers' performance curves, common practice: some tenths to 2 % for displacement meters, 5 to 10 % for
    # turbines.
    assert least <= widening_percent(mechanism, WATER, 500.0) <= most


def test_within_the_proven_viscosities_nothing_is_added_and_outside_it_grows_without_a_step() -> None:
    assert widening_percent("turbine", (1.0, 3.0), 2.0) == 0
    assert widening_percent("turbine", (1.0, 3.0), 3.0) == 0
    assert 0 < widening_percent("turbine", (1.0, 3.0), 3.05) < 0.05
    assert widening_percent("turbine", (50.0, 60.0), 1.0) > widening_percent("turbine", (50.0, 60.0), 10.0) > 0


def test_another_proving_is_advised_from_twice_the_proven_viscosity() -> None:
    assert why_widened("turbine", "water", WATER, 1.8) == ""
    assert why_widened("magnetic", "water", WATER, 82.0) == ""
    assert "proven with water at 1 mPa s, this liquid has 82" in why_widened("displacement", "water", WATER, 82.0)


def _proven(**changes: object) -> Standing:
    found = Standing(1.01, "proving", "2026-11-01", "A. Smith", 0.3, 3, 1, None, liquid="water", mpas=WATER)
    return replace(found, **changes)  # type: ignore[arg-type]


def test_the_uncertainty_of_a_fill_is_that_of_its_liquid() -> None:
    water, beet = read_fluid("water"), read_fluid("beet")
    proven = _proven(mpas=(1.0, 1.3))
    assert for_liquid(SETTINGS, proven, water, 15.0) == proven
    wide = for_liquid(SETTINGS, _proven(), beet, 0.0)
    # By hand: 220 mPa s are 2.34 decades over 1 mPa s, 2 % / 2.70 each: 1.74 %; with 0.3 % of the proving 1.76 %.
    assert wide.u_percent == pytest.approx(1.76, abs=0.02)
    assert with_factor(SETTINGS, wide).meter.uncertainty == wide.u_percent
    assert "prove it with this liquid" in str(
        meter_facts(wide, {"calibration": 1, "configuration": 0}).meter_factor_why
    )
    turbine = SETTINGS.model_copy(update={"meter": SETTINGS.meter.model_copy(update={"mechanism": "turbine"})})
    assert for_liquid(turbine, _proven(), beet, 0.0).u_percent > 5


def test_a_proving_of_an_earlier_version_and_a_scale_are_left_as_they_are() -> None:
    beet = read_fluid("beet")
    assert for_liquid(SETTINGS, _proven(mpas=None), beet, 0.0) == _proven(mpas=None)
    scale = SETTINGS.model_copy(update={"meter": SETTINGS.meter.model_copy(update={"kind": "scale"})})
    assert for_liquid(scale, _proven(), beet, 0.0) == _proven()


def test_beet_clings_to_a_can_and_water_does_not() -> None:
    can = Can(20.0)
    # By hand with Jeffreys' film: 20 L is 29.4 cm wide and high; beet at 15 C (81 mPa s, 1282 kg/m3) leaves
    # 2/3 sqrt(0.081 x 0.294 / (1282 x 9.81 x 30)) = 0.17 mm on 0.34 m2, 57 mL, 0.29 %.
    assert can.clinging_share(read_fluid("beet"), 15.0) == pytest.approx(0.0029, abs=0.0003)
    assert "clings: after 30 s of draining 0.3 %" in str(can.clingage_note(read_fluid("beet"), 15.0))
    assert can.clingage_note(read_fluid("water"), 15.0) is None
    assert can.clingage_note(read_fluid("cacl2:20%"), 15.0) is None
