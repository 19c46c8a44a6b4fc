"""Litres in doubt: two sides, reasons, and how they come together. Expected values are worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from virtual_fills import fill_of as virtual_fill
from virtual_fills import rig_settings

from rig.control.belief.accounting import Count, Tally
from rig.control.belief.doubt import with_doubt, with_rest
from rig.control.belief.doubts import Doubt, less_of, more_of, settled, since
from rig.control.belief.observe import Facts, observe
from rig.control.belief.state import FillState
from rig.control.belief.uncertainty import account, net_within
from rig.control.words.values import Into, Outputs, Setup
from rig.run.assembly import Question

LITRES = st.floats(-5, 50, allow_nan=False)
REASONS = st.sampled_from(["a", "b", "c"])


@pytest.fixture(scope="module")
def running() -> tuple[Setup, FillState]:
    """A fill whose pump has run for a while."""
    fill = virtual_fill(rig_settings(), Question("16.9-28"))
    last = fill.run(until=lambda decision: decision.facts.forward and decision.facts.in_tyre_l > 20)
    return fill.setup, last.state


@given(st.lists(st.tuples(REASONS, LITRES, LITRES)))
def test_doubts_add_up_by_side_and_reason(booked: list[tuple[str, float, float]]) -> None:
    tally = Tally()
    for reason, less_l, more_l in booked:
        tally = tally.doubting(reason, less_l=less_l, more_l=more_l)
    assert less_of(tally.doubts) == pytest.approx(math.fsum(max(less, 0) for _, less, _ in booked))
    assert more_of(tally.doubts) == pytest.approx(math.fsum(max(more, 0) for _, _, more in booked))
    assert len({each.reason for each in tally.doubts}) == len(tally.doubts)


@given(st.lists(st.tuples(REASONS, LITRES, LITRES)))
def test_a_doubt_of_the_same_litres_only_raises_the_sum(booked: list[tuple[str, float, float]]) -> None:
    tally = Tally()
    for reason, less_l, more_l in booked:
        tally = tally.doubting_at_least(reason, less_l=less_l, more_l=more_l)
    assert less_of(tally.doubts) == pytest.approx(max((0.0, *(less for _, less, _ in booked))))
    assert more_of(tally.doubts) == pytest.approx(max((0.0, *(more for _, _, more in booked))))


def test_nothing_in_doubt_is_no_doubt() -> None:
    tally = Tally()
    assert tally.doubting("a", less_l=-1.0) is tally
    assert tally.doubting("a", less_l=2.0).doubting_at_least("b", less_l=1.5).doubts == (Doubt("a", 2.0, 0.0),)


@pytest.mark.parametrize(
    ("alarm", "less", "more"),
    [
        ("bead_lost", True, False), ("no_rise", True, True), ("air_pumped", True, True),
        ("estimates_disagree", True, True), ("air_gone", True, True), ("no_flow", False, True),
        ("field_lost", False, True), ("reading_untrusted", False, True), ("liquid_drawn", True, False),
        ("liquid_in_vent", True, True), ("tote_empty", False, False), ("emergency_stop", False, False),
    ],
)  # fmt: skip
def test_an_alarm_puts_litres_in_doubt_to_the_side_where_they_may_be(
    running: tuple[Setup, FillState], alarm: str, *, less: bool, more: bool
) -> None:
    """While the pump runs forward: what was counted may be missing, what was not counted may be in.

    Air among the liquid in the hose has pushed as much liquid into the tyre.
    """
    setup, state = running
    doubts = with_doubt(setup, state, alarm).doubts
    assert (less_of(doubts) > 0, more_of(doubts) > 0) == (less, more)


def test_a_silent_meter_without_a_reverse_count_does_not_say_which_way_the_pump_turns(
    running: tuple[Setup, FillState],
) -> None:
    setup, state = running
    blind = replace(setup, meter=replace(setup.meter, reverse="none"))
    doubts = with_doubt(blind, state, "no_flow").doubts
    assert less_of(doubts) == more_of(doubts) == pytest.approx(5.0 * setup.line.moves_lps(1))


@pytest.mark.parametrize("alarm", ["field_lost", "insert_not_seated"])
def test_unseen_litres_may_have_gone_either_way_with_the_pump_off(running: tuple[Setup, FillState], alarm: str) -> None:
    """Behind an insert that does not hold a reverse brings back the hose's liquid or the tyre's."""
    setup, state = running
    outputs = Outputs(pump_reverse=alarm == "insert_not_seated")
    doubts = with_doubt(setup, replace(state, outputs=outputs), alarm).doubts
    assert less_of(doubts) == more_of(doubts) == pytest.approx(5.0 * setup.line.moves_lps(1))


@pytest.mark.parametrize(("into", "less_l"), [("tyre", 0.0), ("tote", 32.0)])
def test_strokes_that_a_stuck_level_did_not_count_are_in_doubt(
    running: tuple[Setup, FillState], into: Into, less_l: float
) -> None:
    """By the pump's time 32 L more than the level counted since the fill was opened."""
    setup, state = running
    level, by_time = setup.beside[0], setup.beside[-1]
    setup = replace(setup, meter=level, into=into)
    counted_l = state.tally.passed_forward_l(level)
    pulses = round((counted_l + 32.0) / by_time.litres_per_pulse)
    counts = (*(Count() for _ in state.counts[:-1]), replace(state.counts[-1], forward=pulses))
    doubts = with_doubt(setup, replace(state, measure=1, counts=counts), "no_progress").doubts
    assert (less_of(doubts), more_of(doubts)) == (pytest.approx(less_l, abs=0.1), pytest.approx(32.0, abs=0.1))


