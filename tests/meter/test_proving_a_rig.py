"""Provings in virtual time: never the simulated meter's own pulses per litre, only what the vessel holds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from virtual_fills import rig_settings

from rig.control.words.procedure import State
from rig.control.words.values import Setup
from rig.fluid import read_fluid
from rig.meter.proving import Before, Proving, Run, prove
from rig.meter.references import Can
from rig.run.assembly import Memory, vessel_setup
from rig.run.settings import Settings
from sim.faults import read_fault
from sim.virtual import VirtualFill, VirtualRig

WATER = read_fluid("water")
CAN = Can(60.0)


def rig_of(**changes: object) -> VirtualRig:
    return VirtualRig(rig_settings(tote__content="2500 L", tote__fluid="water", **changes))


def deliver(rig: VirtualRig, setup: Setup) -> tuple[int, float, float, float]:
    """One delivery into the emptied vessel: pulses, what it holds, the flow, and the litres by the account."""
    rig.write({"hand_in_vessel": False})
    rig.advance(1.0)
    last = VirtualFill(rig, setup).run()
    assert (last.state.state, last.state.alarms.first_out) == (State.COMPLETE, None)
    count = last.state.counts[0]
    net_l = last.state.tally.net_l(setup.meter)
    return count.forward - count.back, rig.plant.vessel_l, last.state.stroke.stop_flow_lps, net_l


def delivery(settings: Settings, volume_l: float = 60.0) -> Setup:
    return vessel_setup(settings, WATER, 15.0, volume_l, "test", Memory())


def proven(rig: VirtualRig, runs: int = 3) -> Proving:
    setup, found = delivery(rig.settings), []
    deliver(rig, setup)
    for _ in range(runs):
        pulses, held_l, flow_lps, _ = deliver(rig, setup)
        found.append(Run(pulses, held_l, CAN.ref_c, CAN.ref_c, flow_lps))
    before = Before(setup.meter.k_per_l, setup.meter.least_l, rig.settings.pump.flow, setup.meter.factor)
    return prove(found, before, WATER, CAN.doubt)


@pytest.mark.parametrize("true_k", ["97.3 pulse/L", "100 pulse/L", "104 pulse/L"])
def test_with_the_proven_factor_the_next_delivery_is_right(true_k: str) -> None:
    rig = rig_of(sim__k_factor=true_k)
    found = proven(rig)
    assert found.passed
    setup = delivery(rig.settings, 120.0)
    setup = replace(setup, meter=replace(setup.meter, factor=found.factor))
    _, held_l, _, net_l = deliver(rig, setup)
    assert net_l == pytest.approx(held_l, rel=found.u_percent / 100 + 2e-4)


def test_a_meter_that_bends_with_the_flow_is_straightened_by_two_flows() -> None:
    """The pump at full and at half speed: one factor alone is wrong at the other flow, the curve is not."""
    settings = rig_settings(tote__content="2500 L", tote__fluid="water", sim__meter_noise=0.01, sim__seed=5)
    setup, runs = delivery(settings), []
    for faults in ((), (read_fault("pump_slow@0"),)):
        rig = VirtualRig(settings, faults)
        deliver(rig, setup)
        for _ in range(3):
            pulses, held_l, flow_lps, _ = deliver(rig, setup)
            runs.append(Run(pulses, held_l, CAN.ref_c, CAN.ref_c, flow_lps))
    before = Before(setup.meter.k_per_l, setup.meter.least_l, settings.pump.flow, 1.0)
    found = prove(runs, before, WATER, CAN.doubt)
    assert found.passed
    assert len(found.curve) == 2
    bend = abs(found.curve[0][1] / found.curve[1][1] - 1)
    assert bend > 0.003
    straight = replace(setup.meter, factor=found.factor)
    errors = []
    for meter in (straight, replace(straight, curve=found.curve)):
        rig = VirtualRig(settings, (read_fault("pump_slow@0"),))
        _, held_l, _, net_l = deliver(rig, replace(setup, meter=meter))
        errors.append(abs(net_l / held_l - 1))
    assert errors[0] == pytest.approx(bend, abs=1e-3)
    assert errors[1] < 1e-3


def test_air_drawn_in_one_of_the_runs_does_not_pass_the_gate() -> None:
    rig = VirtualRig(rig_settings(tote__content="2500 L", tote__fluid="water"), (read_fault("air_in_line@230:5"),))
    found = proven(rig)
    assert not found.passed
    assert "apart" in found.fails[0]
