"""The book's commands around real fills: both wheels of an axle on the simulated rig, the second matched to the first.

Truth is the simulated plant's own count of what it delivered.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from processes import command, serving

RIG = ("--config", "rig.toml")
FILL = ("fill", *RIG, "--size", "11L-15", "--unattended", "--json", "--job", "J1")


def done(folder: Path, *words: str, status: int = 0) -> dict[str, object]:
    ran = command(folder, *words, *RIG, "--json")
    assert ran.returncode == status, ran.stderr
    found = json.loads(ran.stdout)
    assert isinstance(found, dict)
    return found


@pytest.mark.full
def test_an_axle_is_filled_matched_compared_and_taught(tmp_path: Path) -> None:
    with serving(tmp_path) as rig:
        done(tmp_path, "stock", "tote", "--tote", "A", "--capacity", "1000 L", "--reorder", "80 L")
        done(tmp_path, "stock", "load", "--tote", "A", "--volume", "100 L", "--fluid", "beet", "--lot", "B7")
        done(tmp_path, "job", "J1", "--customer", "Hill", "--machine", "T7")
        wrong = command(tmp_path, *FILL, "--position", "rear left", "--fluid", "water")
        assert wrong.returncode == 3
        assert "tote A holds beet by the book, water was asked for" in wrong.stderr
        assert rig.truth()["delivered_l"] == 0
        ran = command(tmp_path, *FILL, "--position", "rear left")
        truth = rig.stop()
    assert ran.returncode == 0, ran.stderr
    assert "not for rear right too" in ran.stderr
    assert "ORDER AGAIN: below the mark: tote A" in ran.stderr
    first = json.loads(ran.stdout)
    assert (first["tote"], first["lot"], first["order_again"]) == ("A", "B7", ["tote A"])
    assert "not for rear right too" in first["warned"][0]
    assert first["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    left = done(tmp_path, "stock")
    assert left["left_l"] == pytest.approx(100 - first["net_l"] - first["hose_change_l"] - first["vented_l"], abs=0.1)
    with serving(tmp_path) as rig:
        ran = command(tmp_path, *FILL, "--position", "rear right", "--match", first["fill_id"])
        truth = rig.stop()
    assert ran.returncode == 0, ran.stderr
    second = json.loads(ran.stdout)
    assert second["target_l"] == pytest.approx(first["net_l"], abs=0.01)
    assert second["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    compared = done(tmp_path, "compare", "J1")
    pair = compared["pairs"][0]  # type: ignore[index]
    assert pair["axle"] == "T7 rear"
    assert abs(pair["difference_percent"]) < 1
    taught = done(tmp_path, "teach", "front", "--from", second["fill_id"])
    target = done(tmp_path, "target", "--wheel", "front")
    assert (target["cavity_basis"], target["size"]) == ("taught", "11L-15")
    assert target["target_l"] == pytest.approx(taught["took_l"], abs=0.02)


@pytest.mark.release
def test_without_a_level_the_book_says_whether_the_tote_lasts(tmp_path: Path) -> None:
    with serving(tmp_path) as rig:
        lines = rig.config.read_text(encoding="utf-8").splitlines()
        rig.config.write_text("\n".join(each for each in lines if not each.startswith("tote_level")), encoding="utf-8")
        done(tmp_path, "stock", "dip", "--volume", "30 L")
        short = command(tmp_path, *FILL, "--position", "rear left")
        assert short.returncode == 3
        assert "The tote holds 30.0 L (7.9 gal) by the book" in short.stderr
        # Rinse water comes from elsewhere.
        rinsed = done(tmp_path, "rinse", "--volume", "5 L", "--unattended")
        assert rinsed["outcome"] == "complete"
        assert done(tmp_path, "stock")["left_l"] == 30.0
