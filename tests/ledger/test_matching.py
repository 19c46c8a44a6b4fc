"""Wheels beside each other: pairs, groups and capability, against the handbook's formula and numbers by hand."""

from __future__ import annotations

import math
import os
import random
import statistics

import pytest
from virtual_fills import rig_settings, run_fill

from rig.ledger.matching import Wheel, capability, capability_low, groups, pairs

FLEET = int(os.environ.get("RIG_FLEET", "6"))
"""Wheels in the simulated fleet; the figure in the papers is that of 200."""


def wheel(number: int, net_l: float, position: str = "", machine: str = "", target_l: float = 200.0) -> Wheel:
    return Wheel(number, "16.9-28", "beet", position, target_l, net_l, machine)


def test_capability_is_the_handbook_s() -> None:
    # NIST/SEMATECH e-Handbook 6.1.6, its worked example: limits 8 and 20, mean 16, s = 2: Cpk = 0.6667.
    assert capability(16, 2, 8, 20) == pytest.approx(0.6667, abs=1e-4)
    assert capability(16, 0.0, 8, 20) is None
    assert capability(16, None, 8, 20) is None
    # Its formula for the lower bound, for 50 pieces: 1.33 − 1.645 · √(1/450 + 1.33²/98).
    assert capability_low(1.33, 50) == pytest.approx(1.33 - 1.645 * math.sqrt(1 / 450 + 1.33**2 / 98))


def test_left_and_right_of_each_axle() -> None:
    right, front = wheel(2, 201, "Rear Right"), wheel(3, 90, "front left")
    found = pairs([wheel(1, 200, "rear left"), right, front, wheel(4, 199, "rear left")])
    assert [(pair.axle, pair.left.number, pair.right.number) for pair in found] == [("rear", 4, 2)]
    assert found[0].difference_l == -2
    assert found[0].difference_percent == pytest.approx(-1.0)


def test_machines_are_not_mixed() -> None:
    assert pairs([wheel(1, 200, "rear left", "A"), wheel(2, 201, "rear right", "B")]) == []


def test_a_group_tells_mean_spread_worst_and_what_is_inside() -> None:
    nets = [200.0, 201.0, 199.0, 200.4]
    (group,) = groups([wheel(n, net) for n, net in enumerate(nets)], 0.5)
    assert group.mean_l == pytest.approx(statistics.fmean(nets))
    assert group.sd_l == pytest.approx(statistics.stdev(nets))
    assert (group.worst[0].number, group.worst[1].number, group.worst_l) == (2, 1, 2.0)
    assert group.inside == 4
    assert groups([wheel(1, 201.1)], 0.5)[0].inside == 0
    assert groups([wheel(1, 200)], 0.5)[0].cpk is None


def test_other_sizes_and_targets_are_other_groups() -> None:
    found = groups([wheel(1, 200), wheel(2, 200), wheel(3, 100, target_l=100.0)], 0.5)
    assert [len(group.wheels) for group in found] == [2, 1]


@pytest.mark.release
@pytest.mark.timeout(3600)
def test_a_fleet_of_identical_wheels_is_within_half_a_percent() -> None:
    """What truly is in the tyre, as the plant knows it, with other meters, hoses, gauges and relays each time."""
    drawn = random.Random(7)
    wheels = []
    for serial in range(1, FLEET + 1):
        ran = run_fill(
            sim__seed=serial,
            sim__meter_noise=0.001,
            sim__hose_volume_factor=drawn.uniform(0.97, 1.03),
            sim__relay_delay=f"{drawn.uniform(0.03, 0.08):.3f} s",
            sim__cavity_factor=drawn.uniform(0.97, 1.03),
            sim__gauge_error="0.2 kPa",
        )
        wheels.append(Wheel(serial, "16.9-28", "beet", "", ran.setup.target_l, ran.truth_l))
    (group,) = groups(wheels, 0.5)
    worst = max((abs(each.error_percent) for each in wheels), default=0.0)
    print(f"{FLEET} wheels: mean {group.mean_l:.2f} of {wheels[0].target_l:.2f} L, sd {group.sd_l:.3f} L, ", end="")
    print(f"worst {worst:.3f} %, Cpk {group.cpk}, at least {group.cpk_low}")
    assert group.inside == FLEET
    assert rig_settings().meter.least_quantity < wheels[0].target_l
