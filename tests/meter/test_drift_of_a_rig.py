"""Deliveries in virtual time, with the witnesses that the demonstration rig has: what its page would say."""

from __future__ import annotations

import random

import pytest
from virtual_fills import rig_settings

from rig.control.moves.snapshot import fill_record
from rig.fluid import read_fluid
from rig.meter.health import Comparison, Verdict, verdicts
from rig.run.assembly import Memory, vessel_setup
from rig.shop.meter_page import comparisons_in
from sim.virtual import VirtualFill, VirtualRig


def delivered(litres: float, true_k: float, tote_l: float) -> list[Comparison]:
    """What one delivery compares; the simulated meter gives ``true_k`` pulses a litre where its plate says 100."""
    settings = rig_settings(sim__k_factor=f"{true_k} pulse/L", tote__content=f"{tote_l} L", tote__fluid="water")
    setup = vessel_setup(settings, read_fluid("water"), 15.0, litres, "test", Memory())
    last = VirtualFill(VirtualRig(settings), setup).run()
    return list(comparisons_in(fill_record(setup, last.state), setup.meter.repeat))


def page(true_ks: list[float]) -> dict[str, Verdict]:
    rng = random.Random(4)
    fills = [delivered(rng.uniform(50, 100), true_k, rng.uniform(500, 900)) for true_k in true_ks]
    return {each.reference: each for each in verdicts(fills)}


@pytest.mark.full
def test_a_sound_meter_is_called_sound() -> None:
    found = page([100.0] * 10)
    assert {each.condition for each in found.values()} == {"fine"}
    assert "tote level" in found


@pytest.mark.full
@pytest.mark.parametrize(("share", "direction"), [(0.93, "low"), (1.07, "high")])
def test_a_meter_that_goes_off_is_called_within_a_few_fills(share: float, direction: str) -> None:
    found = page([100.0] * 8 + [100.0 * share] * 6)["tote level"]
    assert (found.condition, found.direction) == ("out", direction)
    assert 8 < (found.out_at or 0) <= 14
    assert found.sees_percent is not None
    assert found.sees_percent < 7
