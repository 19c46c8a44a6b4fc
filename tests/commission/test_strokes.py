"""Flow, lag and coast of a short run, and a gauge's lag, against the simulated plant and against closed forms."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.commission.strokes import Sample, lag_of, stroke_of


def run(flow: float, start_s: float, coast_s: float, step_s: float = 0.05) -> list[Sample]:
    """A pump whose speed rises and falls in proportion to time: litres are areas of trapezia."""

    def litres(now_s: float) -> float:
        rising = min(max(now_s - 1, 0.0), start_s)
        done = flow * (rising**2 / 2 / start_s + max(min(now_s, 3.0) - 1 - start_s, 0.0))
        falling = min(max(now_s - 3, 0.0), coast_s)
        return done + flow * (falling - falling**2 / 2 / coast_s)

    return [
        Sample(at * step_s, litres(at * step_s), 5.0 + (10.0 if 1.4 < at * step_s <= 3 else 0.0)) for at in range(120)
    ]


@given(flow=st.floats(-2, 2).filter(lambda each: abs(each) > 0.1), start=st.floats(0.1, 0.9), coast=st.floats(0.1, 2))
def test_a_run_tells_flow_lag_and_coast(flow: float, start: float, coast: float) -> None:
    found = stroke_of(run(flow, start, coast), 1.0, 3.0)
    assert found is not None
    assert found.flow_lps == pytest.approx(flow, rel=1e-6)
    assert found.start_s == pytest.approx(start, abs=0.01)
    assert found.coast_s == pytest.approx(coast, abs=0.01)
    assert found.loss_kpa == pytest.approx(10.0)


def test_a_run_without_flow_and_one_that_nobody_saw() -> None:
    still = [Sample(at / 10, 0.0) for at in range(50)]
    found = stroke_of(still, 1.0, 3.0)
    assert found is not None
    assert (found.flow_lps, found.loss_kpa) == (0.0, None)
    assert stroke_of(still[:5], 1.0, 3.0) is None


@given(tau=st.floats(0.08, 0.9), drop=st.floats(5, 30))
def test_a_gauge_s_lag_is_found_within_the_time_between_readings(tau: float, drop: float) -> None:
    """A first-order lag: 63 % of a sudden change after one time constant."""
    numbers = [(at * 0.04, drop * (1.0 if at < 20 else math.exp(-(at - 20) * 0.04 / tau))) for at in range(220)]
    found = lag_of(numbers)
    assert found is not None
    lag_s, gap_s = found
    assert gap_s == pytest.approx(0.04)
    assert lag_s == pytest.approx(tau, abs=0.08)


def test_a_gauge_that_stands_has_no_lag_to_tell() -> None:
    assert lag_of([(at / 10, 3.0) for at in range(30)]) is None
    assert lag_of([(0.0, 3.0)]) is None
