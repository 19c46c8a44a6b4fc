"""Several totes and a yard tank: what is in each, what goes into which, and what went into a wheel, by sums by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_books import fill_now, journal_with

from rig.cli import main
from rig.ledger.balance import Booked, Move, balances, contents, together

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    journal_with(tmp_path / "rig-data")

    def run_one(*words: str) -> tuple[int, str, str]:
        status = main(list(words))
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run_one


def stock(run: Run, *words: str) -> dict[str, dict[str, object]]:
    """Every tote by its name, as the command tells it after these words."""
    status, out, error = run("stock", *words, "--json")
    assert status == 0, error
    return {each["tote"]: each for each in json.loads(out)["totes"]}


@pytest.fixture
def yard(run: Run) -> Run:
    """Two totes and a yard tank with 3000 L of lot Y1; tote A is the first that was named, so it is connected."""
    stock(run, "tote", "--tote", "A", "--capacity", "1000 L", "--reorder", "200 L", "--fluid", "beet")
    stock(run, "tote", "--tote", "B", "--capacity", "600 L", "--fluid", "beet")
    stock(run, "tote", "--tote", "big", "--capacity", "4000 L", "--yard")
    stock(run, "load", "--tote", "big", "--volume", "3000 L", "--fluid", "beet", "--lot", "Y1")
    return run


def test_a_transfer_lowers_one_and_raises_the_other(yard: Run) -> None:
    found = stock(yard, "load", "--tote", "A", "--from", "big", "--volume", "800 L")
    assert [(each, found[each]["left_l"], found[each]["lot"]) for each in ("A", "big")] == [
        ("A", 800.0, "Y1"), ("big", 2200.0, "Y1"),
    ]  # fmt: skip
    assert (found["A"]["fluid"], found["A"]["connected"], found["big"]["yard"]) == ("beet", True, True)
    assert found["B"]["left_l"] is None
    text = yard("stock")[1]
    assert "tote A (connected): 800.0 L" in text
    assert "yard tank big: 2200.0 L" in text


@pytest.mark.parametrize(
    ("words", "advice"),
    [
        (("load", "--tote", "A", "--volume", "1001 L"), "takes 1000.0 L"),
        (("load", "--tote", "A", "--from", "big", "--volume", "3500 L"), "do not come out of it"),
        (("load", "--tote", "A", "--from", "A", "--volume", "1 L"), "out of itself"),
        (("load", "--tote", "big", "--volume", "10 L", "--fluid", "water"), "--mixed"),
        (("load", "--tote", "bog", "--volume", "10 L"), "did you mean 'big'"),
        (("connect", "--tote", "C"), "rig stock tote"),
        (("dip", "--tote", "A", "--volume", "-1 L"), "not negative"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(yard: Run, words: tuple[str, ...], advice: str) -> None:
    before = stock(yard)
    status, _, error = yard("stock", *words)
    assert status == 3
    assert advice in error
    assert stock(yard) == before


def test_another_liquid_is_recorded_knowingly(yard: Run) -> None:
    found = stock(yard, "load", "--tote", "big", "--volume", "1000 L", "--fluid", "water", "--lot", "W", "--mixed")
    assert (found["big"]["fluid"], found["big"]["lots"]) == ("beet + water", {"Y1": 0.75, "W": 0.25})
    assert "MIXED: beet + water" in yard("stock")[1]
    # The same brine by flake and by percent is one liquid; another strength is not.
    stock(yard, "load", "--tote", "B", "--volume", "100 L", "--fluid", "cacl2:3.5lb/gal")
    assert stock(yard, "load", "--tote", "B", "--volume", "100 L", "--fluid", "cacl2:22.8%")["B"]["left_l"] == 200.0
    assert yard("stock", "load", "--tote", "B", "--volume", "100 L", "--fluid", "cacl2:28%")[0] == 3
    # What is empty takes any liquid.
    stock(yard, "dip", "--tote", "B", "--volume", "0 L")
    assert stock(yard, "load", "--tote", "B", "--volume", "100 L", "--fluid", "water")["B"]["fluid"] == "water"


def test_a_fill_is_charged_to_the_tote_that_was_connected(yard: Run, tmp_path: Path) -> None:
    stock(yard, "load", "--tote", "A", "--from", "big", "--volume", "800 L")
    stock(yard, "load", "--tote", "B", "--volume", "500 L", "--lot", "B7")
    journal_with(tmp_path / "rig-data", fill_now("a", net_l=260.0, hose_change_l=0.5))
    stock(yard, "connect", "--tote", "B")
    journal_with(tmp_path / "rig-data", fill_now("b", net_l=100.0, spilled_l=2.0, position="rear right"))
    found = stock(yard)
    assert (found["A"]["left_l"], found["B"]["left_l"], found["B"]["connected"]) == (539.5, 398.0, True)
    # A lot on top of another: 398 L of B7 and 102 of B8 are 79.6 to 20.4.
    stock(yard, "load", "--tote", "B", "--volume", "102 L", "--lot", "B8")
    journal_with(tmp_path / "rig-data", fill_now("c", net_l=50.0))
    assert "lot Y1" in yard("tag", "a")[1]
    assert "lot B7;" in yard("tag", "b")[1]
    assert "lot B7 80 %, B8 20 %" in yard("tag", "c")[1]
    assert "B7 80 %, B8 20 %, tote B" in yard("ticket", "c")[1]


def test_a_wrong_tote_is_corrected(yard: Run, tmp_path: Path) -> None:
    stock(yard, "load", "--tote", "A", "--volume", "800 L", "--lot", "Y1")
    stock(yard, "load", "--tote", "B", "--volume", "500 L", "--lot", "B7")
    journal_with(tmp_path / "rig-data", fill_now("a", net_l=260.0))
    stock(yard)
    assert yard("note", "correct", "--fill", "a", "--tote", "B", "--lot", "B7", "--why", "the hose was on B")[0] == 0
    found = stock(yard)
    assert (found["A"]["left_l"], found["B"]["left_l"]) == (800.0, 240.0)
    assert "lot B7" in yard("tag", "a")[1]


def test_what_is_drawn_out_goes_where_it_is_said(yard: Run) -> None:
    stock(yard, "load", "--tote", "A", "--volume", "500 L", "--lot", "Y1")
    for where, volume in (("tote", "10 L"), ("tote B", "20 L"), ("b", "30 L"), ("waste tank", "40 L")):
        assert yard("note", "return", "--volume", volume, "--to", where, "--fluid", "beet")[0] == 0
    stock(yard, "dip", "--tote", "B", "--volume", "55 L")
    assert yard("note", "spill", "--tote", "B", "--volume", "5 L")[0] == 0
    found = stock(yard)
    assert (found["A"]["left_l"], found["A"]["lots"]) == (510.0, {"Y1": 0.98, "returned": 0.02})
    assert found["B"]["left_l"] == 50.0
    assert yard("note", "spill", "--tote", "Q", "--volume", "5 L")[0] == 3


def test_marks_are_told_for_each_tote(yard: Run) -> None:
    stock(yard, "load", "--tote", "A", "--volume", "199 L")
    assert "ORDER AGAIN: tote A is below the mark of 200.0 L" in yard("stock")[1]
    assert "ORDER AGAIN" not in yard("stock", "--tote", "big")[1]
    assert stock(yard, "load", "--tote", "B", "--volume", "50 L", "--reorder", "60 L")["B"]["reorder"] is True


def test_the_balance_of_a_truck_is_one_line_with_several_totes(yard: Run, tmp_path: Path) -> None:
    for tote, volume in (("A", "700 L"), ("B", "100 L"), ("big", "3000 L")):
        stock(yard, "dip", "--tote", tote, "--volume", volume)
    stock(yard, "load", "--tote", "B", "--from", "big", "--volume", "400 L")
    journal_with(tmp_path / "rig-data", fill_now("a", net_l=260.0))
    stock(yard, "connect", "--tote", "B")
    journal_with(tmp_path / "rig-data", fill_now("b", net_l=100.0))
    stock(yard, "dip", "--tote", "A", "--volume", "437 L")
    found = json.loads(yard("balance", "--json")[1])
    assert (found["drop_l"], found["not_dipped_twice"]) == (None, ["B"])
    assert "not dipped twice tote B" in yard("balance")[1]
    stock(yard, "dip", "--tote", "B", "--volume", "399 L")
    # A lost 263, B 100 + 400 - 399 = 101, the yard tank was dipped once and nothing was worked from it.
    found = json.loads(yard("balance", "--json")[1])
    assert (found["drop_l"], found["booked_l"], found["unexplained_l"]) == (364.0, 360.0, 4.0)
    stock(yard, "dip", "--tote", "big", "--volume", "2595 L")
    found = json.loads(yard("balance", "--json")[1])
    assert (found["drop_l"], found["unexplained_l"]) == (369.0, 9.0)
    assert yard("balance")[1].count("\n") == 1


def test_one_tote_without_a_name_can_have_a_size(run: Run) -> None:
    stock(run, "tote", "--capacity", "1000 L", "--reorder", "100 L")
    assert stock(run, "load", "--volume", "900 L", "--fluid", "beet", "--lot", "B7")[""]["capacity_l"] == 1000.0
    assert run("stock", "load", "--volume", "101 L")[0] == 3
    assert run("stock")[1] == "in the tote: 900.0 L (237.8 gal) of 1000.0 L (264.2 gal), beet lot B7\n"


_KINDS = st.sampled_from(["load", "ticket", "hose", "spill", "return", "dip"])
_MOVES = st.lists(st.tuples(_KINDS, st.floats(0, 500), st.sampled_from("xyz")), max_size=30)


@given(_MOVES)
def test_parts_are_the_whole(told: list[tuple[Move, float, str]]) -> None:
    """Litres of liquid and lot always add up to what is in the tote, and a transfer neither makes nor loses any."""
    moves = [Booked(str(n), move, litres, "A", lot=lot) for n, (move, litres, lot) in enumerate(told)]
    found = contents([Booked("", "load", 1.0, "A"), *moves])["A"]
    assert found.left_l is not None
    assert sum(found.parts.values()) == pytest.approx(max(found.left_l, 0.0), abs=1e-6)
    half = max(found.left_l, 0.0) / 2
    parts = [Booked("z", "load", litres, "B", fluid, lot) for fluid, lot, litres in found.part(half)]
    assert sum(part.litres for part in parts) == pytest.approx(half, abs=1e-6)


def test_a_tote_that_nobody_worked_from_stands_in_no_way() -> None:
    moves = [Booked("1", "dip", 100.0, "A"), Booked("2", "out", 5.0, "yard"), Booked("3", "load", 5.0, "A"),
             Booked("4", "ticket", 50.0, "A"), Booked("5", "dip", 55.0, "A")]  # fmt: skip
    found = together(balances(moves))
    assert (found.drop_l, found.rest_l, found.undipped) == (50.0, 0.0, ())
    assert together({}).drop_l is None
