"""Every fault while a tyre is emptied, judged on every tick: what is promised of a fill holds of a removal too."""

from __future__ import annotations

import pytest
from virtual_fills import removal_of

from rig.control.moves.decide import Decision
from rig.control.moves.snapshot import fill_record
from rig.control.words.procedure import ENDED
from sim.faults import FAULTS
from sim.judge import Judge
from sim.person import Scripted
from sim.scenarios import Habits
from sim.seen import Breach
from sim.virtual import VirtualRig

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full

BY_METER, BY_LEVEL, BY_TIME = 0, 1, 2
MEASURES = pytest.mark.parametrize("measure", [BY_METER, BY_LEVEL, BY_TIME], ids=["meter", "level", "time"])


def judged_removal(
    size: str, told_l: float, measure: int, faults: list[str], *, truly_l: float | None = None
) -> tuple[Decision, list[Breach], VirtualRig]:
    """Empty a tyre that is told to hold ``told_l``, through the meter or round it, and judge every tick."""
    fill = removal_of(size, told_l, measure, faults, truly_l=truly_l, tote__fluid="water")
    rig, setup = fill.rig, fill.setup
    judge = Judge(setup, rig, frozenset(text.partition("@")[0] for text in faults), delivers=False)
    person = Scripted(Habits(think_s=3.0, goes_on=2), 120.0, judge.heard)
    fill.person, fill.watch = person, judge.see
    last = fill.run()
    judge.close(fill_record(setup, last.state), ended=last.state.state in ENDED or person.gave_up)
    return last, judge.breaches, rig


@MEASURES
@pytest.mark.parametrize("share", [0.6, 0.8, 1.0, 1.3], ids=lambda share: f"{100 * share:.0f} %")
@pytest.mark.parametrize(("size", "told_l"), [("7.50-16", 25.0), ("11L-15", 40.0), ("16.9-28", 220.0)])
def test_a_tyre_that_holds_less_or_more_than_told_is_not_drawn_below_ambient(
    size: str, told_l: float, share: float, measure: int
) -> None:
    last, breaches, rig = judged_removal(size, told_l, measure, [], truly_l=share * told_l)
    assert breaches == []
    assert last.state.state in ENDED
    assert rig.plant.extremes.lowest_tyre_kpa > 0.0


EXCUSED = {
    # The meter that is gone round counts nothing that matters; its restart is nobody's concern.
    ("meter_reset", BY_LEVEL): "I3 restart told",
    ("meter_rollback", BY_LEVEL): "I3 restart told",
    ("meter_reset", BY_TIME): "I3 restart told",
    ("meter_rollback", BY_TIME): "I3 restart told",
    # What runs out of a valve that the gun has left runs past everything that counts.
    ("hose_off", BY_METER): "I4 record true",
    ("hose_off", BY_LEVEL): "I4 record true",
    ("hose_off", BY_TIME): "I4 record true",
    # What a pump draws that obeys nobody is counted by no time.
    ("write_ignored", BY_TIME): "I4 record true",
}


@pytest.mark.parametrize(
    ("measure", "onset_s"),
    [(BY_METER, 12.0), (BY_METER, 40.0), (BY_LEVEL, 40.0), (BY_TIME, 12.0)],
    ids=["meter, first stroke", "meter, later", "level, later", "time, first stroke"],
)
@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_fault_while_a_tyre_is_emptied_keeps_the_promises(name: str, onset_s: float, measure: int) -> None:
    onset_s = 0.0 if FAULTS[name].only_at_start else onset_s
    _, breaches, _ = judged_removal("11L-15", 40.0, measure, [f"{name}@{onset_s:g}"])
    assert [breach for breach in breaches if breach.name != EXCUSED.get((name, measure))] == []
