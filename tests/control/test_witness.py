"""What the meter's witnesses say together: weighted mean and consistency, against scipy, and in whole fills."""

from __future__ import annotations

import random

import numpy as np
import pytest
import scipy
from virtual_fills import run_fill

from rig.control.belief.witness import Comparison, together

METER_L = 200.0
SDS = (0.0275, 0.06, 0.08)


def witnesses(errors: tuple[float, ...]) -> list[Comparison]:
    """Witnesses that say that so much more (a share) passed than the meter counted."""
    return [
        Comparison("tote level", METER_L, METER_L * (1 + error), 1.0, 2 * sd * METER_L, 0.0)
        for error, sd in zip(errors, SDS, strict=True)
    ]


def pooled(errors: tuple[float, ...], deviations: float) -> Comparison | None:
    each = witnesses(errors)
    return together(each[0], each, deviations)


def test_the_pooled_value_is_the_weighted_mean_with_its_uncertainty() -> None:
    """Inverse-variance weights, any text on least squares (JCGM 100:2008, H.5 uses them)."""
    errors = (0.1, 0.12, 0.09)
    found = pooled(errors, 3.0)
    assert found is not None
    weights = np.array(SDS) ** -2.0
    assert found.reference_l == pytest.approx(METER_L * (1 + np.average(errors, weights=weights)))
    assert found.bias_u_l == pytest.approx(2 * METER_L / np.sqrt(weights.sum()))


def test_sound_meters_are_contradicted_at_the_stated_rate() -> None:
    """3 standard deviations of a normal variable: 2.7 in a thousand, less what is not consistent."""
    rng, trials = random.Random(1), 20_000
    drawn = (tuple(rng.gauss(0.0, sd) for sd in SDS) for _ in range(trials))
    found = sum(pooled(each, 3.0) is not None for each in drawn)
    assert found <= 2 * scipy.stats.norm.sf(3.0) * trials * 1.3
    assert found >= 0.3 * 2 * scipy.stats.norm.sf(3.0) * trials


@pytest.mark.parametrize("alone", range(3))
def test_what_one_witness_shows_alone_has_a_cause_of_its_own(alone: int) -> None:
    errors = [0.0, 0.0, 0.0]
    errors[alone] = 8 * SDS[alone]
    assert pooled((errors[0], errors[1], errors[2]), 3.0) is None


def test_one_witness_is_no_company_and_a_litre_no_evidence() -> None:
    one = witnesses((0.3, 0.3, 0.3))[:1]
    assert together(one[0], one, 3.0) is None
    little = [Comparison("tote level", 0.5, 0.7, 0.1, 0.01, 0.0) for _ in range(2)]
    assert together(little[0], little, 3.0) is None


def test_liquid_that_was_inside_is_not_taken_for_a_meter_s_error() -> None:
    ran = run_fill("11.2-24", sim__existing="25 L")
    assert ran.first_out == "cavity_differs"
    assert "measures_differ" not in ran.record["flags"]  # type: ignore[operator]


def test_a_worn_pump_is_not_taken_for_a_meter_s_error() -> None:
    ran = run_fill("11.2-24", faults=["pump_slow@0"])
    assert (ran.record["outcome"], ran.record["net_basis"]) == ("complete", "counted")
