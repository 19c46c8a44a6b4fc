"""Meter against witness, and a witness in the meter's place: each litre worked by hand.

The meter has counted 100 L, 70 of them by the last rest. Beside it a level in steps of 0.1 L, within 5 % and lagging
two seconds of the pump's 0.6 L/s; the pump's time, within 15 %; a second meter.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from plain import AIR, METER, plain_setup, plain_state

from rig.control.belief.accounting import Count, Register
from rig.control.belief.airspace import Found
from rig.control.belief.doubts import Doubt
from rig.control.belief.flow import Flow
from rig.control.belief.measures import next_best, take_over
from rig.control.belief.state import Alarms, FillState, Mark
from rig.control.belief.witness import (
    DOUBTED,
    Comparison,
    at_relief,
    changed_ratio,
    comparisons,
    contradiction,
    with_pair,
)
from rig.control.words.flags import Flag
from rig.control.words.values import Meter, Reading, Setup

LEVEL = replace(METER, kind="tote level", k_per_l=10.0, uncertainty=0.05, repeat=0.01, behind_s=2.0)
TIME = replace(METER, kind="run time", k_per_l=10.0, uncertainty=0.15, repeat=0.05, reverse="none")
WIDE = {"bore_m": 0.020}
"""A bore that takes all that the pump gives: its relief valve stays shut."""
SECOND = replace(METER, kind="total", uncertainty=0.005, repeat=0.001)


def rig(*beside: Meter, **fields: object) -> Setup:
    return plain_setup(beside=beside, **fields)


def counts(setup: Setup, *litres: float) -> tuple[Count, ...]:
    """What each has counted forward."""
    meters = (setup.meter, *setup.beside)
    return tuple(
        Count(Register(0), forward=round(each_l / meter.litres_per_pulse))
        for meter, each_l in zip(meters, litres, strict=True)
    )


def at(setup: Setup, *litres: float, tally: dict[str, object] | None = None, **fields: object) -> FillState:
    booked = {"pulses_forward": round(litres[0] * 100), **(tally or {})}
    return plain_state(setup, booked, **{"counts": counts(setup, *litres), **fields})


def the_one(setup: Setup, state: FillState) -> Comparison:
    (only,) = comparisons(setup, state)
    return only


def test_a_level_is_compared_with_what_left_the_tote() -> None:
    setup = rig(LEVEL)
    compared = the_one(setup, at(setup, 100.0, 104.0, tally={"suction_air_kpa_l": 2 * AIR, "pulses_returned": 300}))
    assert compared.reference == "tote level"
    assert (compared.meter_l, compared.reference_l) == (pytest.approx(95.0), pytest.approx(104.0))
    # Two readings, each within a step of 0.1 L: its rectangular spread is the step over √6.
    assert compared.u_l == pytest.approx(math.hypot(0.01 * 104, 0.1 / math.sqrt(6)))
    assert compared.bias_u_l == pytest.approx(math.hypot(0.05 * 104, 0.2 / math.sqrt(6)))
    assert compared.meter_u_l == pytest.approx(0.95)
    assert compared.play_l == pytest.approx(0.2 + 2 * 0.6)
    assert compared.apart_l == pytest.approx(9.0)
    assert compared.suffices


def test_the_pump_s_time_counts_forward_and_air_as_well() -> None:
    setup = rig(TIME)
    state = at(setup, 100.0, 90.0, tally={"pulses_returned": 300, "air_forward_l": 5.0})
    state = replace(state, counts=(state.counts[0], replace(state.counts[1], back=500)))
    compared = the_one(setup, state)
    assert (compared.meter_l, compared.reference_l) == (pytest.approx(100.0), pytest.approx(90.0))
    assert not compared.suffices, "the pump may be worn"


def test_a_second_meter_sees_air_and_what_comes_back() -> None:
    setup = rig(SECOND)
    state = at(setup, 100.0, 99.0, tally={"pulses_returned": 300, "air_forward_l": 5.0})
    state = replace(state, counts=(state.counts[0], replace(state.counts[1], back=400)))
    compared = the_one(setup, state)
    assert (compared.meter_l, compared.reference_l) == (pytest.approx(97.0), pytest.approx(95.0))
    assert compared.play_l == pytest.approx(0.02)


def test_a_taught_cavity_is_a_witness_of_the_meter_s_litres() -> None:
    setup = rig()
    found = Found(420.0, 3.0, 4.0)
    state = at(setup, 100.0)
    state = replace(state, gas=replace(state.gas, found=found))
    assert comparisons(setup, state) == ()
    taught = replace(setup, cavity=replace(setup.cavity, taught=True))
    compared = the_one(taught, state)
    assert (compared.reference, compared.meter_l, compared.reference_l) == ("air space", 420.0, 400.0)
    assert (compared.u_l, compared.bias_u_l, compared.meter_u_l) == (pytest.approx(5.0), pytest.approx(10.0), 4.2)
    assert compared.suffices
    assert comparisons(taught, replace(state, gas=replace(state.gas, found=None))) == ()


def test_another_output_of_the_meter_is_no_witness_of_it() -> None:
    setup = rig(replace(SECOND, shared=True))
    state = at(setup, 100.0, 150.0)
    assert comparisons(setup, state) == ()
    against = contradiction(setup, state)
    assert against is not None
    assert against.shared
    assert contradiction(setup, at(setup, 100.0, 100.5)) is None


def test_without_counts_or_after_the_meter_was_given_up_there_is_nothing_to_compare() -> None:
    setup = rig(LEVEL)
    far = at(setup, 100.0, 150.0)
    assert contradiction(setup, far) is not None
    for state in (replace(far, measure=1), replace(far, counts=())):
        assert comparisons(setup, state) == ()
        assert contradiction(setup, state) is None


@pytest.mark.parametrize(
    ("standing", "metered", "disturbed"),
    [(31, 0, False), (33, 0, True), (-33, 0, True), (33, 100, False), (0, 400, True)],
)
def test_a_tote_that_was_drawn_from_or_refilled_with_the_pump_off_is_no_witness(
    standing: int, metered: int, disturbed: bool
) -> None:
    """Two steps of 0.1 L and what the pump moves in five seconds, 3.2 L, besides what the meter saw meanwhile."""
    setup = rig(LEVEL)
    state = at(setup, 100.0, 100.0)
    state = replace(
        state, counts=(replace(state.counts[0], standing=metered), replace(state.counts[1], standing=standing))
    )
    assert (comparisons(setup, state) == ()) is disturbed
    other = rig(SECOND)
    state = at(other, 100.0, 100.0)
    state = replace(state, counts=(state.counts[0], replace(state.counts[1], standing=9999)))
    assert comparisons(other, state) != (), "a meter sees no tote"


@pytest.mark.parametrize(
    ("level_l", "contradicts"),
    # 1.4 L of lag and steps, and 1.5 times 5 % of the level and 1 % of the meter in quadrature.
    [(100.0, False), (109.5, False), (110.2, True), (91.9, False), (91.0, True), (0.0, False)],
)
def test_a_level_contradicts_the_meter_from_three_standard_deviations(level_l: float, contradicts: bool) -> None:
    """One that has not moved at all is stuck."""
    setup = rig(LEVEL)
    assert (contradiction(setup, at(setup, 100.0, level_l)) is not None) is contradicts


def test_the_pump_s_time_contradicts_nothing_alone() -> None:
    setup = rig(TIME)
    assert contradiction(setup, at(setup, 100.0, 300.0)) is None


def test_the_most_accurate_witness_speaks_first() -> None:
    setup = rig(LEVEL, SECOND)
    against = contradiction(setup, at(setup, 100.0, 130.0, 120.0))
    assert against is not None
    assert against.reference == "total"
    sound = contradiction(setup, at(setup, 100.0, 130.0, 100.2))
    assert sound is None


def test_together_witnesses_contradict_what_none_does_alone() -> None:
    """Level 107 and time 120: 5.6 % ± 2.7 and 19.8 % ± 9.0 make 6.8 % ± 2.6, two standard deviations and not four."""
    setup = rig(LEVEL, TIME, line=WIDE)
    state = at(setup, 100.0, 107.0, 120.0)
    assert contradiction(setup, state) is None
    pooled = contradiction(setup, state, DOUBTED)
    assert pooled is not None
    assert (pooled.reference, pooled.reference_l) == ("tote level", pytest.approx(106.8, abs=0.05))
    assert (pooled.bias_u_l, pooled.u_l, pooled.play_l) == (
        pytest.approx(5.2, abs=0.05),
        pytest.approx(2.6, abs=0.03),
        0,
    )
    assert contradiction(setup, replace(state, flags=frozenset({Flag.INTERRUPTED})), DOUBTED) is None
    assert contradiction(setup, at(setup, 100.0, 107.0, 0.0), DOUBTED) is None, "a witness that has not moved"


def test_run_time_is_no_witness_of_what_the_relief_valve_may_take() -> None:
    """Before a rest has shown the loss nothing is known of the flow through a narrow bore; then its root follows it."""
    setup = rig(LEVEL, TIME, line={"bore_m": 0.004})
    share = at_relief(setup)
    assert 0.1 < share < 0.7
    for known, gain, u in (
        (False, 1.0, 1.0), (True, 1.0, share), (True, 4.0, math.hypot(share, 0.5)),
        (True, 0.25, math.hypot(share, 1.0)),
    ):  # fmt: skip
        state = at(setup, 100.0, 107.0, 120.0, loss_known=known, loss_gain=gain)
        by_time = next(each for each in comparisons(setup, state) if each.reference == "run time")
        assert by_time.bias_u_l == pytest.approx(math.hypot(0.15, u) * 120.0, rel=1e-3)
    pooled = contradiction(setup, at(setup, 100.0, 107.0, 120.0), DOUBTED)
    assert pooled is not None
    assert pooled.reference_l == pytest.approx(105.6, abs=0.05), "the level's word alone"


def test_the_size_joins_its_band_to_the_pooled_evidence() -> None:
    """Of a cavity that is known to ±20 L, and measured as 430 ± 5 (one standard deviation), 7 % at 2.6: with a level
    of 107 this makes 6.2 % ± 1.9."""
    setup = rig(LEVEL)
    state = at(setup, 100.0, 107.0)
    state = replace(state, gas=replace(state.gas, found=Found(370.0, 5.0, 0.0)))
    pooled = contradiction(setup, state, DOUBTED)
    assert pooled is not None
    error = 30 / 370
    space_sd = math.hypot(2 * math.hypot(5.0, 10.0), 3.7) / 2 / 370
    level_sd = math.hypot(math.hypot(0.05 * 107, 0.2 / math.sqrt(6)), 1.0) / 2 / 100
    weights = space_sd**-2, level_sd**-2
    mean = (error * weights[0] + 0.056 * weights[1]) / sum(weights)
    assert pooled.reference_l == pytest.approx(100 * (1 + mean), rel=1e-4)


@pytest.mark.parametrize(("reference_l", "error"), [(110.0, 0.06), (90.0, -0.06), (102.0, 0.0), (98.0, 0.0)])
def test_an_error_is_what_play_does_not_explain(reference_l: float, error: float) -> None:
    compared = Comparison("tote level", 100.0, reference_l, 1.0, 3.0, 4.0, play_l=4.0)
    assert compared.error == (pytest.approx(error), pytest.approx(0.025))


# --- pairs -----------------------------------------------------------------------------------------------------------


def test_at_rests_meter_and_the_most_accurate_witness_are_kept() -> None:
    setup = rig(LEVEL, replace(SECOND, shared=True), SECOND, TIME)
    state = at(setup, 50.0, 51.0, 50.0, 52.0, 60.0)
    kept = with_pair(setup, state)
    assert kept.pairs == ((pytest.approx(50.0), pytest.approx(52.0)),)
    assert with_pair(setup, replace(kept, tally=replace(kept.tally, pulses_forward=5099))).pairs == kept.pairs
    further = with_pair(setup, replace(kept, tally=replace(kept.tally, pulses_forward=5100)))
    assert [pair[0] for pair in further.pairs] == [pytest.approx(50.0), pytest.approx(51.0)]
    many = replace(kept, pairs=tuple((float(n), float(n)) for n in range(10, 40)))
    assert len(with_pair(setup, many).pairs) == 30
    assert with_pair(setup, many).pairs[-1][0] == pytest.approx(50.0)


def test_no_pair_is_kept_without_a_witness_that_counts_alone() -> None:
    setup = rig(LEVEL)
    state = at(setup, 50.0, 51.0)
    for lost in (
        replace(state, measure=1), replace(state, counts=()), replace(state, flags=frozenset({Flag.INTERRUPTED})),
        replace(state, counts=(state.counts[0], replace(state.counts[1], standing=99))),
    ):  # fmt: skip
        assert with_pair(setup, lost).pairs == ()
        assert changed_ratio(setup, lost) == (0.0, 0.0)
    only_time = rig(TIME, replace(SECOND, shared=True))
    assert with_pair(only_time, at(only_time, 50.0, 51.0, 50.0)).pairs == ()


def test_a_ratio_that_changes_may_be_wrong_before_or_since() -> None:
    """50 L at a ratio of 1, then 50 at 1.2: 10 L more since, or before them 50 − 50/1.2 counted too much."""
    setup = rig(SECOND)
    state = at(setup, 100.0, 110.0, pairs=((50.0, 50.0),))
    less_l, more_l = changed_ratio(setup, state)
    assert (less_l, more_l) == (pytest.approx(50 - 50 / 1.2), pytest.approx(10.0))
    assert changed_ratio(setup, at(setup, 100.0, 100.0, pairs=((50.0, 50.0),))) == (0.0, 0.0)
    coarse = rig(replace(SECOND, k_per_l=0.25))
    assert changed_ratio(coarse, at(coarse, 100.0, 112.0, pairs=((50.0, 50.0),))) == (0.0, 0.0), "steps of 4 L"


# --- another measure takes over --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "measure", "read", "best"),
    [
        ("vent", 0, (1, 2, 3, 4), 1), ("vent", 1, (1, 2, 3, 4), 2), ("vent", 3, (1, 2, 3, 4), None),
        ("vent", 0, (1, None, 3, 4), 2), ("vent", 0, (1, None, None, None), None), ("vent", 0, (1, 2), 1),
        ("vent", 0, (1,), None), ("draw-down", 0, (1, 2, 3, 4), 2), ("draw-down", 0, (None, 2, None, 4), 3),
    ],
)  # fmt: skip
def test_the_next_measure_is_one_that_counts_now_and_sees_what_the_pump_draws(
    method: str, measure: int, read: tuple[int | None, ...], best: int | None
) -> None:
    setup = rig(LEVEL, SECOND, TIME, method=method)
    state = plain_state(setup, measure=measure)
    assert next_best(setup, state, Reading(0.0, counts=read)) == best


def taken_over(new: Meter, litres: float = 100.0, then_l: float = 85.0, **fields: object) -> tuple[Setup, FillState]:
    """The measure beside the meter has counted so much now, and at the last rest, where the meter had 70 L."""
    setup = rig(new)
    state = at(setup, 100.0, litres, **fields)
    mark = Mark(replace(state.tally, pulses_forward=7000, doubts=()), counts(setup, 70.0, then_l))
    state = replace(state, mark=mark, vent_known=True, unmoved_s=3.0, flow=Flow(((0.0, 1),), 1.0, 1.0))
    after = take_over(setup, state, Reading(100.0, line_kpa=50.0), 1)
    assert (after.measure, after.flow, after.unmoved_s, after.vent_known) == (1, Flow(), 0.0, False)
    # What is put in doubt here the next rest may settle.
    assert after.mark == Mark(replace(after.tally, doubts=()), state.counts)
    return replace(setup, meter=new), after


def test_the_new_measure_counts_from_the_last_rest_on() -> None:
    setup, after = taken_over(SECOND)
    assert after.tally.net_l(setup.meter) == pytest.approx(70.0 + 15.0)
    # What the meter has counted beyond that may be in the tyre all the same.
    assert after.tally.doubts == (Doubt("counted before", 0.0, pytest.approx(15.0)),)
    more = taken_over(SECOND, then_l=65.0)[1].tally
    assert more.doubts == (), "it has counted more than the meter"


def test_after_a_count_that_missed_litres_only_the_doubts_of_the_rest_stand() -> None:
    for alarm, reasons in (("meter_jumped", set()), ("no_rise", {"counted before", "field_lost"})):
        doubts = (Doubt("field_lost", 0.0, 3.0),)
        _, after = taken_over(SECOND, tally={"doubts": doubts}, alarms=Alarms(first_out=alarm))
        assert {each.reason for each in after.tally.doubts} == reasons, alarm


def test_the_pump_s_time_may_have_counted_a_pump_that_stood() -> None:
    _, after = taken_over(TIME)
    assert Doubt("pump's time", pytest.approx(15.0), 0.0) in after.tally.doubts


def test_a_measure_that_counts_no_draw_keeps_the_old_count_and_the_hose_is_in_doubt() -> None:
    setup, after = taken_over(TIME, direction=-1)
    assert after.tally.net_l(setup.meter) == pytest.approx(100.0 + 15.0)
    assert Doubt("draw not counted", 4.0, 4.0) in after.tally.doubts
    forward = taken_over(TIME, direction=1)[1]
    assert "draw not counted" not in {each.reason for each in forward.tally.doubts}
    signed = taken_over(SECOND, direction=-1)[1]
    assert "draw not counted" not in {each.reason for each in signed.tally.doubts}


def test_two_measures_that_differ_are_both_possible() -> None:
    _, after = taken_over(SECOND, 120.0, 90.0)
    assert Doubt("measures differ", pytest.approx(20.0), pytest.approx(20.0)) in after.tally.doubts
    _, missed = taken_over(SECOND, 120.0, 90.0, alarms=Alarms(first_out="no_flow"))
    assert missed.tally.doubts == ()


def test_what_the_new_measure_counted_back_since_the_rest_is_taken_off() -> None:
    """3 L back, one of them before the rest."""
    setup = rig(SECOND)
    state = at(setup, 100.0, 100.0)
    then = counts(setup, 70.0, 85.0)
    state = replace(state, counts=(state.counts[0], replace(state.counts[1], back=300)))
    mark = Mark(replace(state.tally, pulses_forward=7000), (then[0], replace(then[1], back=100)))
    full = replace(setup, cavity=replace(setup.cavity, covered_m=(0.1, 0.1)))
    after = take_over(full, replace(state, mark=mark), Reading(100.0, line_kpa=50.0), 1)
    assert after.tally.net_l(SECOND) == pytest.approx(70.0 + 15.0 - 2.0)


def test_without_a_rest_the_new_measure_begins_where_it_stands() -> None:
    setup = rig(SECOND)
    state = at(setup, 100.0, 90.0)
    state = replace(state, mark=Mark(replace(state.tally, pulses_forward=7000)))
    after = take_over(setup, state, Reading(100.0), 1)
    assert after.tally.net_l(SECOND) == pytest.approx(70.0 + 90.0)
