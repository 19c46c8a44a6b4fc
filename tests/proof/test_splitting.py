"""The guided search on fills: parts from other seeds, the command that repeats a fill, and a small search."""

from __future__ import annotations

import hashlib
import json
import random
from dataclasses import replace

import pytest
from defects import SMALL

from rig.control.belief.accounting import Tally
from sim.__main__ import main
from sim.campaign import run_case
from sim.placing import placed
from sim.scenarios import Case, Scenario, drawn
from sim.seen import MEASURED
from sim.splitting import Search
from sim.subset_simulation import proposed

_ASKED = ["splitting", "--requirement", "I4 record true", "--fills", "6", "--share", "0.34", "--jobs", "1", "--json"]
_ASKED += ["--drop", ",".join((*SMALL, "order", "crash"))]


def _fill(case: Case) -> Scenario:
    """What is drawn, without the seeds it was drawn from."""
    found = drawn(case)
    found = placed(found, 600.0) if case.single else found
    return replace(found, case=Case(0))


@pytest.mark.parametrize("kind", [Case(7), Case(7, wide=True), Case(7, thermal=True), Case(7, SMALL, single=True)])
def test_a_fill_whose_parts_all_come_from_another_seed_is_that_seed_s(kind: Case) -> None:
    other = kind._replace(seed=12)
    assert _fill(kind) != _fill(other)
    assert _fill(kind._replace(redrawn=tuple((part, 12) for part in kind.drawn_parts))) == _fill(other)


def test_a_redrawn_part_changes_no_other() -> None:
    plain, other, mixed = drawn(Case(7)), drawn(Case(12)), drawn(Case(7, redrawn=(("wheel", 12), ("fault1", 12))))
    assert (mixed.question.size, mixed.faults[:1]) == (other.question.size, other.faults[:1])
    assert (mixed.question.fluid, mixed.layout, mixed.habits) == (plain.question.fluid, plain.layout, plain.habits)


def test_a_fill_with_redrawn_parts_is_run_again_by_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    case = Case(7, SMALL, redrawn=(("fault1", 12), ("layout", 4), ("plant", 5)))
    assert case.command.endswith("--seed 7 --drop fluid,wheel --redraw fault1=12,layout=4,plant=5")
    assert main(["campaign", *case.command.split()[4:], "--json"]) == 0
    trace = run_case(case).trace
    assert json.loads(capsys.readouterr().out)["trace"] == hashlib.sha256(trace.encode()).hexdigest()
    assert trace != run_case(Case(7, SMALL)).trace


def test_a_state_is_the_fill_with_each_part_from_its_seed() -> None:
    search, rng = Search(Case(20, SMALL), "I4 record true"), random.Random(1)
    state = search.first(3)[2]
    assert search.case(state) == Case(22, SMALL)
    for _ in range(5):
        state = proposed(state, rng)
        case = search.case(state)
        assert tuple(case.seed_of(part) for part in case.drawn_parts) == state


@pytest.mark.parametrize("wrong", [["--redraw", "wheels=3"], ["--redraw", "wheel"], ["--redraw", "wheel=a"]])
def test_a_part_that_cannot_be_redrawn_is_refused(wrong: list[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["campaign", *wrong])


def test_a_sound_fill_tells_how_near_it_came_to_each_of_its_limits() -> None:
    used = dict(run_case(Case(3, (*SMALL, "fault1", "fault2", "crash", "person", "order"))).used)
    assert used.keys() >= {"I4 record true", "pressure left", "target met", "record's pressures"}
    assert used.keys() <= MEASURED
    assert all(0.0 <= share < 1.0 for share in used.values())


@pytest.mark.full
def test_a_search_climbs_and_its_nearest_fill_is_repeated_by_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    status = main([*_ASKED, "--levels", "3", "--seed", "40"])
    document = json.loads(capsys.readouterr().out)
    first, second, last = document["levels"]
    assert first["at"] < second["at"] < last["at"] == 1.0
    assert document["fills"] == 18 - first["reached"] - second["reached"]
    assert document["ratio"] == pytest.approx(3 / document["fills"] / document["bound"])
    assert (status, document["probability"], document["others"]) == (0, 0.0, [])
    nearest = document["nearest"][0]
    assert nearest["share"] >= second["at"]
    assert main(["campaign", *nearest["command"].split()[4:], "--json"]) == 0
    closest = json.loads(capsys.readouterr().out)["closest"]
    assert round(nearest["share"], 3) in [each["share"] for each in closest if each["promise"] == "I4 record true"]


@pytest.mark.full
def test_a_planted_defect_is_found_and_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Tally, "net_l", lambda tally, meter: tally.forward_l(meter) + 1.0)
    assert main([*_ASKED, "--levels", "1"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["probability"] >= 0.5
    assert all(near["share"] >= 1.0 for near in document["nearest"])
    assert [other["promise"] for other in document["others"]]
