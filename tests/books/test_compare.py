"""The commands that set wheels beside each other, from a journal to words, numbers and a picture."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from shop_books import fill_of, journal_with
from virtual_fills import rig_settings

from rig.books.compare import matched
from rig.cli import main
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.refused import Refused

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    second = fill_of("b", 10, net_l=259.9, position="rear right")
    other = fill_of("c", 20, job="J2", net_l=100.0, size="12.4-24", cavity_low_l=120.0, cavity_high_l=140.0)
    journal_with(tmp_path / "rig-data", fill_of("a"), second, other)
    return tmp_path


def test_left_against_right(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "J1", "--svg", "p.svg", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["pairs"][0]["difference_l"] == 1.3
    (group,) = found["groups"]
    assert (group["wheels"], group["mean_l"], group["worst_l"], group["inside"]) == (2, 260.55, 1.3, 2)
    dots = ElementTree.parse(shop / "p.svg").iter("{http://www.w3.org/2000/svg}circle")
    assert len(list(dots)) == 2
    assert main(["compare", "J1"]) == 0
    assert "left more by 1.30 L (0.50 %)" in capsys.readouterr().out
    assert main(["compare", "--size", "12.4-24", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["groups"][0]["wheels"] == 1
    assert main(["compare", "none"]) == 3


def test_a_wheel_is_taught_and_its_history_kept(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["teach", "loader", "--from", "a"]) == 0
    assert "a 16.9-28 took 261.2 L up to a 12 o'clock valve" in capsys.readouterr().out
    assert main(["teach", "loader", "--from", "b", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["took_l"], [each["took_l"] for each in found["history"]]) == (259.9, [261.2])
    assert main(["teach", "other"]) == 3
    journal_with(shop / "rig-data", fill_of("d", 30, net_basis="estimated"))
    assert main(["teach", "loader", "--from", "d"]) == 3


def test_a_fill_that_stopped_below_the_valve_teaches_nothing(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    measured = {"measured_cavity_l": 352.0, "measured_cavity_u_l": 6.0}
    journal_with(shop / "rig-data", fill_of("half", 30, net_l=130.0), fill_of("off", 40, net_l=290.0, **measured))
    for wrong in ("half", "off"):
        assert main(["teach", "loader", "--from", wrong]) == 3
        assert "until liquid shows at the valve" in capsys.readouterr().err
    assert main(["teach", "loader", "--from", "a"]) == 0


def test_what_was_taught_last_is_what_is_filled(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--wheel` goes by the book, above the configuration, and only for a wheel of the same size."""
    config = shop / "rig-data" / "rig.toml"
    text = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    text = text.replace('data = "rig-data"', 'data = "."')
    config.write_text(text.replace('name = "', 'name = "rig" # "', 1), encoding="utf-8")

    def target(wheel: str) -> dict[str, object]:
        assert main(["target", "--wheel", wheel, "--config", str(config), "--json"]) == 0
        read = json.loads(capsys.readouterr().out)
        assert isinstance(read, dict)
        return read

    assert target("loader-rear")["target_l"] == pytest.approx(258.4, abs=0.02)
    assert main(["teach", "loader-rear", "--from", "a"]) == 0
    assert main(["teach", "new one", "--from", "c"]) == 0
    capsys.readouterr()
    assert target("loader-rear")["target_l"] == pytest.approx(261.2, abs=0.02)
    new = target("new one")
    assert (new["size"], new["cavity_basis"]) == ("12.4-24", "taught")
    assert new["target_l"] == pytest.approx(100.0, abs=0.02)
    assert main(["teach", "loader-rear", "--from", "b"]) == 0
    capsys.readouterr()
    assert target("loader-rear")["target_l"] == pytest.approx(259.9, abs=0.02)
    assert main(["teach", "loader-rear", "--from", "c"]) == 3
    assert "is a 16.9-28 in the configuration" in capsys.readouterr().err
    assert main(["target", "--wheel", "loder", "--config", str(config)]) == 2


def test_a_match_takes_what_the_other_wheel_holds(shop: Path) -> None:
    settings = rig_settings(rig__data=str(shop / "rig-data"), rig__name="rig")
    asked = matched(settings, "b", Question("16.9-28", wanted=Wanted(existing_l=9.9)))
    assert asked.wanted.volume_l == pytest.approx(250.0)
    assert matched(settings, None, asked) is asked
    with pytest.raises(Refused, match="only equal sizes"):
        matched(settings, "b", Question("18.4-38"))
    with pytest.raises(Refused, match="--match is the target"):
        matched(settings, "b", Question("16.9-28", wanted=Wanted(percent=75)))
    with pytest.raises(Refused, match="holds"):
        matched(settings, "b", Question("16.9-28", wanted=Wanted(existing_l=300)))
