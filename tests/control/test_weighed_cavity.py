"""The cavity by size and by strokes, weighted by inverse variances (any text on weighted means)."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from plain import AIR, plain_setup

from rig.control.belief.airspace import Found
from rig.control.belief.pressure import Gas, at_rest, weighed_cavity
from rig.control.belief.state import new_fill
from rig.control.words.values import Setup

pytestmark = pytest.mark.fast

COARSE = 13.0
"""Gauge uncertainty, kPa at 95 %: 2 % of 100 psi."""


def of_size(**cavity: float) -> Setup:
    """A band of ± 2 standard deviations of 10 L."""
    setup = plain_setup()
    return replace(setup, cavity=replace(setup.cavity, **cavity), line_gauge=replace(setup.line_gauge, u_kpa=COARSE))


def measured(setup: Setup, cavity_l: float, sd_l: float) -> Gas:
    return replace(new_fill(setup).gas, found=Found(cavity_l, sd_l, 0.0))


def test_before_a_stroke_has_measured_it_the_cavity_is_the_size_s() -> None:
    setup = of_size()
    assert weighed_cavity(new_fill(setup).gas, setup) == (400.0, 10.0)


def test_a_measurement_weighs_by_its_inverse_variance() -> None:
    """Standard deviations of 5 and 10 L: weights 4 and 1, and one over the root of their sum."""
    setup = of_size()
    cavity_l, sd_l = weighed_cavity(measured(setup, 380.0, 5.0), setup)
    assert cavity_l == pytest.approx((4 * 380 + 400) / 5)
    assert sd_l == pytest.approx(10 / 5**0.5)


@pytest.mark.parametrize(("sd_l", "used"), [(6.9, True), (7.1, False)])
def test_one_that_is_hardly_more_accurate_than_the_size_is_not_used_for_a_level(sd_l: float, used: bool) -> None:
    setup = of_size()
    assert (weighed_cavity(measured(setup, 380.0, sd_l), setup)[0] != 400.0) is used


# --- the band of the air space's pressure ---------------------------------------------------------------------------


def risen(setup: Setup, cavity_l: float, litres: float, **gas: object) -> Gas:
    """Rests at 20 kPa and after a stroke of liquid into a true cavity."""
    before = at_rest(replace(new_fill(setup).gas, **gas), setup, 20.0, 0.0, 0.0, pumped=False)
    after_kpa = (20.0 + AIR) * cavity_l / (cavity_l - litres) - AIR
    return at_rest(before, setup, after_kpa, litres, 0.0, pumped=True)


def test_by_a_coarse_gauge_size_and_rise_together_are_narrower_than_either() -> None:
    """A size known to a fifth below and a twentieth above: each side by its own variance."""
    setup = of_size(low_l=320.0, high_l=420.0)
    gas = risen(setup, 400.0, 130.0)
    assert gas.stroke_u_l is None
    assert gas.found is not None
    below, above = (2 * (side**-2 + gas.found.sigma_l**-2) ** -0.5 for side in (40.0, 10.0))
    assert gas.cavity_l - gas.low_l == pytest.approx(max(below, 0.015 * gas.cavity_l))
    assert gas.high_l - gas.cavity_l == pytest.approx(max(above, 0.015 * gas.cavity_l))
    assert gas.low_l > 330.0


@pytest.mark.parametrize(("cavity_l", "side"), [(380.0, 40.0), (410.0, 10.0)])
def test_the_size_weighs_by_the_side_on_which_the_measurement_lies(cavity_l: float, side: float) -> None:
    setup = of_size(low_l=320.0, high_l=420.0)
    gas = risen(setup, cavity_l, 130.0)
    assert gas.found is not None
    weights = side**-2, gas.found.sigma_l**-2
    mean = (400.0 * weights[0] + gas.found.cavity_l * weights[1]) / sum(weights)
    assert gas.cavity_l == pytest.approx(mean)


def test_what_a_person_found_to_differ_from_the_size_is_not_weighed_with_it() -> None:
    setup = of_size()
    assert risen(setup, 400.0, 130.0, verdict="less").low_l == 380.0
    assert risen(setup, 400.0, 130.0).low_l != 380.0


def test_a_size_without_a_band_is_taken_as_it_is() -> None:
    gas = risen(of_size(low_l=400.0, high_l=400.0), 390.0, 130.0)
    assert math.isclose(gas.low_l, 400.0)


def test_a_stroke_that_measured_it_better_is_kept() -> None:
    setup = replace(of_size(), line_gauge=replace(plain_setup().line_gauge, u_kpa=0.2))
    gas = risen(setup, 390.0, 130.0)
    assert gas.stroke_u_l is not None
    assert gas.cavity_l == pytest.approx(390.0)
