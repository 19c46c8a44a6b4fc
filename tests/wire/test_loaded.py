"""``rig loaded`` as its user runs it: a sealed tenth over the wire is a fill like any other, and air from a tank."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from processes import command, serving

TANK = ("--tank", "11 gal: 100 psi -> 70 psi")


@pytest.mark.full
@pytest.mark.parametrize(("existing", "verdict"), [("0 L", "no"), ("34 L", "yes")])
def test_a_sealed_tenth_answers_and_is_in_the_ledger(tmp_path: Path, existing: str, verdict: str) -> None:
    with serving(tmp_path, scale="60", size='"11L-15"', extra=f'existing = "{existing}"\n') as rig:
        asked = ("loaded", "--config", "rig.toml", "--size", "11L-15", "--unattended", "--json")
        done = command(tmp_path, *asked)
        truth = rig.stop()
    assert done.returncode == 0, done.stderr
    assert "valve at the bottom" in done.stderr
    record = json.loads(done.stdout)
    assert record["loaded_verdict"] == verdict
    assert record["loaded_low_l"] <= float(existing.split(maxsplit=1)[0]) <= record["loaded_high_l"]
    assert record["target_l"] == pytest.approx(0.1 * record["cavity_l"], abs=0.01)
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.2)
    listed = json.loads(command(tmp_path, "ledger", "list", "--config", "rig.toml", "--json").stdout)
    assert [fill["fill_id"] for fill in listed] == [record["fill_id"]]


def test_air_from_a_tank_needs_no_rig(tmp_path: Path) -> None:
    """Boyle by hand: 41.6 L × 207 kPa in a rise of 69 kPa is 125 L, more than this tyre's 114 L: no liquid."""
    done = command(tmp_path, "loaded", "--size", "11.2-24", "--air", "10 psi -> 20 psi", *TANK)
    assert done.returncode == 0, done.stderr
    assert "LIQUID INSIDE?" in done.stdout
    half = command(tmp_path, "loaded", "--size", "11.2-24", "--air", "10 psi -> 32 psi", *TANK, "--json")
    found = json.loads(half.stdout)
    assert found["loaded_verdict"] == "yes"
    assert found["loaded_low_l"] < 114 - 57 < found["loaded_high_l"]


@pytest.mark.full
@pytest.mark.parametrize(
    "wrong",
    [
        ("--air", "10 psi -> 18 psi"),
        ("--air", "18 psi -> 10 psi", *TANK),
        ("--air", "10 psi", *TANK),
        ("--air", "10 -> 18", *TANK),
        ("--air", "10 psi -> 18 psi", "--tank", "100 psi -> 70 psi"),
    ],
)
def test_what_was_read_off_wrongly_is_refused_in_words(tmp_path: Path, wrong: tuple[str, ...]) -> None:
    done = command(tmp_path, "loaded", "--size", "11.2-24", *wrong)
    assert done.returncode == 2
    assert "write" in done.stderr or "must" in done.stderr
