"""Counters and the air front: pulses never lost, never invented; litres where a plug flow puts them."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st
from virtual_fills import fill_of, rig_settings, run_fill

from rig.control.belief.accounting import (
    Count,
    Register,
    Tally,
    book,
    counted,
    pass_back,
    pass_forward,
    through_hose,
    unwrap,
)
from rig.control.words.values import Meter, Setup
from rig.run.assembly import Question

METER = Meter(100.0, 1.0, 32, "signed", second_channel=False, uncertainty=0.005, proven=True, least_l=2.0)


DRAWING = fill_of(rig_settings("draw-down"), Question("16.9-28")).setup


@pytest.fixture
def setup() -> Setup:
    return DRAWING


@given(
    st.sampled_from([16, 32]),
    st.integers(0, 2**32 - 1),
    st.lists(st.integers(-400, 400), max_size=60),
)
def test_a_signed_counter_gives_back_every_step_over_any_wrap(bits: int, start: int, steps: list[int]) -> None:
    meter = replace(METER, bits=bits)
    register, _ = unwrap(Register(), start % 2**bits, meter, 400)
    raw = start
    for step in steps:
        raw += step
        register, seen = unwrap(register, raw % 2**bits, meter, 400)
        assert seen == step
    assert register.total == sum(steps)
    assert register.restarts == 0


@given(st.integers(1000, 2**16 - 1), st.integers(0, 200))
def test_a_restarted_counter_is_seen_and_never_counts_backwards_or_far(before: int, after: int) -> None:
    for reverse in ("signed", "unsigned", "none"):
        meter = replace(METER, reverse=reverse, bits=32)
        register, _ = unwrap(Register(), before, meter, 500)
        register, step = unwrap(register, after, meter, 500)
        assert register.restarts == 1
        assert step == after


@pytest.mark.parametrize("away_s", [3, 8])
@pytest.mark.parametrize("k_factor", ["100 pulse/L", "500 pulse/L"])
def test_what_was_counted_while_the_bus_was_away_is_booked(k_factor: str, away_s: int) -> None:
    """The pump ran on until its module's time-out, and the counter with it; then the bus came back."""
    ran = run_fill("16.9-28", faults=[f"bus_silent@60:{away_s}"], meter__k_factor=k_factor)
    assert ran.record["first_out"] == "field_lost"
    assert "meter_jumped" not in cast("list[str]", ran.record["flags"])
    assert ran.net_l == pytest.approx(ran.truth_l, abs=0.05)


@pytest.mark.parametrize(("direction", "after"), [(1, 20), (-1, 3000)])
def test_a_counter_that_restarted_or_jumped_meanwhile_is_no_flow_against_the_pump(direction: int, after: int) -> None:
    count = Count(Register(1505, 1505), 1505)
    back_again = counted(count, after, METER, direction, 0.2, 20.0, at_rest=False)
    assert back_again.register.restarts == 1
    assert (back_again.back, back_again.forward) == (0, 1505 + (after if after < 50 else 0))


@pytest.mark.parametrize(
    ("before", "after", "flows", "restarts", "back"),
    [
        (40, 3, True, 1, 0),
        (40, 3, False, 1, 0),  # further than anything can have flowed
        (12, 3, True, 1, 0),
        (12, 3, False, 0, 9),  # a meter that counts the wrong way falls like this
        (12, 11, True, 0, 1),  # jitter
        (4012, 4003, True, 0, 9),  # no restart ends there
    ],
)
def test_a_count_that_falls_to_near_zero_while_the_pump_fills_has_begun_anew(
    before: int, after: int, flows: bool, restarts: int, back: int
) -> None:
    count = Count(Register(before, before), before)
    fallen = counted(count, after, METER, 1, 0.2, 0.0, at_rest=False, flows=flows)
    assert (fallen.register.restarts, fallen.back) == (restarts, back)
    assert fallen.forward == before + restarts * after


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
def test_no_step_is_larger_than_what_is_believable(before: int, after: int) -> None:
    register, _ = unwrap(Register(), before, METER, 300)
    _, step = unwrap(register, after, METER, 300)
    assert abs(step) <= 300


