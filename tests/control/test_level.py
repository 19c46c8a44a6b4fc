"""The liquid's level: the cavity by size and by strokes, weighted (any text on weighted means), and what is near."""

from __future__ import annotations

from dataclasses import replace

import pytest
from virtual_fills import fill_of, rig_settings

from rig.control.belief.airspace import Found
from rig.control.belief.level import LEVEL_DOUBT, below_valve, level, level_cavity, near_level
from rig.control.belief.state import FillState, new_fill
from rig.control.words.values import Setup
from rig.run.assembly import Question

pytestmark = pytest.mark.fast


def setup_of_size() -> Setup:
    setup = fill_of(rig_settings("vent"), Question("16.9-28")).setup
    # A band of ± 2 standard deviations of 10 L.
    return replace(setup, cavity=replace(setup.cavity, volume_l=400.0, low_l=380.0, high_l=420.0))


def measured(setup: Setup, cavity_l: float, sd_l: float) -> FillState:
    state = new_fill(setup)
    return replace(state, gas=replace(state.gas, found=Found(cavity_l, sd_l, 0.0)))


def test_before_a_stroke_has_measured_it_the_cavity_is_the_size_s() -> None:
    setup = setup_of_size()
    assert level_cavity(new_fill(setup).gas, setup) == (400.0, 10.0)


def test_a_measurement_weighs_by_its_inverse_variance() -> None:
    """Standard deviations of 5 and 10 L: weights 4 and 1, and one over the root of their sum."""
    setup = setup_of_size()
    cavity_l, sd_l = level_cavity(measured(setup, 380.0, 5.0).gas, setup)
    assert cavity_l == pytest.approx((4 * 380 + 400) / 5)
    assert sd_l == pytest.approx(10 / 5**0.5)


@pytest.mark.parametrize(("sd_l", "used"), [(6.9, True), (7.1, False)])
def test_one_that_is_hardly_more_accurate_than_the_size_is_not_used(sd_l: float, used: bool) -> None:
    setup = setup_of_size()
    assert (level_cavity(measured(setup, 380.0, sd_l).gas, setup)[0] != 400.0) is used


def test_near_the_valve_is_a_twentieth_of_the_cavity_to_either_side() -> None:
    setup = setup_of_size()
    for off, near in ((-1.02, False), (-0.98, True), (0.98, True), (1.02, False)):
        fraction = setup.cavity.fraction_at_valve + off * LEVEL_DOUBT
        filled = replace(setup, existing_l=fraction * 400.0)
        state = new_fill(filled)
        assert level(filled, state) == pytest.approx(fraction)
        assert below_valve(filled, state) == pytest.approx(-off * LEVEL_DOUBT)
        assert near_level(filled, state) is near
