"""The stated uncertainty of a sound fill: it holds the truth, and is not wide for what is known."""

from __future__ import annotations

import pytest
from virtual_fills import run_fill

# Whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize("reverse", ["signed", "unsigned", "none"])
@pytest.mark.parametrize("size", ["16.9-28", "11L-15"])
def test_a_sound_fill_is_known_to_one_per_cent_whatever_the_meter_counts_back(
    size: str, reverse: str, layout: str
) -> None:
    """By a meter that does not count back, a fifth of the air that was drawn was in doubt: 32 of 261 L."""
    ran = run_fill(size, layout, meter__reverse=reverse)
    net_l, u_l = ran.record["net_l"], ran.record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert ran.record["outcome"] == "complete"
    assert abs(net_l - ran.truth_l) <= u_l <= 0.01 * net_l


@pytest.mark.parametrize("reverse_lpm", [32, 48])
def test_a_pump_that_returns_another_flow_than_told_is_inside_the_width(reverse_lpm: int) -> None:
    """A fifth more or less than its rating, which is what an estimate by its flow allows for."""
    ran = run_fill("11L-15", "draw-down", meter__reverse="none", sim__reverse_flow=f"{reverse_lpm} L/min")
    net_l, u_l = ran.record["net_l"], ran.record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - ran.truth_l) <= u_l