@given(st.lists(st.integers(-300, 300), max_size=80))
def test_net_is_pulses_less_what_stands_in_the_hose(moves: list[int]) -> None:
    """Against a plug flow of our own: liquid pushed into a pipe of hose_l from one end, air entering at the other."""
    setup = DRAWING
    hose = setup.line.hose_l
    tally = Tally(hose_start_l=hose, hose_l=hose)
    liquid, tyre, suction_air = hose, 0.0, 0.0
    most = setup.line.suction_l
    for pulses in moves:
        litres = abs(pulses) / 100
        if pulses > 0:
            tally = replace(tally, pulses_forward=tally.pulses_forward + pulses)
            tally = pass_forward(tally, setup, litres, 101.325)
            air = min(suction_air, litres)
            suction_air -= air
            into = litres - air
            spill = max(0.0, liquid + into - hose)
            liquid, tyre = liquid + into - spill, tyre + spill
        elif pulses < 0:
            tally = pass_back(
                replace(tally, pulses_returned=tally.pulses_returned - pulses), setup, litres, 101.325, "air"
            )
            gone = min(liquid, litres)
            liquid -= gone
            suction_air = min(most, suction_air + litres - gone)
    assert tally.net_l(setup.meter) == pytest.approx(tyre, abs=1e-9)
    assert tally.hose_l == pytest.approx(liquid, abs=1e-9)


@given(
    st.floats(0, 4),
    st.lists(st.tuples(st.floats(-6, 6), st.floats(0, 2), st.floats(-1, 1)), max_size=30),
)
def test_the_hose_holds_what_its_bounds_say(begins_l: float, moves: list[tuple[float, float, float]]) -> None:
    full_l = 4.0
    tally, truly_l = Tally(hose_l=begins_l), begins_l
    for moved_l, doubt_l, share in moves:
        tally = through_hose(through_hose(tally, full_l, 0.0, doubt_l), full_l, moved_l)
        truly_l = min(max(truly_l + share * doubt_l, 0.0), full_l)
        truly_l = min(max(truly_l + moved_l, 0.0), full_l)
        assert tally.hose_l - tally.hose_less_l - 1e-9 <= truly_l <= tally.hose_l + tally.hose_more_l + 1e-9


@pytest.mark.parametrize(("moved_l", "holds_l"), [(6.0, 4.0), (-6.0, 0.0)])
def test_a_hose_that_was_filled_or_drawn_out_for_certain_is_known_again(moved_l: float, holds_l: float) -> None:
    doubted = through_hose(Tally(hose_l=2.0), 4.0, 0.0, 1.5)
    assert (doubted.hose_less_l, doubted.hose_more_l) == (1.5, 1.5)
    known = through_hose(doubted, 4.0, moved_l)
    assert (known.hose_l, known.hose_less_l, known.hose_more_l) == (holds_l, 0.0, 0.0)


def test_liquid_that_enters_at_a_covered_valve_comes_out_of_the_tyre(setup: Setup) -> None:
    start = Tally(pulses_forward=10_000, hose_start_l=setup.line.hose_l, hose_l=setup.line.hose_l)
    drawn = book(start, setup, 0, 200, 0.0, 50.0, "liquid")
    assert drawn.net_l(setup.meter) == pytest.approx(start.net_l(setup.meter) - 2.0)
    from_hose = book(start, setup, 0, 200, 0.0, 50.0, "air")
    assert from_hose.net_l(setup.meter) == pytest.approx(start.net_l(setup.meter))
    assert from_hose.hose_change_l() == pytest.approx(-2.0)


def test_the_suction_line_s_air_is_counted_as_the_pump_compresses_it(setup: Setup) -> None:
    """Boyle's law: 1.5 L of air at 101.325 kPa pass a meter at 202.65 kPa as 0.75 L."""
    dry = Tally(pulses_forward=1000, hose_start_l=setup.line.hose_l, hose_l=0.0, suction_air_kpa_l=1.5 * 101.325)
    tally = pass_forward(dry, setup, 10.0, 202.65)
    assert tally.air_forward_l == pytest.approx(0.75)
    assert tally.forward_l(setup.meter) == pytest.approx(9.25)


def test_registration_of_a_published_verification() -> None:
    """US Army QM5096, Verification Records: closing 2,762 less opening 1,920 registers 842 gallons."""
    meter = replace(METER, k_per_l=1 / 3.785411784)
    register, _ = unwrap(Register(), 1920, meter, 1000)
    register, step = unwrap(register, 2762, meter, 1000)
    assert step == 842
    assert Tally(pulses_forward=step).forward_l(meter) == pytest.approx(842 * 3.785411784)


def test_meter_factor_multiplies_the_indicated_volume() -> None:
    """MF = reference / indicated (API MPMS 12.2, from memory): N 1252 at 250.00 per gal over 5.000 gal is 0.998403."""
    factor = 5.000 / (1252 / 250.00)
    assert factor == pytest.approx(0.998403, abs=5e-7)
    meter = replace(METER, k_per_l=250 / 3.785411784, factor=factor)
    assert Tally(pulses_forward=1252).forward_l(meter) == pytest.approx(5 * 3.785411784)
