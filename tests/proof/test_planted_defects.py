"""The tester tested: every planted defect is found by the judge on a known seed, which accuses no sound controller."""

from __future__ import annotations

import pytest
from defects import DEFECTS, SMALL, Defect, sound

from sim.campaign import judged, run_case
from sim.scenarios import AS_THEN, Case, drawn


@pytest.mark.release
@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_the_judge_finds_a_planted_defect(defect: Defect, monkeypatch: pytest.MonkeyPatch) -> None:
    case = Case(defect.seed, (*AS_THEN, *defect.dropped))
    assert sound(case), "the seed accuses a sound controller"
    defect.plant(monkeypatch)
    # Some defects keep a fill going for ever: the first of the breaches, and an hour, are enough.
    found = judged(drawn(case), until=defect.breach, most_s=3600.0)
    assert defect.breach in {breach.name for breach in found.breaches}


def test_there_are_enough_of_them() -> None:
    assert len(DEFECTS) >= 30
    assert len({defect.name for defect in DEFECTS}) == len(DEFECTS)


@pytest.mark.xfail(strict=True, reason="a canary: with a planted defect a campaign must not pass")
def test_canary(monkeypatch: pytest.MonkeyPatch) -> None:
    DEFECTS[1].plant(monkeypatch)
    assert not run_case(Case(1, SMALL)).breaches
