"""Axle loads, the tyre's load index, the road limit, weight by power, and the price of weight beside iron."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest

from rig.cli import main
from rig.ledger.by_weight import by_weight
from rig.ledger.pricing import Work, read_prices
from rig.plan.loads import Loads, Stated
from rig.units import KPA_PER_PSI
from rig.wheel.load_index import carried_kg, load_index_in, load_index_kg

ROOT = Path(__file__).resolve().parents[2]
LIST = read_prices((ROOT / "config" / "prices.toml").read_text(encoding="utf-8"), "prices.toml")
MACHINE = ROOT / "config" / "machines" / "example.toml"


# Table of load indices: 800 kg at 100, 1060 at 110, 1400 at 120, 1900 at 130, 2500 at 140, 3350 at 150 (ISO 4209-1; the
# last four from memory); ten times for each 80, from 45 kg at 0.
@pytest.mark.parametrize(
    ("index", "kg"),
    [(100, 800), (110, 1060), (120, 1400), (130, 1900), (140, 2500), (150, 3350), (80, 450), (188, 10000)],
)
def test_load_index(index: int, kg: float) -> None:
    assert load_index_kg(index) == pytest.approx(kg)


@pytest.mark.parametrize(
    ("mark", "index"),
    [
        ("480/80R42 151A8", 151),
        ("480/80R42 151A8/148B", 148),
        ("16.9-28 8PR", None),
        ("16.9-28", None),
        ("IF 710/70R42 179D", 179),
    ],
)
def test_load_index_in_a_mark(mark: str, index: int | None) -> None:
    assert load_index_in(mark) == index


def test_at_a_lower_pressure_a_tyre_carries_less_and_never_more_than_its_index() -> None:
    assert carried_kg(150, 160, 160) == load_index_kg(150)
    assert carried_kg(150, 200, 160) == load_index_kg(150)
    # By hand: half the pressure to the power 0.585 is 0.667.
    assert carried_kg(150, 80, 160) == pytest.approx(0.667 * load_index_kg(150), rel=1e-3)
    assert carried_kg(150, -5, 160) == 0


def _loads(**changes: object) -> Loads:
    stated = Stated("rear", {"front": 2000.0, "rear": 3000.0}, **changes)  # type: ignore[arg-type]
    return Loads(stated, 600.0, 14 * KPA_PER_PSI)


def test_the_axles_add_up() -> None:
    found = _loads(power_kw=70.0)
    assert found.axle_kg == {"front": 2000, "rear": 3600}
    assert found.wheel_kg == 1800
    assert found.front_share == pytest.approx(2000 / 5600)
    assert found.kg_per_kw == pytest.approx(80)
    # 80 kg/kW are 131.5 lb/hp: 80 x 0.7457 / 0.45359.
    assert "80 kg/kW (132 lb/hp)" in "\n".join(found.lines())
    assert any(each.source == "common practice, no source" for each in found.cautions())
    assert Loads(Stated("rear", {"rear": 3000.0}), 600.0, 100.0).front_share is None


def test_too_much_for_tyre_or_road_is_a_danger() -> None:
    over = _loads(load_index=125, road_limit_kg=3500.0).cautions()
    assert [each.severity for each in over] == ["danger", "danger", "note"]
    assert "100 kg (220 lb) too much" in over[1].text
    under = _loads(load_index=135, road_limit_kg=3700.0).cautions()
    assert {each.severity for each in under} == {"note"}
    soft = _loads(load_index=135, rated_kpa=160.0)
    assert soft.tyre_kg == pytest.approx(carried_kg(135, 14 * KPA_PER_PSI, 160.0))


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    arguments = ["target", "16.9-28 136A8", "--load", "front 2000 kg, rear 3000 kg", "--power", "94 hp"]
    arguments += ["--road-limit", "3400 kg", "--rated-pressure", "23 psi", "--working-pressure", "14 psi"]
    assert main([*arguments, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["load"]["added_kg"] == pytest.approx(2 * document["fluid_mass_kg"], abs=0.1)
    assert document["load"]["axle_kg"]["rear"] == pytest.approx(3000 + document["load"]["added_kg"], abs=0.2)
    assert document["load"]["load_index"] == 136
    assert document["load"]["ballast_per_lb"] is None
    assert [each["severity"] for each in document["load"]["cautions"]] == ["danger", "danger", "note"]
    assert main(arguments) == 0
    shown = capsys.readouterr().out
    assert "front/rear" in shown
    assert "too much" in shown


@pytest.mark.parametrize(
    ("option", "text", "advice"),
    [
        ("--load", "3000 kg", "names no axles"),
        ("--load", "front 2000 kg", "no rear axle"),
        ("--load", "rear 3000", "has no unit"),
        ("--load", "rear 0 kg", "more than nothing"),
        ("--load-index", "900", "none of a tyre"),
        ("--power", "90", "has no unit"),
    ],
)
def test_what_cannot_be_read_is_refused(
    option: str, text: str, advice: str, capsys: pytest.CaptureFixture[str]
) -> None:
    load = [] if option == "--load" else ["--load", "rear 3000 kg"]
    assert main(["target", "16.9-28", *load, option, text]) == 2
    assert advice in capsys.readouterr().err


def _work(fluid: str, litres: str, kg: str) -> Work:
    return Work("", 0, (fluid, fluid.partition(":")[0]), "16.9-28", "", Decimal(litres), Decimal(kg))


def test_the_price_of_weight_beside_iron() -> None:
    # By hand with the invented list: 69 gal at 3.95 are 272.55, over 738.3 lb 0.37 a pound; iron 2.10.
    beet = by_weight(LIST, _work("beet", "261.19", "334.9"))
    assert beet is not None
    assert beet.per_lb == (Decimal("0.37"), Decimal("2.10"))
    # 0.62 a kilogram are 0.28 a pound.
    brine = by_weight(LIST, _work("cacl2:20%", "261.19", "307"))
    assert brine is not None
    assert brine.per_lb[0] == Decimal("0.28")
    no_iron = LIST.model_copy(update={"items": {}})
    assert by_weight(no_iron, _work("beet", "261.19", "334.9")) == by_weight(no_iron, _work("beet", "261.19", "334.9"))
    found = by_weight(no_iron, _work("beet", "261.19", "334.9"))
    assert found is not None
    assert found.iron_per_kg is None
    assert by_weight(LIST, _work("beet", "0", "0")) is None


def test_no_side_slope_without_the_front_pivot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = MACHINE.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(("pivot_height", "wheelbase", "centre_ahead"))]
    (tmp_path / "m.toml").write_text("\n".join(lines), encoding="utf-8")
    assert main(["target", "--machine", str(tmp_path / "m.toml"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["tipping_deg_before"] is None
    assert not any("tipping" in each["text"] for each in document["cautions"])
    (tmp_path / "m.toml").write_text(text.replace('wheelbase = "2.2 m"\n', ""), encoding="utf-8")
    assert main(["target", "--machine", str(tmp_path / "m.toml")]) == 2
    assert "go together" in capsys.readouterr().err
