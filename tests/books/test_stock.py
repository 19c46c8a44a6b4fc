"""The tote's content, a day's balance and the label of a wheel, against sums by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from shop_books import fill_of, journal_with

from rig.cli import main
from rig.ledger.balance import Balance, Booked, balances, contents, together


def balance(moves: list[Booked]) -> Balance:
    return together(balances(moves))


def content_l(moves: list[Booked]) -> float | None:
    return contents(moves)[""].left_l


def test_a_day_balances_by_hand() -> None:
    moves = [
        Booked("1", "dip", 900.0), Booked("2", "ticket", 261.2), Booked("2", "hose", 0.4), Booked("3", "spill", 1.0),
        Booked("4", "load", 500.0), Booked("5", "rinse", 10.0), Booked("6", "return", 50.0), Booked("7", "dip", 1175.0),
    ]  # fmt: skip
    found = balance(moves)
    # 900 + 500 - 1175 = 225 left the tote; 261.2 + 0.4 + 1 + 10 - 50 = 222.6 are booked.
    assert found.drop_l == pytest.approx(225.0)
    assert found.booked_l == pytest.approx(222.6)
    assert found.rest_l == pytest.approx(2.4)
    assert content_l(moves[:-1]) == pytest.approx(1177.4)
    assert content_l(moves) == 1175.0


def test_without_two_dips_nothing_is_claimed() -> None:
    found = balance([Booked("1", "ticket", 5.0), Booked("2", "dip", 100.0)])
    assert (found.drop_l, found.rest_l, found.booked_l) == (None, None, 5.0)
    assert content_l([Booked("1", "ticket", 5.0)]) is None


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    journal_with(tmp_path / "rig-data", fill_of("a", freeze_c=-37.0))
    return tmp_path


def test_a_tote_is_loaded_dipped_and_runs_low(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stock"]) == 0
    assert "not known" in capsys.readouterr().out
    assert main(["stock", "load", "--volume", "900 L", "--lot", "B7", "--fluid", "beet", "--reorder", "300 L"]) == 0
    assert "900.0 L" in capsys.readouterr().out
    assert main(["note", "rinse", "--volume", "10 L"]) == 0
    assert main(["note", "return", "--volume", "40 L", "--to", "waste tank"]) == 0
    assert main(["note", "return", "--volume", "4 L", "--to", "tote"]) == 0
    capsys.readouterr()
    assert main(["stock", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {name: found[name] for name in ("left_l", "fluid", "reorder")} == {
        "left_l": 894.0, "fluid": "beet", "reorder": False,
    }  # fmt: skip
    # 4 of 894 L are less than a hundredth: nobody is told of them.
    assert found["lot"] == "B7"
    assert main(["stock", "dip", "--volume", "250 L"]) == 0
    assert "ORDER AGAIN" in capsys.readouterr().out
    assert main(["stock", "dip"]) == 3


def test_the_balance_is_one_line(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["balance", "--date", "2026-11-20"]) == 0
    text = capsys.readouterr().out
    assert text.count("\n") == 1
    assert "tickets 261.2" in text
    assert "unexplained not known" in text
    assert main(["stock", "dip", "--volume", "900 L"]) == 0
    assert main(["note", "spill", "--volume", "3 L"]) == 0
    assert main(["stock", "dip", "--volume", "890 L"]) == 0
    capsys.readouterr()
    assert main(["balance", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["drop_l"], found["booked_l"], found["unexplained_l"]) == (10.0, 3.0, 7.0)
    assert main(["balance", "--date", "yesterday"]) == 3


def test_a_label_says_in_plain_words_what_is_inside(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tag", "a", "--out", "tag.svg", "--json"]) == 0
    text = json.loads(capsys.readouterr().out)["text"]
    for words in (
        "LIQUID BALLAST INSIDE",
        "16.9-28, rear left",
        "beet, 261.2 L (69.0 gal)",
        "first ice -37 C",
        "No. 1",
    ):
        assert words in text
    assert "<svg" in (shop / "tag.svg").read_text(encoding="utf-8")
    assert main(["tag", "a", "--out", "tag.png"]) == 0
    assert (shop / "tag.png").read_bytes().startswith(b"\x89PNG")
    assert main(["tag", "a", "--out", "tag.doc"]) == 3
