"""The chart that learns from the book: what counts, what a person leaves out, and the exchange with other shops.

Shops, makers and treads are invented.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from shop_books import fill_of, journal_with
from virtual_fills import rig_settings

from rig.cli import main
from rig.plan.target import Target
from rig.run.assembly import Question, cavity_facts
from rig.shop.before import foreknown
from rig.wheel import cavity_of, read_size

SIZE = "16.9-28"
AIR = {"measured_cavity_u_l": 22.0, "measured_cavity_shared_u_l": 21.0, "cavity_agrees": True}
BOUNDS = {"cavity_low_l": 310.0, "cavity_high_l": 380.0}
Run = Callable[..., str]


def _fill(fill_id: str, minute: int, litres: float = 345.0, **more: object) -> dict[str, object]:
    """A sound fill of a wheel of its own, whose air space measured its cavity."""
    return fill_of(
        fill_id, minute, **(AIR | BOUNDS | {"measured_cavity_l": litres, "position": f"wheel {fill_id}"} | more)
    )


@pytest.fixture
def measured(run: Run, data: Path) -> Run:
    """A shop of which three wheels were measured by their air space, one of them to the valve as well."""
    journal_with(data, _fill("a", 0), _fill("b", 10, 349.0), _fill("c", 20, 341.0, net_l=262.0))
    run("teach", "loader", "--from", "c")
    return run


def _shown(run: Run, size: str = SIZE) -> dict[str, object]:
    found = json.loads(run("chart", "show", size, "--json"))
    assert isinstance(found, dict)
    return found


def _target(data: Path, **more: object) -> Target:
    return foreknown(rig_settings(rig__data=str(data)), Question(SIZE, **more)).target  # type: ignore[arg-type]


def test_sound_fills_are_the_chart_and_its_count_and_band_are_offered(measured: Run, data: Path) -> None:
    found = _shown(measured)
    assert (found["wheels"], found["measurements_counted"]) == (3, 4)
    assert found["cavity_basis"] == "measured wheels"
    table = cavity_of(read_size(SIZE))
    cavity = _target(data).cavity
    assert cavity.basis == "measured wheels"
    assert cavity.volume_l == pytest.approx(found["cavity_l"], abs=0.01)
    assert cavity.high_l - cavity.low_l < table.high_l - table.low_l
    said = measured("target", SIZE, "--config", _config(data))
    assert "3 wheels of this size measured: whole cavity" in said
    assert "by measured wheels" in said
    assert "3 wheels of this size:" in measured("chart", "list")


def test_the_controller_searches_in_the_learned_band(measured: Run, data: Path) -> None:
    target = _target(data)
    facts = cavity_facts(target.cavity, 12.0)
    assert facts.low_l < target.cavity.low_l < facts.volume_l < target.cavity.high_l < facts.high_l
    assert not facts.taught


@pytest.mark.parametrize(
    "unsound",
    [
        {"flags": ["interrupted"]}, {"outcome": "stopped"}, {"net_basis": "estimated"}, {"existing_l": 20.0},
        {"cavity_agrees": False}, {"measured_cavity_l": None}, {"measured_cavity_l": 520.0}, {"net_u_l": 40.0},
        {"existing_fluid": "water"}, {"loaded_verdict": "no", "loaded_l": 0.0, "loaded_low_l": 0.0, "loaded_high_l": 1},
    ],
)  # fmt: skip
def test_a_fill_that_is_not_sound_does_not_count(measured: Run, data: Path, unsound: dict[str, object]) -> None:
    before = _shown(measured)
    journal_with(data, _fill("x", 30, **unsound))
    assert _shown(measured) == before


def test_a_void_fill_and_one_that_spilled_do_not_count(measured: Run) -> None:
    measured("note", "void", "a", "--why", "another tyre")
    measured("note", "spill", "--fill", "b", "--volume", "4 L")
    assert [row["id"] for row in _rows(_shown(measured))] == ["c", "c"]


def _rows(found: dict[str, object]) -> list[dict[str, object]]:
    rows = found["measurements"]
    assert isinstance(rows, list)
    return rows


def test_a_person_leaves_a_fill_out_and_counts_it_again(measured: Run, data: Path) -> None:
    before, ticket = _shown(measured), measured("ticket", "c")
    assert "why?" in measured("chart", "void", "c", status=3)
    said = measured("chart", "void", "c", "--why", "other tyre on the rim", "--by", "Jo")
    assert "does not count" in said
    out = _shown(measured)
    assert (out["wheels"], out["measurements_counted"]) == (2, 2)
    assert [row["id"] for row in _rows(out) if row["left_out_by"]] == ["c", "c"]
    assert "LEFT OUT by record" in measured("chart", "show", SIZE)
    assert _target(data).cavity.volume_l == pytest.approx(out["cavity_l"], abs=0.01)
    # The fill itself is billed as before.
    assert measured("ticket", "c") == ticket
    measured("chart", "undo", "c", "--why", "it was that one")
    assert _shown(measured) == before
    assert "was not left out" in measured("chart", "undo", "a", "--why", "so", status=3)
    assert "did that already" in measured("chart", "undo", "c", "--why", "so", status=3)
    measured("chart", "void", "c", "--why", "once more")
    assert _shown(measured)["wheels"] == 2
    assert "no fill 'zzz'" in measured("chart", "void", "zzz", "--why", "so", status=3)


def test_all_left_out_is_as_never_measured(measured: Run, data: Path) -> None:
    for each in ("a", "b", "c"):
        measured("chart", "void", each, "--why", "a test")
    assert _target(data).cavity == cavity_of(read_size(SIZE))
    assert "no wheel that counts" in measured("chart", "list")


def test_maker_and_tread_are_kept_and_corrected(measured: Run, data: Path) -> None:
    journal_with(data, *(_fill(f"n{each}", 30 + each, 362.0, make="Northfield  R-1") for each in range(3)))
    north, nobody = _target(data, make="northfield r-1").cavity, _target(data).cavity
    assert north.volume_l > nobody.volume_l
    assert "northfield r-1: 6 wheels of this size, 3 of this make" in measured("chart", "show", SIZE)
    measured("note", "correct", "n0", "--make", "Southfield R-4", "--why", "read it again")
    makes = {row["id"]: row["make"] for row in _rows(_shown(measured))}
    assert (makes["n0"], makes["n1"]) == ("southfield r-4", "northfield r-1")


def test_a_size_without_a_fill_goes_by_table_and_geometry(measured: Run) -> None:
    assert "no fill has measured a 18.4-38 yet" in measured("chart", "show", "18.4-38", status=3)
    assert "write `rig chart show" in measured("chart", "show", status=3)
    measured("chart", "show", "no size", status=2)


# --- other shops ----------------------------------------------------------------------------------------------------


def _config(data: Path) -> str:
    config = data / "rig.toml"
    text = (Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")
    config.write_text(text.replace('data = "rig-data"', 'data = "."'), encoding="utf-8")
    return str(config)


@pytest.fixture
def other_shop(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Another shop's file, of wheels that hold so much."""

    def export(litres: float = 352.0, count: int = 4, shop: str = "Far Valley") -> Path:
        folder = tmp_path_factory.mktemp("far")
        fills = [
            _fill(f"f{each}", each, litres, customer="Hill Farm", job="J9", make="Northfield R-1", by="Ann")
            for each in range(count)
        ]
        config = _config(folder)
        journal_with(folder, *fills)
        assert main(["chart", "export", str(folder / "chart.json"), "--shop", shop, "--config", config]) == 0
        return folder / "chart.json"

    return export


