"""Valves: names, ratings, and what speaks against one."""

import pytest

from rig.units import KPA_PER_PSI
from rig.wheel import ValveError, valve_cautions, valve_named, valve_types


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("rubber pull-through", "rubber pull-through"),
        ("Rubber Pull-Through valve", "rubber pull-through"),
        ("snap-in", "rubber pull-through"),
        ("TR413", "rubber pull-through"),
        ("tr 413", "rubber pull-through"),
        ("413", "rubber pull-through"),
        ("TR425", "wide rubber pull-through"),
        ("TR600HP", "high-pressure pull-through"),
        ("steel valve", "steel valve"),
        ("clamp-in metal", "steel valve"),
        ("air-water", "air-water valve"),
        ("TR618A", "air-water valve"),
        ("air/water valve", "air-water valve"),
        ("tube", "tube valve"),
        ("TR-15", "tube valve"),
        ("TRJ650", "earthmover valve"),
    ],
)
def test_names(text: str, name: str) -> None:
    assert valve_named(text).name == name


def test_every_name_of_the_table_is_found_and_unique() -> None:
    for valve in valve_types():
        for name in (valve.name, *valve.names):
            assert valve_named(name) is valve, name


@pytest.mark.parametrize("text", ["", "presta", "valve", "TR9999"])
def test_unknown_names_list_the_known(text: str) -> None:
    with pytest.raises(ValveError, match="air-water valve"):
        valve_named(text)


def test_ratings_are_the_published_ones() -> None:
    # TRA valve table in a tyre data book: snap-in rubber 65 psi cold, 600HP and 602HP 80, 801HP and 802HP 100.
    assert valve_named("TR418").rating_kpa / KPA_PER_PSI == pytest.approx(65)
    assert valve_named("TR602HP").rating_kpa / KPA_PER_PSI == pytest.approx(80)
    assert valve_named("TR801HP").rating_kpa / KPA_PER_PSI == pytest.approx(100)


def _severities(valve: str, psi: float, **more: float | bool) -> list[str]:
    found = valve_cautions(valve_named(valve), psi * KPA_PER_PSI, **more)  # type: ignore[arg-type]
    assert all(c.source and c.text for c in found)
    return [c.severity for c in found if c.severity != "note"]


def test_pressure_rules() -> None:
    assert _severities("rubber", 20) == []
    assert _severities("rubber", 45) == []
    assert _severities("rubber", 50) == ["caution"]
    # Common practice: a tyre that calls for 65 psi wants a metal valve.
    assert _severities("rubber", 65) == ["danger"]
    assert _severities("rubber", 66) == ["danger"]
    assert _severities("TR600HP", 65) == []
    assert _severities("TR600HP", 85) == ["danger"]
    assert _severities("steel", 110) == []
    assert _severities("rubber", 20, filling_pressure_kpa=70 * KPA_PER_PSI) == ["danger"]


def test_brass_with_calcium() -> None:
    assert _severities("air-water", 20, chloride=True) == ["caution"]
    assert _severities("steel", 20, chloride=True) == []


def test_rim_hole() -> None:
    # TRA rim holes: 11.3, 15.7 and 20.5 mm.
    assert _severities("air-water", 20, rim_hole_m=0.0113) == ["danger"]
    assert _severities("air-water", 20, rim_hole_m=0.0157) == []
    assert _severities("rubber", 20, rim_hole_m=0.0157) == ["danger"]
    assert _severities("rubber", 20, rim_hole_m=0.0113) == []


def test_bores_are_told_as_assumptions() -> None:
    notes = [c for c in valve_cautions(valve_named("air-water"), 100) if c.severity == "note"]
    assert any("8 mm" in c.text and "assumption" in c.source for c in notes)
    assert valve_named("air-water").bore_m == 2 * valve_named("rubber").bore_m
