"""Flow from counted pulses, against flows that are known because they are made here."""

from __future__ import annotations

from itertools import pairwise

import pytest

from rig.control.belief.flow import STILL_S, Flow, follow, quiet, uncounted_s

SCAN_S = 0.1


def fed(*legs: tuple[float, float]) -> tuple[Flow, float]:
    """A flow followed through legs of (pulses per second, seconds) in scans of a tenth; and the time by then."""
    flow, pulses, scan = follow(Flow(), 100.0, 0), 0.0, 0
    for pps, lasts_s in legs:
        for _ in range(round(lasts_s / SCAN_S)):
            scan += 1
            pulses += pps * SCAN_S
            flow = follow(flow, 100.0 + scan * SCAN_S, round(pulses))
    return flow, 100.0 + scan * SCAN_S


@pytest.mark.parametrize("pps", [300.0, 20.0, -20.0, 0.0])
def test_an_even_flow_is_measured_in_either_direction(pps: float) -> None:
    flow, _ = fed((pps, 30.0))
    assert flow.slow_pps == pytest.approx(pps)
    assert flow.fast_pps == pytest.approx(pps)


def test_the_fast_flow_follows_a_step_in_about_a_second_and_not_at_once() -> None:
    half, _ = fed((10.0, 20.0), (20.0, 0.5))
    assert 12.0 < half.fast_pps < 17.0
    whole, _ = fed((10.0, 20.0), (20.0, 1.5))
    assert whole.fast_pps == pytest.approx(20.0)


@pytest.mark.parametrize("sign", [1, -1])
def test_the_slow_flow_is_of_two_hundred_pulses_and_no_more(sign: int) -> None:
    """200 pulses at 20 per second are ten seconds: until then some of the older flow is in it."""
    early, _ = fed((sign * 10.0, 20.0), (sign * 20.0, 9.0))
    assert 18.0 < sign * early.slow_pps < 19.9
    later, _ = fed((sign * 10.0, 20.0), (sign * 20.0, 10.5))
    assert sign * later.slow_pps == pytest.approx(20.0)


def test_of_few_pulses_the_slow_flow_is_the_mean_of_twenty_seconds() -> None:
    flow, now_s = fed((0.0, 10.0), (5.0, 20.0))
    assert flow.slow_pps == pytest.approx(5.0)
    assert 19.0 <= now_s - flow.samples[0][0] <= 20.0
    mixed, _ = fed((5.0, 20.0), (0.0, 10.0))
    assert mixed.slow_pps == pytest.approx(2.5, abs=0.15)


def test_samples_are_half_a_second_apart() -> None:
    flow, _ = fed((20.0, 10.0))
    assert all(0.5 <= later - earlier < 0.6 + 1e-6 for (earlier, _), (later, _) in pairwise(flow.samples))


@pytest.mark.parametrize(
    ("pulses", "lasts_s", "fine"),
    [
        (99, 10.0, False),
        (100, 10.0, True),
        (150, 10.0, True),
        (-99, 10.0, False),
        (-100, 10.0, True),
        (3, 14.9, False),
        (3, 15.0, True),
    ],
)
def test_a_flow_is_fine_from_a_hundred_pulses_or_after_three_quarters_of_the_window(
    pulses: int, lasts_s: float, fine: bool
) -> None:
    flow = Flow(((0.0, 50), (lasts_s, 50 + pulses)))
    assert flow.fine is fine
    assert flow.slow_u == pytest.approx(1 / abs(pulses))


def test_before_the_first_sample_nothing_is_fine_or_quiet() -> None:
    assert not Flow().fine
    assert Flow().slow_u == 1.0
    assert not quiet(Flow(), 100.0)
    assert Flow(((0.0, 7),)).slow_u == 1.0
    assert (follow(Flow(), 5.0, 3).fast_pps, follow(Flow(), 5.0, 3).slow_pps) == (0.0, 0.0)


def test_a_flow_is_quiet_once_nothing_was_counted_for_a_second_and_a_half() -> None:
    for lasts_s, is_quiet in ((1.0, False), (2.5, True)):
        flow, now_s = fed((20.0, 10.0), (0.0, lasts_s))
        assert quiet(flow, now_s) is is_quiet, lasts_s
    first, now_s = fed((0.0, 1.4))
    assert not quiet(first, now_s)
    enough, now_s = fed((0.0, 1.6))
    assert quiet(enough, now_s)


def test_a_pulse_within_the_last_second_and_a_half_is_not_quiet() -> None:
    flow = Flow(((0.0, 4), (9.0, 4), (9.5, 4), (10.0, 5), (10.5, 5), (11.0, 5)), fast_pps=0.0)
    assert quiet(flow, 11.0 + 2e-6)
    before = Flow(((0.0, 4), (9.0, 4), (9.5, 4), (10.0, 4), (10.5, 5), (11.0, 5)), fast_pps=0.0)
    assert not quiet(before, 10.0 + STILL_S)
    assert not quiet(before, 11.3)
    assert not quiet(Flow(flow.samples, fast_pps=1.0), 11.5)
    assert not quiet(Flow(flow.samples, fast_pps=-1.0), 11.5)


def test_run_time_without_a_count_adds_up_over_pauses_and_restarts_with_the_direction() -> None:
    ran_s = uncounted_s(uncounted_s(0.0, 1, 0.5), 1, 0.25)
    assert ran_s == 0.75
    assert uncounted_s(ran_s, 0, 9.0) == 0.75, "a pause neither adds nor clears"
    assert uncounted_s(ran_s, -1, 0.5) == -0.5
    assert uncounted_s(-0.5, -1, 0.5) == -1.0
    assert uncounted_s(-0.5, 1, 0.5) == 0.5
