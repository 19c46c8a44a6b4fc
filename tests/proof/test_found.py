"""What the proof has found in the controller, each as a named scenario that stays."""

from __future__ import annotations

import pytest
from virtual_fills import Nobody, fill_of, rig_settings, run_fill

from rig.control.decide import Decision, decide
from rig.control.procedure import Phase, State
from rig.control.values import Request
from rig.run.assembly import Question


@pytest.mark.parametrize("later", ["hold", "stop"])
def test_a_hold_in_the_same_scan_as_a_resume_is_not_swallowed(later: str) -> None:
    """Found by enumeration: between resume and running a hold fell on nothing, and the fill ran."""
    fill = fill_of(rig_settings(), Question("11L-15"))
    fill.run(until=lambda d: d.state.phase is Phase.FILL)
    fill.person = Nobody()
    fill.ask(Request("1", "hold", by="jo"))
    held = fill.run(until=lambda d: d.state.state is State.HELD)
    fill.rig.advance(0.1)
    both = [Request("2", "resume", by="jo"), Request("3", later, by="jo")]  # type: ignore[arg-type]
    decision = decide(fill.setup, held.state, fill.rig.scan(), both)
    assert decision.state.state is (State.HOLDING if later == "hold" else State.STOPPING)
    assert not decision.outputs.moving


@pytest.mark.parametrize("fault", ["pressure_stuck", "pressure_drift"])
@pytest.mark.parametrize("size", ["11L-15", "16.9-28"])
def test_a_gauge_that_lies_while_air_is_drawn_does_not_cost_the_bead(fault: str, size: str) -> None:
    """Found by every fault in every phase: the pump drew on to -27 kPa and the bead left the rim."""
    began: list[float] = []

    def see(decision: Decision) -> None:
        if decision.state.phase is Phase.DRAW_DOWN:
            began.append(decision.state.now_s)

    run_fill(size, "draw-down", watch=see)
    ran = run_fill(size, "draw-down", faults=[f"{fault}@{began[0]:g}"])
    assert ran.rig.plant.extremes.lowest_tyre_kpa > 0
    assert not ran.rig.plant.tyre.bead_lost
    assert ran.record["outcome"] == "stopped"
