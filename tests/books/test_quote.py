"""A quote from the planned litres, accepted, and set beside what was done."""

from __future__ import annotations

import json
import shutil
from decimal import Decimal
from pathlib import Path

import pytest
from shop_books import fill_of, journal_with

from rig.cli import main

CONFIG = Path(__file__).parents[2] / "config"


def copied(folder: Path) -> Path:
    """The demonstration's configuration in a folder of its own: a rig's data are kept beside its configuration."""
    return Path(shutil.copy(CONFIG / "demo.toml", folder))


def test_a_quote_is_made_accepted_and_compared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    config = ["--config", str(copied(tmp_path))]
    assert main(["prices", str(CONFIG / "prices.toml"), *config]) == 0
    assert main(["quote", "J1", *config]) == 3
    assert "name the sizes" in capsys.readouterr().err
    assert main(["target", "16.9-28", "--json", *config]) == 0
    planned_l = Decimal(str(json.loads(capsys.readouterr().out)["target_l"]))
    assert main(["quote", "J1", "16.9-28", "16.9-28", "--item", "core", "--json", *config]) == 0
    quote = json.loads(capsys.readouterr().out)
    gallons = (planned_l / Decimal("3.785411784")).quantize(Decimal("0.1"))
    assert [line["quantity"] for line in quote["lines"]] == [str(gallons), str(gallons), "1", "1"]
    assert (quote["accepted_by"], quote["done"]) == (None, None)
    assert main(["quote", "J1", "--accept", "A. Hill", "--json", *config]) == 0
    accepted = json.loads(capsys.readouterr().out)
    assert (accepted["accepted_by"], accepted["corrects"], accepted["total"]) == (
        "A. Hill", quote["serial"], quote["total"],
    )  # fmt: skip
    journal_with(tmp_path / "rig-data", fill_of("a"))
    assert main(["quote", "J1", *config]) == 0
    text = capsys.readouterr().out
    assert "accepted by A. Hill" in text
    assert "done so far" in text
    # A void fill counts neither in money nor in litres; a second acceptance takes nothing from the first.
    journal_with(tmp_path / "rig-data", fill_of("b", 20, position="rear right"))
    assert main(["quote", "J1", "--json", *config]) == 0
    assert json.loads(capsys.readouterr().out)["done"]["net_l"] == "522.4"
    assert main(["note", "void", "--fill", "b", "--why", "the wrong wheel", *config]) == 0
    capsys.readouterr()
    assert main(["quote", "J1", "--accept", "B. Dale", "--json", *config]) == 0
    after = json.loads(capsys.readouterr().out)
    assert (after["done"]["net_l"], after["serial"]) == ("261.2", accepted["serial"])
    # Money that was quoted is no fill that was made: a bill of an empty job is refused still.
    assert main(["bill", "J2", *config]) == 3


def test_a_quote_that_was_accepted_by_mistake_is_voided_and_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    config = ["--config", str(copied(tmp_path))]
    assert main(["prices", str(CONFIG / "prices.toml"), *config]) == 0
    assert main(["quote", "J1", "16.9-28", "--accept", "A. Hill", *config]) == 0
    capsys.readouterr()
    assert main(["quote", "J1", "--json", *config]) == 0
    accepted = json.loads(capsys.readouterr().out)
    assert main(["note", "void", str(accepted["serial"]), "--why", "the wrong customer", *config]) == 0
    assert main(["quote", "J1", *config]) == 3
    assert main(["quote", "J1", "16.9-28", "--json", *config]) == 0
    again = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert (again["accepted_by"], again["total"]) == (None, accepted["total"])
