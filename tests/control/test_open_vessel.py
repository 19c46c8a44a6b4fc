"""A delivery into an open vessel: no air space, no core, one stroke, stopped by the count."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from virtual_fills import rig_settings

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Meter, Request, Setup
from rig.fluid import read_fluid
from rig.run.assembly import Memory, vessel_setup
from rig.run.person import Unattended
from sim.faults import read_fault
from sim.virtual import VirtualFill, VirtualRig


def delivery(volume_l: float, fault: str = "hose_off@0", **changes: object) -> VirtualFill:
    settings = rig_settings(**changes)
    setup = vessel_setup(settings, read_fluid("water"), 15.0, volume_l, "test", Memory())
    return VirtualFill(VirtualRig(settings, [read_fault(fault)]), setup)


def test_a_delivery_is_one_stroke_that_ends_near_the_mark() -> None:
    fill = delivery(20.0)
    phases: list[Phase] = []
    fill.watch = lambda decision: phases.append(decision.state.phase)
    last = fill.run()
    assert (last.state.state, last.state.alarms.first_out) == (State.COMPLETE, None)
    assert set(phases) == {Phase.SETTLE, Phase.FILL}
    assert last.state.tally.net_l(fill.setup.meter) == pytest.approx(20.0, abs=0.4)


class _HoldsOnce(Unattended):
    """Holds the delivery at 8 L and goes on."""

    held = False

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        if not self.held and decision.facts.in_tyre_l > 8:
            self.held = True
            return [Request("hold", "hold", by="test")]
        if decision.state.state is State.HELD:
            return [Request("go on", "resume", by="test")]
        return super().requests(setup, decision)


def test_a_hold_divides_the_delivery_and_the_count_goes_on() -> None:
    fill = delivery(20.0)
    fill.person = _HoldsOnce()
    last = fill.run()
    assert (last.state.state, last.state.fills) == (State.COMPLETE, 2)
    assert last.state.tally.net_l(fill.setup.meter) == pytest.approx(20.0, abs=0.4)


def test_a_meter_that_is_being_proved_may_contradict_the_scale() -> None:
    scale = {"link": "io", "table": "input", "address": 40, "type": "u32", "scale": 0.1, "quantity": "kg"}
    fill = delivery(100.0, points__tote_mass=scale, sim__k_factor="96 pulse/L")
    last = fill.run()
    assert last.facts.contradicted
    assert (last.state.state, last.state.alarms.first_out) == (State.COMPLETE, None)


def test_a_stuck_meter_stops_the_delivery() -> None:
    fill = VirtualFill(
        VirtualRig(rig_settings(), [read_fault("hose_off@0"), read_fault("meter_stuck@20")]), delivery(100.0).setup
    )
    assert fill.run().state.alarms.first_out == "no_flow"


def test_a_curve_is_straight_between_its_points_and_level_outside() -> None:
    meter = Meter(100.0, 1.0, 32, "signed", False, 0.005, True, 2.0, curve=((0.1, 0.99), (0.5, 1.01)))
    flows = (0.0, 0.1, -0.3, 0.4, 0.5, 2.0)
    assert [meter.relative_factor(flow) for flow in flows] == pytest.approx([0.99, 0.99, 1.0, 1.005, 1.01, 1.01])
