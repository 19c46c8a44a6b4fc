"""A pressure that comes to rest, against laws of which the end is known."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from rig.control.belief.creep import Creep, Rest


def watched(kpa: Callable[[float], float], lasts_s: float) -> Rest | None:
    creep = Creep()
    for scan in range(round(lasts_s / 0.5) + 1):
        creep = creep.take(7.0 + scan * 0.5, kpa(scan * 0.5))
    return creep.rest


def test_before_three_windows_of_ten_seconds_it_tells_nothing() -> None:
    assert watched(lambda _: 100.0, 29.5) is None
    assert watched(lambda _: 100.0, 30.0) is not None


def test_a_steady_pressure_is_itself_and_certain() -> None:
    rest = watched(lambda _: 123.0, 60.0)
    assert rest == Rest(pytest.approx(123.0), pytest.approx(0.0, abs=1e-9), 0.0)


@pytest.mark.parametrize("lasts_s", [30.0, 60.0, 100.0])
@pytest.mark.parametrize("tau_s", [10.0, 20.0, 40.0])
@pytest.mark.parametrize("to_come_kpa", [8.0, -8.0])
def test_of_an_exponential_the_end_lies_within_the_uncertainty(
    lasts_s: float, tau_s: float, to_come_kpa: float
) -> None:
    """What had come by the middle third is known exactly (Aitken); half as much again is added for convection."""
    rest = watched(lambda t: 100.0 - to_come_kpa * math.exp(-t / tau_s), lasts_s)
    assert rest is not None
    assert abs(rest.kpa - 100.0) <= rest.u_kpa
    assert math.copysign(1.0, rest.left_kpa) == math.copysign(1.0, to_come_kpa)
    # The tail beyond the last of three (or six, or ten) windows' mean, from the law itself.
    windows = round(lasts_s / 10.0)
    each = max(1, (windows + 1) // 4)
    length_s = 10.0 * each
    mean = (tau_s / length_s) * (math.exp(length_s / tau_s) - 1) * math.exp(-10.0 * windows / tau_s)
    assert abs(rest.left_kpa) == pytest.approx(1.5 * abs(to_come_kpa) * mean, rel=0.03)
    assert rest.u_kpa == pytest.approx(abs(rest.left_kpa) / 1.5)


@pytest.mark.parametrize("lasts_s", [30.0, 100.0])
def test_of_a_steady_drift_the_end_is_at_most_a_minute_s_time_constant_away(lasts_s: float) -> None:
    """With no end in sight the rest cannot be told: what is taken for it lies on, by 60 s of the drift."""
    rest = watched(lambda t: 100.0 + 0.01 * t + 1e-4 * math.sin(t), lasts_s)
    assert rest is not None
    assert rest.u_kpa == pytest.approx(60.0 * 0.01, rel=0.1)


def test_what_turns_round_is_noise_and_adds_nothing_to_the_value() -> None:
    for sign in (1.0, -1.0):
        rest = watched(lambda t, s=sign: 100.0 + s * (0.2 if 10.0 <= t < 20.0 else 0.0), 30.0)
        assert rest is not None
        assert rest.kpa == pytest.approx(100.0)
        assert rest.left_kpa == 0.0
        assert rest.u_kpa == pytest.approx(6 * 0.2), "a minute at the rate of one window"


def test_a_movement_after_standing_still_is_as_uncertain() -> None:
    rest = watched(lambda t: 100.0 if t < 20.0 else 100.5, 30.0)
    assert rest == Rest(100.5, pytest.approx(6 * 0.5), 0.0)


def test_a_creep_that_grows_faster_is_no_creep_to_its_end() -> None:
    rest = watched(lambda t: 100.0 + math.exp(t / 20.0), 30.0)
    assert rest is not None
    assert rest.left_kpa == 0.0
