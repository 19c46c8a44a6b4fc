"""Flake in water, strong brine cut with water, and the command that tells both."""

import json

import pytest

from rig.cli import main
from rig.fluid import FluidError, Part, cut_to, hot_brine, mix_of, read_fluid
from rig.fluid.dissolving import brine_kj_kg_k


@pytest.mark.parametrize("share", [0.05, 0.10, 0.17, 0.23, 0.28, 0.30])
def test_heat_capacity_of_brine(share: float) -> None:
    # Loaded here only: it takes two seconds, in each process that collects tests.
    from CoolProp.CoolProp import PropsSI

    # CoolProp MCA at 20 C.
    known = PropsSI("C", "T", 293.15, "P", 101325, f"INCOMP::MCA[{share}]") / 1000
    assert brine_kj_kg_k(share) == pytest.approx(known, rel=0.02)


@pytest.mark.parametrize("flake", [0.2, 0.3, 0.45])
def test_flake_heats_its_water_as_its_maker_says(flake: float) -> None:
    # A maker's answers to frequent questions: 83-87 % flake warms the solution by 2.8 F for each per cent of it, a rule
    # for planning, in a straight line.
    brine = read_fluid(f"cacl2:{flake}kg/L@85%")
    hot = hot_brine(brine, 20.0)
    assert hot is not None
    assert brine.strength is not None
    assert (hot.temp_c - 20) * 1.8 == pytest.approx(2.8 * 100 * brine.strength, rel=0.17)


def test_hot_brine_is_light() -> None:
    # 3.5 lb/gal of 77 and 83 % flake in water of 20 C stand near 50 C and are 1.2 % light or a little more.
    for text in ("cacl2:3.5lb/gal@77%", "cacl2:3.5lb/gal@83%"):
        hot = hot_brine(read_fluid(text), 20.0)
        assert hot is not None
        assert hot.temp_c == pytest.approx(50, abs=4)
        assert 1.1 < hot.light_percent < 1.8
    assert hot_brine(read_fluid("cacl2:20%"), 20.0) is None
    assert hot_brine(read_fluid("water"), 20.0) is None


def test_the_answer_says_how_hot_it_will_stand() -> None:
    brine = read_fluid("cacl2:3.5lb/gal@83%")
    told = [each.text for each in mix_of((Part(100.0, brine),), 20.0).cautions(brine)]
    assert any(
        "it will stand at 53 °C (127 °F) if the water has 20 °C (68 °F): wait, or it is 1.7 % light" in text
        for text in told
    )


@pytest.mark.parametrize("delivered", ["cacl2:32%", "cacl2:35%", "cacl2:38%", "mgcl2:30%", "methanol:60%", "pg:60%vol"])
@pytest.mark.parametrize("freeze_c", [-10.0, -20.0, -30.0])
def test_cut_as_told_the_mix_freezes_there(delivered: str, freeze_c: float) -> None:
    # Mass of what is dissolved is kept: the mix of both computed by the other way round.
    strong, temp_c = read_fluid(delivered), 20.0
    cut = cut_to(strong, freeze_c, temp_c)
    made = mix_of((Part(1.0, strong), Part(cut.water_l_per_l, read_fluid("water"))), temp_c)
    assert made.freeze_c == pytest.approx(freeze_c, abs=0.05)
    assert made.mass_kg == pytest.approx(cut.mix_l_per_l * cut.result.density_kg_m3(temp_c) / 1000, rel=1e-4)


def test_cutting_35_percent_to_20_percent_by_hand() -> None:
    # 1 L of 35 % weighs 1.337 kg (CRC, 20 C) and holds 0.468 kg of salt: at 20 % that is 2.340 kg, 1.002 kg of water.
    freeze_c = read_fluid("cacl2:20%").freeze_c
    assert cut_to(read_fluid("cacl2:35%"), freeze_c, 20.0).water_l_per_l == pytest.approx(1.002 / 0.9982, abs=0.005)


def test_what_cannot_be_cut_is_refused() -> None:
    with pytest.raises(FluidError, match="take a stronger one"):
        cut_to(read_fluid("cacl2:20%"), -30.0, 20.0)
    with pytest.raises(FluidError, match="no strength"):
        cut_to(read_fluid("beet"), -30.0, 20.0)


def test_the_command_tells_figures_and_cuts(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fluid", "cacl2", "--cut-to", "-20 degC", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [each["delivered"] for each in found["cut"]] == ["cacl2:32%", "cacl2:35%", "cacl2:38%"]
    waters = [each["water_l_per_l"] for each in found["cut"]]
    assert waters == sorted(waters)
    assert main(["fluid", "cacl2:3.5lb/gal", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["assay_assumed"] is True
    assert found["fresh_c"] > 40
    assert main(["fluid", "cacl2:3.5lb/gal", "--assay", "83"]) == 0
    shown = capsys.readouterr().out
    assert "24.6 %: first ice at -28 °C" in shown
    assert "assumed" not in shown
    assert main(["fluid", "cacl2"]) == 2
    assert main(["fluid", "cacl2:20%", "--cut-to", "-30"]) == 2
