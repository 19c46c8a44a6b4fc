"""The interval score: against its definition, and against what it is for."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

import sim.score
from sim.score import Account, interval_score, scored, worse


def test_the_score_by_its_definition() -> None:
    """Gneiting and Raftery (2007), equation 43, worked by hand: width, and 2/0.05 = 40 times the miss."""
    assert interval_score(9.0, 11.0, 10.5) == pytest.approx(2.0)
    assert interval_score(9.0, 11.0, 11.5) == pytest.approx(2.0 + 40 * 0.5)
    assert interval_score(9.0, 11.0, 8.0, alpha=0.5) == pytest.approx(2.0 + 4 * 1.0)


def accounts(half_width_l: float, count: int = 20_000) -> list[Account]:
    rng = random.Random(5)
    return [account(100 + rng.gauss(0, 1), half_width_l, half_width_l) for _ in range(count)]


def account(net_l: float, less_l: float, more_l: float, stratum: str = "sound") -> Account:
    return Account(net_l, (net_l - less_l, net_l + more_l), 100.0, 100.0, (stratum,))


def test_honest_width_scores_best() -> None:
    """The score is proper: for normal errors of 1 L it is least at the true 95 % half-width, 1.96 L."""
    honest, vague, narrow = (scored(accounts(width))[0] for width in (1.96, 4.0, 1.0))
    assert honest.coverage == pytest.approx(0.95, abs=0.005)
    assert honest.used == pytest.approx(0.34, abs=0.01)
    assert honest.score < vague.score
    assert honest.score < narrow.score
    assert vague.coverage > 0.9999


def test_what_is_missing_to_one_side_counts_on_that_side_only() -> None:
    rows = scored([account(102.0, 4.0, 0.0)] * 20 + [account(98.0, 4.0, 0.0)] * 20)
    assert (rows[0].coverage, rows[0].width) == (0.5, 2.0)
    assert rows[0].score == pytest.approx(4.0 + 0.5 * 40 * 2.0)


def test_an_interval_that_seldom_holds_the_truth_is_reported(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # Drawn accounts are of no plant: the baseline of the campaigns says nothing of their scores.
    monkeypatch.setattr(sim.score, "BASELINE", tmp_path / "none.json")
    assert worse(scored(accounts(1.96, 2000))) == []
    assert worse(scored(accounts(1.5, 2000)))[0].startswith("all: the stated interval holds the truth in 8")
    assert worse(scored(accounts(1.5, 150))) == [], "too few to be judged"


def test_a_stratum_with_few_fills_is_left_out() -> None:
    rows = scored([*accounts(2.0, 30), *(account(1, 1, 1, "fault leak") for _ in range(5))])
    assert [row.stratum for row in rows] == ["all", "sound"]
