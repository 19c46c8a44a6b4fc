"""The simulated hose in an open vessel: what it catches, and when that counts as spilled."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sim_plants import FILL, IDLE, plant
from virtual_fills import rig_settings

from sim.modules import Modules
from sim.plant.upsets import Upsets
from sim.plant.whole import Plant

IN_VESSEL = replace(FILL, hand_gun_on=False, hand_in_vessel=True)


def deliver(rig: Plant, seconds: float) -> float:
    """Pump into the vessel and let it come to rest; returns what stands in it."""
    rig.advance(1.0, replace(IN_VESSEL, pump_run=False))
    rig.advance(seconds, IN_VESSEL)
    rig.advance(5.0, replace(IN_VESSEL, pump_run=False))
    return rig.vessel_l


def test_what_is_pumped_stands_in_the_vessel_and_nothing_is_lost() -> None:
    rig = plant()
    liquid, gas, tote = rig.liquid_total_l(), rig.gas_total(), rig.line.tote_l
    caught = deliver(rig, 30.0)
    assert caught == pytest.approx(30.0 * 40 / 60, rel=0.05)
    assert tote - rig.line.tote_l == pytest.approx(caught, abs=0.02)
    assert rig.line.books.spilled_l == 0.0
    assert not rig.gun_on
    assert rig.liquid_total_l() == pytest.approx(liquid, rel=1e-9)
    assert rig.gas_total() == pytest.approx(gas, rel=1e-6)


def test_the_vessel_is_empty_when_the_hose_is_put_into_it_again() -> None:
    rig = plant()
    first = deliver(rig, 30.0)
    rig.advance(1.0, replace(IDLE, hand_gun_on=False))
    second = deliver(rig, 15.0)
    assert second < 0.6 * first
    assert rig.line.books.vessel_l == pytest.approx(first + second)


def test_a_hose_that_jumps_out_of_it_spills() -> None:
    rig = plant()
    rig.upset(Upsets(gun_blown=True))
    assert deliver(rig, 10.0) == 0.0
    assert rig.line.books.spilled_l > 5.0


@pytest.mark.parametrize("vessel", [False, True])
def test_a_map_without_hands_says_it_at_the_start(vessel: bool) -> None:
    settings = rig_settings()
    points = {name: point for name, point in settings.points.items() if not name.startswith("hand_")}
    ends = dict.fromkeys(settings.links, "here")
    rig = plant()
    Modules(rig, points, ends, {"here": 0}, open_vessel=vessel).advance_to(1.0)
    assert rig.gun_on is not vessel
