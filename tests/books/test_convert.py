"""A conversion as one job: steps done and open, the end of the fill on the ticket, and its bill to the cent."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_now, journal_with

from rig.cli import main

PRICES = str(Path(__file__).parents[2] / "config" / "prices.toml")
REAR = ("--job", "J1", "--position", "rear left")
Run = Callable[..., str]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    journal_with(tmp_path / "rig-data")

    def run_one(*words: str, status: int = 0) -> str:
        assert main(list(words)) == status
        captured = capsys.readouterr()
        return captured.out + captured.err

    return run_one


def wheels(run: Run) -> dict[str, dict[str, bool]]:
    """Which steps of each wheel are done."""
    found = json.loads(run("job", "J1", "--json"))["wheels"]
    return {each["position"]: {step["step"]: step["done"] for step in each["steps"]} for each in found}


def test_a_whole_conversion_and_its_bill(run: Run, tmp_path: Path) -> None:
    run("prices", PRICES)
    run("job", "J1", "--customer", "Hill Farm", "--machine", "T7")
    text = run("convert", "J1", "--position", "rear left", "--position", "rear right", "--to", "beet")
    assert text.count("[ ]") == 12
    assert "rear left, to beet: 6 to do" in text
    run("note", "return", *REAR, "--volume", "114 L", "--fluid", "cacl2:20%", "--to", "waste tank")
    run("note", "step", *REAR, "--step", "rinse", "--by", "Jo")
    run("note", "step", *REAR, "--step", "inspect rim", "--why", "light rust, painted")
    run("note", "step", *REAR, "--step", "new valve")
    for item in ("valve, air-water", "rim paint", "core"):
        run("note", "charge", *REAR, "--item", item)
    assert [name for name, done in wheels(run)["rear left"].items() if not done] == ["refill", "finish"]
    journal_with(tmp_path / "rig-data", fill_now("a", position="Rear left"))
    run("note", "finish", *REAR, "--pressure", "110 kPa", "--leak", "none", "--cap")
    done = wheels(run)
    assert all(done["rear left"].values())
    assert not any(done["rear right"].values())
    listed = run("job", "J1")
    assert "rear left, to beet: done" in listed
    assert "rear right, to beet: 6 to do" in listed
    assert "!" not in listed
    bill = json.loads(run("bill", "J1", "--json"))
    # By hand: 261.2 L are 69.0 gal at 3.95 = 272.55; a valve 14.50; rim paint 22.00; a core 1.25; travel 75.00; 114 L
    # drawn out are 30.1 gal at 0.85 = 25.59 (25.585). Tax of 8.25 % on 310.30: 25.60 (25.59975).
    assert {line["text"]: line["amount"] for line in bill["lines"]} == {
        "beet in 16.9-28, Rear left": "272.55",
        "valve, air-water": "14.50",
        "rim paint": "22.00",
        "core": "1.25",
        "travel": "75.00",
        "disposal of what was drawn out": "25.59",
    }
    assert (bill["net"], bill["tax"], bill["total"]) == ("410.89", "25.60", "436.49")


def test_a_refill_before_its_steps_is_told(run: Run, tmp_path: Path) -> None:
    run("convert", "J1", "--position", "rear left", "--to", "beet")
    run("note", "step", *REAR, "--step", "take the old out")
    journal_with(tmp_path / "rig-data", fill_now("a"))
    assert "refilled before: rinse, inspect rim, valve or wheel" in run("job", "J1")
    # Told again with another liquid, the agreement is another; the steps that were done stay.
    run("convert", "J1", "--position", "rear left", "--to", "water")
    assert "rear left, to water: 5 to do" in run("job", "J1")
    run("note", "void", "--fill", "a", "--why", "the wrong wheel")
    assert wheels(run)["rear left"]["refill"] is False


def test_before_the_refill_the_open_steps_are_told(run: Run, tmp_path: Path) -> None:
    demo = (Path(PRICES).parent / "demo.toml").read_text(encoding="utf-8")
    (tmp_path / "rig.toml").write_text(demo, encoding="utf-8")
    run("convert", "J1", "--position", "rear left", "--to", "pg:50%vol", "--config", "rig.toml")
    run("note", "step", *REAR, "--step", "take the old out", "--config", "rig.toml")
    text = " ".join(run("target", "16.9-28", *REAR, "--config", "rig.toml").split())
    assert "before the refill of rear left by the book: rinse, inspect rim, valve or wheel" in text
    assert "was to be converted to pg:50%vol, not to beet" in text


def test_the_end_of_a_fill_is_on_its_ticket(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a"), fill_now("b", position="rear right"))
    text = run("ticket", "--job", "J1")
    assert text.count("not recorded") == 1, "of all wheels alike"
    assert "NOT FINISHED" not in text
    told = run("note", "finish", "--fill", "a", "--pressure", "80 kPa", "--leak", "core")
    assert "LEAK at the core" in told
    text = " ".join(run("ticket", "a").split())
    for words in ("NOT FINISHED", "LEAK at the core", "NO SEALING CAP", "80 kPa (11.6 psi), valve at the top",
                  "working pressure is 16.0 psi (110 kPa): air it up"):  # fmt: skip
        assert words in text
    document = json.loads(run("ticket", "--job", "J1", "--json"))
    assert [each["finish"] and each["finish"]["leak"] for each in document["fills"]] == ["core", None]
    listed = run("job", "J1")
    assert "rear left: done, and to check" in listed
    assert "!   LEAK at the core" in listed
    assert "!   NO SEALING CAP" in listed
    # Done again, the last one counts; within a psi of the working pressure nothing is said.
    run("note", "finish", *REAR, "--pressure", "116 kPa", "--leak", "none", "--cap")
    text = run("ticket", "a")
    assert "no leak, sealing cap on" in text
    assert "CHECK" not in text
    assert "next" not in text
    assert "!" not in run("job", "J1")


def test_a_check_before_the_last_fill_says_nothing_of_it(run: Run, tmp_path: Path) -> None:
    run("note", "finish", *REAR, "--pressure", "110 kPa", "--leak", "none", "--cap")
    journal_with(tmp_path / "rig-data", fill_now("a"))
    assert wheels(run)["rear left"] == {"refill": True, "finish": False}
    assert "not recorded" in run("ticket", "a")


def test_a_job_that_is_told_afterwards_takes_its_work_along(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a"))
    run("note", "step", *REAR, "--step", "inspect rim")
    run("job", "J1", "--machine", "T7")
    assert wheels(run)["rear left"]["refill"] is True
    run("job", "J2", "--machine", "T7")
    text = run("note", "holds", "--job", "J2", "--position", "rear left", "--volume", "5 L")
    assert "5.0 L" in text
    assert json.loads(run("ledger", "verify", "--json"))["sound"] is True


@pytest.mark.parametrize(
    ("words", "advice"),
    [
        (("note", "step", "--job", "J1", "--step", "rinse"), "which wheel"),
        (("note", "holds", "--volume", "1 L"), "which wheel"),
        (("note", "holds", *REAR, "--volume", "-1 L"), "not negative"),
        (("note", "finish", "--leak", "none"), "--pressure"),
    ],
)
def test_a_note_that_is_not_whole_is_refused(run: Run, words: tuple[str, ...], advice: str) -> None:
    assert advice in run(*words, status=3)
