"""The gun comes off where no pressure stands behind it: whatever happened since the hose was reversed off."""

from __future__ import annotations

import pytest
from test_emptying import emptied
from virtual_fills import PSI, run_fill

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase, State
from sim.person import Scripted
from sim.plant.whole import Plant
from sim.scenarios import Habits

LEAST_TOLD_KPA = 1.5 * PSI


def behind_gun_kpa(plant: Plant) -> float:
    return max(plant.line.gun_kpa_abs, plant.tyre.pressure() if plant.valve_open else 0.0) - plant.tyre.atmosphere


@pytest.mark.full
@pytest.mark.parametrize("order", ["core back, then gun off", "gun off, then core back"])
def test_a_hose_that_came_under_pressure_is_reversed_off_anew(order: str) -> None:
    """A contactor welds while the gun is to come off; mended, reset and gone on from, the gun stays on at first."""
    uncoupled_s: list[float] = []

    def find(decision: Decision) -> None:
        if decision.state.phase is Phase.UNCOUPLE:
            uncoupled_s.append(decision.state.now_s)

    def person() -> Scripted:
        return Scripted(Habits(think_s=8.0, goes_on=3), 120.0, lambda requests: None)

    run_fill(person=person(), watch=find, flush__order=order)
    seen: list[Decision] = []
    ran = run_fill(
        "16.9-28",
        person=person(),
        watch=seen.append,
        faults=[f"pump_welded@{uncoupled_s[0] + 2:g}:5"],
        flush__order=order,
    )
    assert [name for _, name in ran.alarms] == ["flow_while_stopped"]
    assert ran.record["outcome"] == "complete"
    tripped = next(n for n, decision in enumerate(seen) if decision.state.state is State.ABORTED)
    again = [decision.state.phase for decision in seen[tripped:] if decision.state.state is State.RUNNING]
    assert Phase.BACK_FLUSH in again
    assert again[-1] is Phase.UNCOUPLE
    assert behind_gun_kpa(ran.rig.plant) < LEAST_TOLD_KPA


@pytest.mark.parametrize("truly_l", [220.0, 120.0])
def test_an_emptied_tyre_that_is_still_blown_up_is_shut_before_the_gun_comes_off(truly_l: float) -> None:
    """Air comes, or the volume is out, and pressure is left: an open valve would blow off what liquid is left."""
    fill, last, phases = emptied("16.9-28", 220.0, truly_l=truly_l, tote__fluid="water")
    assert last.state.state is State.COMPLETE
    assert fill.rig.plant.tyre.pressure() - fill.rig.plant.tyre.atmosphere > LEAST_TOLD_KPA
    assert Phase.SHUT in phases
    assert not fill.rig.plant.valve_open
    assert behind_gun_kpa(fill.rig.plant) < LEAST_TOLD_KPA


def test_an_insert_that_does_not_hold_an_emptied_tyre_is_told() -> None:
    """The reverse may bring the hose's air back: the gauge that rises again tells a valve that is still open."""
    # The insert leaks from just before it is asked for.
    _, last, _ = emptied("16.9-28", 220.0, truly_l=120.0, tote__fluid="water", faults=("insert_not_seated@75",))
    assert "insert_not_seated" in last.state.flags
    assert last.state.state is not State.COMPLETE


def test_a_hold_while_the_hose_is_reversed_off_is_no_lost_bead() -> None:
    """The hose stands at a vacuum behind the insert, which nothing has proved yet: not the tyre's pressure."""
    flushed_s: list[float] = []

    def find(decision: Decision) -> None:
        if decision.state.phase is Phase.BACK_FLUSH:
            flushed_s.append(decision.state.now_s)

    run_fill("11L-15", person=Scripted(Habits(think_s=3.0), 1.0, lambda requests: None), watch=find)
    holds = Habits(think_s=3.0, hold_at=flushed_s[0] + 1.5, goes_on=2)
    ran = run_fill("11L-15", person=Scripted(holds, 1.0, lambda requests: None))
    assert ran.record["outcome"] == "complete"
    lowest = ran.record["lowest_pressure_kpa"]
    assert isinstance(lowest, float)
    assert lowest > 0