def test_another_shops_file_is_taken_over_weighed_and_removed(measured: Run, other_shop: Callable[..., Path]) -> None:
    before = _shown(measured)
    said = measured("chart", "import", str(other_shop()))
    assert "4 measurements of Far Valley" in said
    with_them = _shown(measured)
    assert (with_them["wheels"], before["wheels"]) == (7, 3)
    assert {row["shop"] for row in _rows(with_them)} == {"", "Far Valley"}
    # Twice is once, and a later file of the same shop replaces the earlier one.
    measured("chart", "import", str(other_shop()))
    measured("chart", "import", str(other_shop(count=5)))
    assert _shown(measured)["wheels"] == 8
    one = next(str(row["id"]) for row in _rows(_shown(measured)) if row["shop"])
    measured("chart", "void", one, "--why", "can hardly be")
    assert _shown(measured)["wheels"] == 7
    measured("chart", "void", "Far Valley", "--why", "not our tyres")
    assert _shown(measured) == before
    measured("chart", "undo", "Far Valley", "--why", "they are")
    assert _shown(measured)["wheels"] == 7


def test_a_file_names_no_customer_place_person_or_date(other_shop: Callable[..., Path]) -> None:
    text = other_shop().read_text(encoding="utf-8")
    assert not any(each in text for each in ("Hill Farm", "J9", "Ann", "wheel f0", "2026-11"))
    whole = json.loads(text)
    assert whole.keys() == {"format", "version", "shop", "simulated", "rows", "sha256"}
    for row in whole["rows"]:
        assert row.keys() == {"id", "size", "make", "wheel", "litres", "u_l", "shared_u_l"}
        assert re.fullmatch("[0-9a-f]{16}", row["id"])
        assert re.fullmatch("[0-9a-f]{16}", row["wheel"])
        assert row["make"] == "northfield r-1"