def test_an_alarm_doubts_no_more_than_passed_the_pump(running: tuple[Setup, FillState]) -> None:
    setup, state = running
    tally = state.tally
    for _ in range(50):
        tally = with_doubt(setup, replace(state, tally=tally), "estimates_disagree")
    most_l = state.tally.passed_forward_l(setup.meter) + setup.line.hose_l + 5.0 * setup.line.most_lps
    assert less_of(tally.doubts) == pytest.approx(most_l)
    assert more_of(tally.doubts) == pytest.approx(most_l)


def test_each_side_is_the_doubts_and_the_other_parts_in_quadrature(running: tuple[Setup, FillState]) -> None:
    """JCGM 100:2008 5.1.2 for independent parts."""
    setup, state = running
    plain = net_within(setup, state)
    doubted = replace(state, tally=state.tally.doubting("a", less_l=3.0).doubting("b", less_l=1.0, more_l=0.5))
    within = net_within(setup, doubted)
    assert within.less_l == pytest.approx(math.hypot(plain.less_l, 4.0))
    assert within.more_l == pytest.approx(math.hypot(plain.more_l, 0.5))
    assert within.u_l == within.less_l
    assert plain.less_l == pytest.approx(math.sqrt(math.fsum(each.less_l**2 for each in account(setup, state))))


def test_an_unread_count_widens_the_side_that_the_pump_runs_to(running: tuple[Setup, FillState]) -> None:
    setup, state = running
    plain = net_within(setup, state)
    ahead, back = (net_within(setup, replace(state, unseen_s=4.0, direction=way)) for way in (1, -1))
    moved_l = 1.1 * setup.line.most_lps * (4.0 + setup.line.coast_s)
    assert (ahead.less_l, back.more_l) == pytest.approx((plain.less_l, plain.more_l))
    assert ahead.more_l == pytest.approx(math.hypot(plain.more_l, moved_l))
    assert back.less_l == pytest.approx(math.hypot(plain.less_l, moved_l))


# --- settled by a rest ----------------------------------------------------------------------------------------------


def test_what_grew_since_is_kept_apart_and_cut_in_proportion() -> None:
    before = (Doubt("a", 1.0, 2.0),)
    now = (Doubt("a", 3.0, 2.0), Doubt("b", 2.0, 6.0))
    assert since(now, before) == (Doubt("a", 2.0, 0.0), Doubt("b", 2.0, 6.0))
    assert settled(now, before, 10.0, 10.0) is now
    assert settled(now, before, 1.0, 3.0) == (Doubt("a", 1.5, 2.0), Doubt("b", 0.5, 3.0))


@pytest.fixture(scope="module")
def resting() -> tuple[Setup, FillState, Facts]:
    """The first rest after a stroke of liquid, in the scan before it is taken."""
    fill = virtual_fill(rig_settings(), Question("16.9-28"))
    fill.run(until=lambda decision: decision.state.fills > 0 and decision.facts.forward)
    fill.run(until=lambda decision: decision.state.stroke.pumped and decision.facts.rests)
    assert fill.state is not None
    state, facts = observe(fill.setup, fill.state, fill.rig.scan())
    return fill.setup, state, facts


def test_a_rest_as_the_account_has_it_settles_what_may_not_have_been_counted(
    resting: tuple[Setup, FillState, Facts],
) -> None:
    """Boyle's law with the tyre's room by hand: what is left in doubt is what gauge and cavity leave."""
    setup, state, facts = resting
    assert facts.gas is not None
    doubted = replace(state, tally=state.tally.doubting("field_lost", more_l=200.0))
    left_l = more_of(with_rest(setup, doubted, facts, facts.gas.low).doubts)
    room_l = state.gas.high_l - facts.offset_l
    u_kpa = math.hypot(setup.rest_gauge.u_kpa, facts.rest_u_kpa)
    assert left_l == pytest.approx(room_l * u_kpa / (facts.gas.low + setup.line.atmosphere_kpa_abs + u_kpa))
    assert left_l < 0.02 * room_l


def test_a_rest_above_the_account_leaves_the_litres_in_doubt_that_make_it(
    resting: tuple[Setup, FillState, Facts],
) -> None:
    setup, state, facts = resting
    assert facts.gas is not None
    doubted = replace(state, tally=state.tally.doubting("field_lost", less_l=5.0, more_l=200.0))
    doubts = with_rest(setup, doubted, facts, facts.gas.high + 40.0).doubts
    low_kpa = facts.gas.low + setup.line.atmosphere_kpa_abs
    assert more_of(doubts) >= (state.gas.low_l - facts.offset_l) * (1 - low_kpa / (low_kpa + 40.0))
    assert less_of(doubts) == 0.0


@pytest.mark.parametrize("reason", ["air_pumped", "bead_lost", "gauge_restless", "estimates_disagree"])
def test_a_rest_settles_nothing_where_gas_or_gauge_are_in_doubt(
    resting: tuple[Setup, FillState, Facts], reason: str
) -> None:
    setup, state, facts = resting
    assert facts.gas is not None
    doubted = replace(state, tally=state.tally.doubting(reason, less_l=9.0).doubting("unread", more_l=9.0))
    assert with_rest(setup, doubted, facts, facts.gas.best) is doubted.tally
