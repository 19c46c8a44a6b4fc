"""Fills of the campaign recorded and replayed: to the bit, faults and interruptions included; and a planted defect
shows as the first scan that is decided otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from defects import DEFECTS, Defect
from virtual_fills import removal_of

import sim.campaign
from rig.control.words.values import Setup
from rig.run import replaying
from rig.run.replaying import replay
from sim.campaign import judged, run_case
from sim.scenarios import AS_THEN, Case, drawn
from sim.taping import HERE, FileTape
from sim.virtual import Tape

_SEEDS = range(1, 13)
_MOST_S = 3600.0


def recorded(case: Case, folder: Path) -> FileTape | None:
    """Run a fill and record it; None where its plan did not permit it."""
    tapes: list[FileTape] = []

    def recorder(setup: Setup) -> Tape:
        tapes.append(FileTape(folder, setup))
        return tapes[0]

    judged(drawn(case), most_s=_MOST_S, recorder=recorder)
    for tape in tapes:
        tape.close()
    return tapes[0] if tapes else None


@pytest.mark.parametrize("seeds", [_SEEDS[k::4] for k in range(4)], ids=lambda seeds: f"from {seeds[0]}")
@pytest.mark.release
def test_fills_of_the_campaign_are_replayed_to_the_bit(seeds: range) -> None:
    scans = 0
    for seed in seeds:
        for kind in (Case(seed), Case(seed, wide=True), Case(seed, single=True), Case(seed, thermal=True)):
            found = run_case(kind._replace(replayed=True))
            assert found.breaches == (), kind.command
            assert (found.replayed > 0) == (found.outcome != "refused")
            scans += found.replayed
    assert scans > 1000
    print(f"{scans} scans")


@pytest.mark.parametrize("seed", [pytest.param(2, marks=pytest.mark.full), 3, 5])
def test_a_fill_that_was_interrupted_is_replayed_in_its_parts(seed: int, tmp_path: Path) -> None:
    tape = recorded(Case(seed), tmp_path)
    assert tape is not None
    found = replay(tape.parts, HERE)
    assert (found.identical, found.same_program) == (True, True)
    assert found.counted_now == found.counted_then is not None


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Case | None], list[Path]]:
    """The recordings of fills on which nothing is planted, each made once; None: of a removal."""

    @cache
    def of(case: Case | None) -> list[Path]:
        folder = tmp_path_factory.mktemp("boxes")
        if case is not None:
            tape = recorded(case, folder)
            return [] if tape is None else tape.parts
        fill = removal_of("11L-15", 30.0, 0, [])
        fill.tape = removed = FileTape(folder, fill.setup)
        fill.run()
        removed.close()
        return removed.parts

    return of


@pytest.mark.full
@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_a_planted_defect_shows_as_a_first_difference_on_some_stored_fill(
    defect: Defect, stored: Callable[[Case | None], list[Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Its own seed's fill first; where the sound fill never comes to the place, a removal, then those of other seeds.
    seeds = [(each.seed, each.dropped) for each in (defect, *DEFECTS)]
    own, *others = [Case(seed, (*AS_THEN, *dropped)) for seed, dropped in seeds]
    for case in (own, None, *others):
        parts = stored(case)
        if not parts:
            continue
        assert replay(parts, HERE).identical
        with monkeypatch.context() as patch:
            defect.plant(patch)
            # Some are planted where the campaign calls these.
            patch.setattr(replaying, "fill_record", sim.campaign.fill_record)
            patch.setattr(replaying, "recovered", sim.campaign.recovered)
            if not replay(parts, HERE).identical:
                return
    pytest.fail("no stored fill shows it")