def test_own_measurements_do_not_come_back(measured: Run, data: Path) -> None:
    measured("chart", "export", "own.json", "--shop", "us")
    assert "every measurement in it is this shop's own" in measured("chart", "import", "own.json", status=3)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ('"litres": 352.0', '"litres": 353.0', "not what its hash says"),
        ('"version": 1', '"version": 2', "update this one"),
        ('"format": "measured tyre cavities"', '"format": "other"', "format"),
        ('"rows"', '"lines"', "rows"),
        ("{", "", "no file of measured cavities"),
    ],
)
def test_a_damaged_or_foreign_file_is_refused_whole(
    measured: Run, other_shop: Callable[..., Path], old: str, new: str, why: str
) -> None:
    before, path = _shown(measured), other_shop()
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    assert why in measured("chart", "import", str(path), status=3)
    assert _shown(measured) == before


def _rewritten(path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """Change a file and give it the hash of what it says then."""
    whole = json.loads(path.read_text(encoding="utf-8"))
    change(whole)
    del whole["sha256"]
    canonical = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    whole["sha256"] = hashlib.sha256(canonical.encode()).hexdigest()
    path.write_text(json.dumps(whole), encoding="utf-8")


@pytest.mark.parametrize(
    ("field", "value", "why"),
    [
        ("litres", 900.0, "cannot be a 16.9-28"), ("size", "48/80R42", "measurement"), ("u_l", 0.0, "no litres"),
        ("u_l", float("nan"), ""), ("wheel", "", "empty, too long"), ("make", "x" * 99, "empty, too long"),
        ("litres", "352", "litres"),
    ],
)  # fmt: skip
def test_a_file_with_a_right_hash_and_wrong_figures_is_refused(
    measured: Run, other_shop: Callable[..., Path], field: str, value: object, why: str
) -> None:
    path = other_shop()
    _rewritten(path, lambda whole: whole["rows"][1].update({field: value}))
    assert why in measured("chart", "import", str(path), status=3)


def test_simulated_and_real_wheels_are_not_mixed(measured: Run, other_shop: Callable[..., Path]) -> None:
    path = other_shop()
    _rewritten(path, lambda whole: whole.update(simulated=False))
    assert "never mixed" in measured("chart", "import", str(path), status=3)


def test_export_without_measurements_or_with_a_name_that_others_refuse(measured: Run, run: Run, data: Path) -> None:
    assert "not taken over" in measured("chart", "export", "x.json", "--shop", "a/b", status=3)
    assert not Path("x.json").exists()
    for each in ("a", "b", "c"):
        measured("chart", "void", each, "--why", "a test")
    assert "nothing to give" in measured("chart", "export", "x.json", status=3)
