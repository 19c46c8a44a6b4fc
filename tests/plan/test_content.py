"""`rig target` with something inside: the mix that will be in the wheel, and what stays below the valve hole."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.cli import main
from rig.wheel import Designation, cavity_of, published_fills, read_size

Ask = Callable[..., dict[str, object]]
BRINE = ("16.9-28", "--fluid", "cacl2:3.5lb/gal")
WATER = ("--holds", "20 gal", "--holds-fluid", "water")


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    monkeypatch.chdir(tmp_path)

    def asked(*arguments: str) -> dict[str, object]:
        assert main(["target", *arguments, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert isinstance(found, dict)
        return found

    return asked


def _texts(found: dict[str, object], word: str) -> list[str]:
    cautions = found["cautions"]
    assert isinstance(cautions, list)
    return [each["severity"] for each in cautions if word in each["text"]]


def test_the_answer_speaks_of_the_mix(ask: Ask) -> None:
    # Computed outside the project: 17.0 %, first ice at -13.7 C, 300 kg.
    found = ask(*BRINE, *WATER, "--coldest", "-20 degC")
    assert found["mix"] == "cacl2:17.0%"
    assert found["freeze_c"] == pytest.approx(-13.7, abs=0.1)
    assert found["mass_kg"] == pytest.approx(300, abs=1)
    assert found["fluid_freeze_c"] == pytest.approx(-23.6, abs=0.2)
    assert found["fluid_mass_kg"] == pytest.approx(224, abs=1)
    assert _texts(found, "at -20 °C (-4 °F) cacl2:17.0% is slush") == ["caution"]
    assert _texts(found, "until the wheel has turned, water lies on top") == ["caution"]


def test_alone_the_mix_is_what_the_tote_gives(ask: Ask) -> None:
    found = ask(*BRINE)
    assert found["freeze_c"] == found["fluid_freeze_c"]
    assert found["mass_kg"] == found["fluid_mass_kg"]
    assert found["density_kg_m3"] == found["fluid_density_kg_m3"]
    assert found["holds"] == []


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("--holds", "20 gal"), "nobody knows what 75.7 L (20.0 gal) of it are"),
        (("--holds", "20 gal", "--holds-fluid", "beet"), "no mix that is known"),
        (("--holds-fluid", "water"), "how much water"),
    ],
)
def test_unknown_content_makes_the_frost_point_unknown(ask: Ask, arguments: tuple[str, ...], why: str) -> None:
    found = ask(*BRINE, *arguments)
    assert found["freeze_c"] is None
    assert why in str(found["mix_unknown"])
    assert "caution" in _texts(found, why)


def test_several_liquids_inside_count_each(ask: Ask) -> None:
    # By hand: 40 L of water and 60 L of 20 % brine (70.9 kg) hold 14.2 kg of salt; 161.2 L of 22.8 % 44.3 kg more.
    found = ask(*BRINE, "--holds", "100 L", "--holds-fluid", "40 L water + 60 L cacl2:20%")
    assert found["mass_kg"] == pytest.approx(40 + 70.9 + 194.9, abs=1)
    assert found["mix"] == "cacl2:19.2%"
    # Its own volumes are what is inside, where none is given besides.
    assert ask(*BRINE, "--holds-fluid", "40 L water + 60 L cacl2:20%") == found


def test_what_stays_below_the_valve_hole_counts(ask: Ask) -> None:
    found = ask(*BRINE, "--drained", "6", "--holds-fluid", "water")
    # 15 to 29 % of the cavity stay below a hole at 6 o'clock, by the level geometry (computed outside the project).
    assert 0.15 <= float(str(found["existing_l"])) / float(str(found["cavity_l"])) <= 0.29
    assert found["mix"] == "cacl2:16.9%"
    less = ask(*BRINE, "--drained", "6", "--holds", "10 gal", "--holds-fluid", "water")
    assert less["existing_l"] == pytest.approx(37.85, abs=0.01)
    full = ask(*BRINE, "--holds", "60 gal", "--holds-fluid", "water")
    assert _texts(full, "of the old stay below its hole: the mix is then cacl2:16.9%") == ["note"]
    assert _texts(ask(*BRINE, *WATER), "drawing off brings nothing out") == ["note"]


SIZES = tuple(read_size(fill.size) for fill in published_fills())


@given(st.sampled_from([size for size in SIZES if size.family == "drive" and size.rim_in >= 20]))
def test_a_6_o_clock_valve_leaves_15_to_29_percent(size: Designation) -> None:
    # Range over the sizes by the same geometry, computed outside the project: 0.15 / 0.22 / 0.29.
    assert 0.14 <= cavity_of(size).fraction_at_clock(6) <= 0.30
