"""The mix in the wheel in record, ticket, label, bill, correction, stock and the book's content."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_now, journal_with

from rig.cli import main

ROOT = Path(__file__).parents[2]
PRICES, CONFIG = str(ROOT / "config" / "prices.toml"), ROOT / "config" / "demo.toml"
REAR = ("--job", "J1", "--position", "rear left")
Run = Callable[..., str]
# 75.7 L of water topped up with 185.5 L of brine of 3.5 lb/gal, computed outside the project: 17.0 %, -13.7 C, 300 kg.
MIXED: dict[str, object] = {
    "net_l": 185.5, "existing_l": 75.7, "fluid": "cacl2:3.5lb/gal@77%", "existing_fluid": "water", "mix": "cacl2:17.0%",
    "mix_unknown": None, "freeze_c": -13.7, "density_kg_m3": 1150.7, "mass_kg": 299.8, "fluid_freeze_c": -23.6,
    "fluid_density_kg_m3": 1208.5, "fluid_mass_kg": 224.2, "fluid_text": None,
}  # fmt: skip


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    (tmp_path / "rig.toml").write_text(CONFIG.read_text(encoding="utf-8"), encoding="utf-8")
    journal_with(tmp_path / "rig-data")

    def run_one(*words: str, status: int = 0) -> str:
        assert main(list(words)) == status
        captured = capsys.readouterr()
        return captured.out + captured.err

    return run_one


def test_ticket_label_and_bill_tell_the_mix_from_what_came(run: Run, tmp_path: Path) -> None:
    run("prices", PRICES)
    run("job", "J1", "--customer", "Hill Farm", "--machine", "T7")
    journal_with(tmp_path / "rig-data", fill_now("a", **MIXED))
    ticket = " ".join(run("ticket", "a").split())
    assert "cacl2:17.0%, 661 lb (300 kg), first ice at 7 °F (-14 °C) once the wheel has turned" in ticket
    # What was delivered stands by its own figures: 1208 kg/m3, first ice at -23.6 C, 224 kg.
    assert "1208 kg/m³, first ice at -10 °F (-24 °C)" in ticket
    assert "494 lb (224 kg)" in ticket
    label = run("tag", "a")
    assert "cacl2:17.0%, 69.0 gal (261.2 L)" in label
    assert "first ice 7 F (-14 C)" in label
    # 0.62 a kilogram of what was delivered: 224.2 kg.
    (line,) = [each for each in json.loads(run("bill", "J1", "--json"))["lines"] if "cacl2" in each["text"]]
    assert (line["quantity"], line["unit"], line["amount"]) == ("224.2", "kg", "139.00")


def test_a_mix_that_is_not_known_is_said_on_ticket_and_label(run: Run, tmp_path: Path) -> None:
    why = "nobody knows what 76 L of it are: weigh a sample"
    unknown = {"mix": "cacl2:3.5lb/gal@77% + unknown", "mix_unknown": why, "freeze_c": None, "density_kg_m3": None,
               "mass_kg": None, "existing_fluid": None}  # fmt: skip
    journal_with(tmp_path / "rig-data", fill_now("a", **(MIXED | unknown)))
    assert f"frost point not known: {why}" in " ".join(run("ticket", "a").split())
    assert "frost point not known" in run("tag", "a")


def test_a_record_of_before_reads_as_it_did(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a", freeze_c=-37.2))
    assert "in the wheel" not in run("ticket", "a")
    assert "first ice -37 C (-35 F)" in run("tag", "a")


def test_another_liquid_for_a_fill_makes_another_mix(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a", **MIXED))
    fill = json.loads(run("note", "correct", "--fill", "a", "--fluid", "cacl2:28%", "--why", "stronger", "--json"))
    # By hand: 185.5 L of 28 % (1.262 kg/L) hold 65.5 kg of salt; with 75.6 kg of water 21.2 %.
    assert fill["mix"] == "cacl2:21.2%"
    assert fill["freeze_c"] == pytest.approx(-20.5, abs=0.5)
    assert fill["fluid_mass_kg"] == pytest.approx(234.1, abs=0.5)
    assert fill["mass_kg"] == pytest.approx(fill["fluid_mass_kg"] + 75.6, abs=0.5)


def test_the_next_answer_goes_by_what_the_wheel_holds(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a", **MIXED))
    text = run("target", "16.9-28", *REAR, "--fluid", "cacl2:28%", "--holds", "100 L", "--config", "rig.toml", "--json")
    found = json.loads(text)
    # The book's shares, 75.7 of water to 185.5 of brine, in the 100 L that are said to be left.
    assert [(each["fluid"], each["litres"]) for each in found["holds"]] == [
        ("water", pytest.approx(28.98, abs=0.1)), ("cacl2:3.5lb/gal@77%", pytest.approx(71.02, abs=0.1)),
    ]  # fmt: skip
    assert found["mix"].startswith("cacl2:2")


def test_stock_says_what_a_tote_of_two_lots_is(run: Run) -> None:
    run("stock", "load", "--volume", "900 L", "--fluid", "cacl2:35%")
    run("stock", "load", "--volume", "600 L", "--fluid", "water", "--mixed")
    found = json.loads(run("stock", "--json"))
    # By hand: 900 L of 35 % (1.340 kg/L) hold 422 kg of salt, with 599 kg of water 23.4 %.
    assert found["mix"] == "cacl2:23.4%"
    assert found["freeze_c"] == pytest.approx(-24.9, abs=0.5)
    assert "MIXED: cacl2:35% + water, that is cacl2:23.4%, first ice at -25 °C" in run("stock")
    (tote,) = json.loads(run("balance", "--json"))["totes"]
    assert (tote["mix"], tote["freeze_c"]) == (found["mix"], found["freeze_c"])
    run("stock", "load", "--volume", "100 L", "--fluid", "pg:50%vol", "--mixed")
    assert json.loads(run("stock", "--json"))["freeze_c"] is None
    assert "frost point not known" in run("stock")
