"""A fill that does not know where its litres are: nothing goes by its figure, and a change of liquid by its liquid."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest
from shop_books import TRUCK, fill_now, journal_with
from virtual_fills import rig_settings

from rig.books.compare import matched
from rig.books.wording import next_steps
from rig.cli import main
from rig.record.delivery import reasons_words, statement, within_words
from rig.record.work import Work
from rig.run.assembly import Question
from rig.run.refused import Refused
from rig.shop.posting import book_if_any
from rig.shop.wheels import inside

CONFIG = Path(__file__).parents[2] / "config"
REAR = ("--job", "J1", "--position", "rear left")
Run = Callable[..., str]


def lost(fill_id: str, **changes: object) -> dict[str, object]:
    """A fill whose hose was off: what the meter counted is somewhere."""
    net_l, net_u_l = 30.5, 37.3
    told = {"net_l": net_l, "net_u_l": net_u_l, "forward_l": 31.0, "returned_l": 0.5, "outcome": "stopped"}
    return fill_now(fill_id, **{**told, **asdict(statement(net_l, net_u_l, 10.0)), **changes})


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()

    def run_one(*words: str, status: int = 0) -> str:
        assert main(list(words)) == status, capsys.readouterr()
        captured = capsys.readouterr()
        return captured.out + captured.err

    return run_one


def holds_l(tmp_path: Path) -> float | None:
    settings = rig_settings(rig__data=str(tmp_path / "rig-data"), rig__name=TRUCK)
    with book_if_any(settings) as book:
        assert book is not None
        return inside(book, "J1", "rear left").left_l


def test_nothing_goes_by_litres_that_are_not_known(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a", position="rear right"), lost("b"))
    ticket = run("ticket", "b")
    assert "IN THE TYRE" not in ticket
    assert "not known (" in ticket
    assert "litres not known" in run("tag", "b")
    both = " ".join(run("ticket", "--job", "J1").split())
    assert "not in the sum 1 whose litres are not known" in both
    assert "a person's figure is needed" in json.loads(run("ticket", "b", "--json"))["fills"][0]["not_billable_because"]
    settings = rig_settings(rig__data=str(tmp_path / "rig-data"), rig__name=TRUCK)
    with pytest.raises(Refused, match="does not know what is in its wheel"):
        matched(settings, "b", Question("16.9-28"))
    assert "complete and counted" in run("teach", "rear", "--from", "b", status=3)


def test_two_wheels_are_not_compared_by_a_figure_that_is_not_known(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_now("a", position="rear right"), lost("b"))
    assert json.loads(run("compare", "J1", "--json"))["pairs"] == []


def test_a_wheel_holds_what_nobody_knows_until_somebody_looks(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", lost("a"))
    assert holds_l(tmp_path) is None
    # What comes on top does not tell what was below.
    journal_with(tmp_path / "rig-data", fill_now("b", net_l=50.0))
    assert holds_l(tmp_path) is None
    run("note", "holds", *REAR, "--volume", "120 L")
    assert holds_l(tmp_path) == pytest.approx(120.0)


def test_what_to_do_is_said() -> None:
    assert any("scale, level or chart" in step for step in next_steps(Work.from_document(lost("a"))))
    nothing = {
        **fill_now("a", net_l=-0.01, outcome="stopped"),
        **asdict(statement(-0.01, 0.1, 10.0)),
        "recovered_l": 0.01,
    }
    assert next_steps(Work.from_document(nothing))[0].startswith("Nothing came out.")


# --- a change of liquid ---------------------------------------------------------------------------------------------


def steps(run: Run) -> dict[str, bool]:
    (wheel,) = json.loads(run("job", "J1", "--json"))["wheels"]
    return {step["step"]: step["done"] for step in wheel["steps"]}


def test_a_refill_with_another_liquid_is_no_refill_of_a_conversion(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data")
    run("convert", *REAR[1:2], *REAR[2:], "--to", "beet")
    journal_with(tmp_path / "rig-data", fill_now("a", fluid="water"))
    run("note", "finish", "--fill", "a", "--pressure", "110 kPa", "--leak", "none", "--cap")
    done = steps(run)
    assert not done["refill"]
    assert not done["finish"], "what was checked after another fill says nothing of a refill to come"
    assert "water went in, not beet" in run("job", "J1")
    journal_with(tmp_path / "rig-data", fill_now("b", fluid="beet"))
    assert steps(run)["refill"]


def test_a_strength_written_otherwise_is_the_same_liquid(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data")
    run("convert", *REAR[1:2], *REAR[2:], "--to", "cacl2:20%")
    journal_with(tmp_path / "rig-data", fill_now("a", fluid="cacl2:20.0%"))
    assert steps(run)["refill"]


def test_taking_out_the_new_liquid_does_not_take_out_the_old(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data")
    run("convert", *REAR[1:2], *REAR[2:], "--to", "beet")
    run("note", "return", *REAR, "--volume", "20 L", "--fluid", "beet", "--to", "tote")
    assert not steps(run)["take the old out"]
    run("note", "return", *REAR, "--volume", "100 L", "--fluid", "cacl2:20%", "--to", "waste")
    assert steps(run)["take the old out"]


def test_what_was_drawn_out_is_billed_by_a_persons_figure_where_there_is_one(run: Run, tmp_path: Path) -> None:
    litres = {"net_l": -90.0, "recovered_l": 90.0, "net_u_l": 20.0, **asdict(statement(-90.0, 20.0, 10.0))}
    journal_with(tmp_path / "rig-data", fill_now("a", kind="return", to="tote", **litres))

    def disposal() -> str:
        lines = {line["text"]: line["amount"] for line in json.loads(run("bill", "J1", "--json"))["lines"]}
        return str(lines["disposal of what was drawn out"])

    run("prices", str(CONFIG / "prices.toml"))
    # By hand: 90 L are 23.8 gal, at 0.85 20.23: a fee on what is known less well is the shop's own risk.
    assert disposal() == "20.23"
    assert holds_l(tmp_path) is None
    run("note", "figure", "--fill", "a", "--volume", "83.28 L", "--basis", "scale", "--why", "weighed")
    # By hand: 83.28 L are 22.0 gal; 22.0 gal at 0.85 are 18.70.
    assert disposal() == "18.70"


@pytest.mark.parametrize(
    ("less_l", "more_l", "said"),
    [
        (None, None, "± 37.3 L"), (37.3, 36.0, "± 37.3 L"), (12.31, 37.3, "-12.3 +37.3 L"), (30.0, 0.02, "-30.0 L"),
        (0.0, 5.0, "+5.0 L"),
    ],
)  # fmt: skip
def test_a_record_says_to_which_side_its_litres_may_be_off(
    run: Run, tmp_path: Path, less_l: float | None, more_l: float | None, said: str
) -> None:
    sides = {} if less_l is None else {"net_less_l": less_l, "net_more_l": more_l}
    journal_with(tmp_path / "rig-data", lost("b", **sides))
    assert f"passed the meter, {said})" in run("ticket", "b")


def test_what_came_out_may_be_off_to_the_other_side() -> None:
    """More left in a wheel is less that came out of it."""
    drawn = Work.from_document(lost("b", net_l=-20.0, net_u_l=6.0, net_less_l=6.0, net_more_l=1.0, recovered_l=20.0))
    assert drawn.within_l == (-26.0, -19.0)
    assert within_words(drawn) == "-1.0 +6.0 L"


def test_the_reasons_are_said_the_largest_first_and_without_what_is_nothing() -> None:
    parts = [("meter", 0.2, 0.2), ("bead_lost", 12.3, 0.0), ("pulse", 0.02, 0.02)]
    work = Work.from_document(
        lost("b", doubts=[{"reason": r, "less_l": less, "more_l": more} for r, less, more in parts])
    )
    assert reasons_words(work) == "bead lost -12.3 L; meter -0.2 +0.2 L"
