"""The account's smaller parts: bounds of a step, air past every kind of meter, a return by time, another measure.

Expected litres are worked by hand for a rig of round figures.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain import AIR, METER, plain_setup

from rig.control.belief.accounting import (
    Count,
    Enters,
    Register,
    Tally,
    book,
    carried,
    carry_air,
    counted,
    pass_back,
    pass_forward,
    still_unread,
    through_hose,
    unwrap,
)
from rig.control.words.values import Meter, OnAir

UP_ONLY = replace(METER, reverse="unsigned")


# --- registers -------------------------------------------------------------------------------------------------------


def test_the_first_reading_of_a_register_is_where_it_stands_and_no_flow() -> None:
    assert unwrap(Register(), 1234, METER, 100) == (Register(1234), 0)
    assert unwrap(Register(None, 50, 2), 7, METER, 100) == (Register(7, 50, 2), 0)


def test_a_step_is_plausible_up_to_its_bound_either_way() -> None:
    start = Register(1000, 1000)
    assert unwrap(start, 1100, METER, 100)[0] == Register(1100, 1100)
    assert unwrap(start, 1101, METER, 100) == (Register(1101, 1000, 1), 0)
    assert unwrap(start, 900, METER, 100)[0] == Register(900, 900)
    assert unwrap(start, 899, METER, 100) == (Register(899, 1000, 1), 0)
    assert unwrap(start, 990, METER, 100, back=10)[0] == Register(990, 990)
    assert unwrap(start, 989, METER, 100, back=10) == (Register(989, 1000, 1), 0)
    assert unwrap(start, 0, METER, 100) == (Register(0, 1000, 1), 0)
    assert unwrap(start, 100, METER, 100) == (Register(100, 1100, 1), 100)


def test_half_of_a_signed_register_is_the_other_direction() -> None:
    """A register of 16 bits: 32767 up is forward, 32768 up is as far back."""
    meter, most = replace(METER, bits=16), 2**16
    assert unwrap(Register(0), 32767, meter, most)[1] == 32767
    assert unwrap(Register(0), 32768, meter, most)[1] == -32768
    assert unwrap(Register(0), 40000, replace(meter, reverse="unsigned"), most)[1] == 40000
    assert unwrap(Register(0), 40000, replace(meter, second_channel=True), most)[1] == 40000


def count_of(raw: int, **counts: int) -> Count:
    return Count(Register(raw, raw), **counts)


def test_without_a_reading_or_a_step_nothing_is_counted() -> None:
    count = count_of(1000, forward=1000)
    assert counted(count, None, METER, 1, 1.0, 0.0, at_rest=False) is count
    assert counted(count, 1000, METER, 1, 1.0, 0.0, at_rest=True) is count


@pytest.mark.parametrize(
    ("meter", "direction", "step", "forward", "back"),
    [
        (METER, 1, 30, 30, 0), (METER, 1, -30, 0, 30), (METER, -1, -30, 0, 30), (METER, -1, 30, 30, 0),
        (UP_ONLY, 1, 30, 30, 0), (UP_ONLY, -1, 30, 0, 30), (UP_ONLY, 0, 30, 30, 0),
        (replace(METER, second_channel=True), -1, 30, 30, 0),
        (replace(METER, reverse="none"), -1, 30, 30, 0),
    ],
)  # fmt: skip
def test_pulses_are_booked_the_way_that_the_meter_can_tell(
    meter: Meter, direction: int, step: int, forward: int, back: int
) -> None:
    for at_rest, standing in ((False, 7), (True, 7 + forward - back)):
        count = counted(
            count_of(5000, forward=100, back=10, standing=7), 5000 + step, meter, direction, 1.0, 0.0, at_rest=at_rest
        )
        assert (count.forward, count.back, count.standing) == (100 + forward, 10 + back, standing)
        assert count.register.restarts == 0


@pytest.mark.parametrize(
    ("direction", "step", "plausible"),
    [
        # 2 L of the pump are 200 pulses, and 50; 5 L unread are 500 more, the way that the pump last ran.
        (1, 750, True), (1, 751, False), (1, -250, True), (1, -251, False),
        (-1, -750, True), (-1, -751, False), (-1, 250, True), (-1, 251, False),
    ],
)  # fmt: skip
def test_what_the_pump_may_have_moved_unread_is_plausible_in_its_direction(
    direction: int, step: int, plausible: bool
) -> None:
    count = counted(count_of(50_000), 50_000 + step, METER, direction, 2.0, 5.0, at_rest=False)
    assert (count.register.restarts == 0) is plausible


def test_at_rest_or_by_a_total_a_fall_to_near_zero_is_no_restart() -> None:
    """A total of a device goes on after its supply fails; with the pump off liquid may run back."""
    for meter, direction, at_rest in ((replace(METER, kind="total"), 1, False), (METER, 1, True), (METER, -1, False)):
        count = counted(count_of(40), 3, meter, direction, 0.2, 0.0, at_rest=at_rest, flows=True)
        assert (count.back, count.register.restarts) == (37, 0)


def test_how_long_a_register_was_not_read_grows_to_ten_seconds() -> None:
    """Longer no pump runs without its controller: its module's time-out, and coasting."""
    assert still_unread((1.0, 2.0, 9.8), (None, 7, None), 0.5) == (1.5, 0.0, 10.0)


# --- air past the meter ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("on_air", "air_l", "left_l", "into_tyre_l"),
    [
        # 1 L of air at ambient, 3 L counted at 1 bar above it: half a litre was air.
        ("counts", 0.5, 0.0, 2.5),
        # Counted in part: as long as some is left, what is counted is air.
        ("part", 3.0, 1.0, 0.0),
        # A magnetic meter counts liquid alone: the air has gone by.
        ("blind", 0.0, 0.0, 3.0),
    ],
)
def test_the_air_of_the_suction_line_passes_first(
    on_air: OnAir, air_l: float, left_l: float, into_tyre_l: float
) -> None:
    setup = plain_setup(meter={"on_air": on_air})
    dry = Tally(pulses_forward=300, hose_start_l=4.0, hose_l=4.0, suction_air_kpa_l=1.0 * AIR)
    tally = pass_forward(dry, setup, 3.0, 2 * AIR)
    assert tally.air_forward_l == pytest.approx(air_l)
    assert tally.suction_air_kpa_l == pytest.approx(left_l * AIR)
    assert tally.net_l(setup.meter) == pytest.approx(into_tyre_l)


def test_of_air_beyond_what_passes_some_is_left_in_the_suction_line() -> None:
    setup = plain_setup()
    tally = pass_forward(Tally(hose_start_l=4.0, hose_l=4.0, suction_air_kpa_l=1.0 * AIR), setup, 0.25, 2 * AIR)
    assert tally.air_forward_l == 0.25
    assert tally.suction_air_kpa_l == pytest.approx(0.5 * AIR)
    part = plain_setup(meter={"on_air": "part"})
    wet = pass_forward(Tally(hose_start_l=4.0, hose_l=4.0), part, 0.25, AIR)
    assert (wet.air_forward_l, wet.suction_air_kpa_l) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("on_air", "enters", "hose_l", "air_l", "suction_l", "left_l"),
    [
        ("counts", "air", 4.0, 1.0, 0.5, 0.0), ("counts", "air", 1.0, 4.0, 1.5, 0.0),
        ("counts", "liquid", 4.0, 0.0, 0.0, 4.0), ("counts", "liquid", 3.0, 2.0, 1.0, 0.0),
        ("part", "air", 4.0, 1.0, 0.0, 0.0), ("blind", "air", 4.0, 0.0, 0.0, 0.0),
    ],
)  # fmt: skip
def test_back_comes_the_hose_s_liquid_first_and_then_air(
    on_air: OnAir, enters: Enters, hose_l: float, air_l: float, suction_l: float, left_l: float
) -> None:
    """5 L back at half an atmosphere; the suction line holds 1.5 L of air at most."""
    setup = plain_setup(meter={"on_air": on_air})
    tally = pass_back(Tally(hose_start_l=4.0, hose_l=hose_l), setup, 5.0, AIR / 2, enters)
    assert tally.air_returned_l == pytest.approx(air_l)
    assert tally.suction_air_kpa_l == pytest.approx(suction_l * AIR)
    assert tally.hose_l == left_l


def test_air_that_no_meter_measures_is_followed_by_where_it_is() -> None:
    line = plain_setup().line
    start = Tally(hose_start_l=4.0, hose_l=4.0, suction_air_kpa_l=1.0 * AIR, hose_less_l=0.5)
    ahead = carry_air(start, line, 0.25, 2 * AIR)
    assert ahead == replace(start, suction_air_kpa_l=pytest.approx(0.5 * AIR))
    assert carry_air(start, line, 3.0, AIR).suction_air_kpa_l == 0.0
    back = carry_air(start, line, -0.25, AIR)
    assert back.suction_air_kpa_l == pytest.approx(1.25 * AIR)
    assert (back.air_untold_l, back.hose_l, back.air_drawn_l) == (0.25, 0.0, 0.25)
    more = carry_air(back, line, -0.5, AIR)
    assert more.suction_air_kpa_l == pytest.approx(1.5 * AIR), "the suction line is full of air"
    assert (more.air_untold_l, more.air_returned_l, more.air_drawn_l) == (0.75, 0.0, 0.75)
    assert carry_air(start, line, 0.0, AIR).hose_l == 4.0


# --- booking a scan --------------------------------------------------------------------------------------------------


@given(st.integers(0, 400), st.integers(0, 400), st.floats(0.9, 1.1))
def test_what_is_booked_is_pulses_by_the_factor_at_their_flow(forward: int, back: int, curve: float) -> None:
    setup = plain_setup()
    tally = Tally(pulses_forward=1000, curve_forward_l=0.5, curve_returned_l=0.2, hose_start_l=4.0, hose_l=4.0)
    tally = book(tally, setup, forward, back, 0.0, 100.0, "liquid", curve)
    assert tally.passed_forward_l(setup.meter) == pytest.approx(10.5 + 0.01 * forward * curve)
    assert tally.passed_back_l(setup.meter) == pytest.approx(0.2 + 0.01 * back * curve)
    assert tally.net_l(setup.meter) == pytest.approx(10.3 + 0.01 * curve * (forward - back))


def test_air_is_booked_at_the_line_s_pressure_and_never_at_none() -> None:
    setup = plain_setup()
    dry = Tally(hose_start_l=4.0, hose_l=0.0, suction_air_kpa_l=1.0 * AIR)
    assert book(dry, setup, 100, 0, 0.0, AIR, "air").air_forward_l == pytest.approx(0.5)
    vacuum = book(replace(dry, suction_air_kpa_l=2.0), setup, 300, 0, 0.0, -AIR - 50.0, "air")
    assert vacuum.air_forward_l == pytest.approx(2.0), "a kilopascal at least"


def test_a_return_by_the_pump_s_time_leaves_the_hose_in_doubt_until_it_is_empty() -> None:
    """A fifth of what is estimated: 3 L leave 0.6 in doubt; once a quarter of the hose's volume of air has followed,
    the hose is empty for certain, and what came out of it is its volume."""
    setup = plain_setup(meter={"reverse": "none"})
    tally = book(Tally(hose_start_l=4.0, hose_l=4.0), setup, 0, 0, 3.0, 0.0, "air")
    assert (tally.hose_l, tally.hose_less_l, tally.hose_more_l) == (1.0, pytest.approx(0.6), pytest.approx(0.6))
    assert (tally.estimated_returned_l, tally.draws_l, tally.behind_l) == (3.0, 3.0, 0.0)
    empty = book(tally, setup, 0, 0, 1.9, 0.0, "air")
    assert (empty.hose_l, empty.draws_l, empty.emptied_l) == (0.0, pytest.approx(4.0), 0.0)
    assert empty.behind_l == pytest.approx(0.9)
    known = book(empty, setup, 0, 0, 0.2, 0.0, "air")
    assert (known.draws_l, known.emptied_l) == (0.0, pytest.approx(4.0))
    assert known.behind_l == pytest.approx(1.1)
    again = book(known, setup, 0, 0, 0.2, 0.0, "air")
    assert (again.draws_l, again.emptied_l) == (pytest.approx(0.0), pytest.approx(4.0))
    filled = book(empty, setup, 50, 0, 0.0, 0.0, "air")
    assert (filled.unsure_l, filled.draws_l, filled.behind_l) == (pytest.approx(4.0), 0.0, 0.0)
    rebooked = book(replace(empty, hose_l=4.0), setup, 0, 0, 0.5, 0.0, "air")
    assert rebooked.behind_l == 0.0, "liquid that filled the hose meanwhile has pushed it out"
    twice = book(replace(empty, unsure_l=1.0), setup, 50, 0, 0.0, 0.0, "air")
    assert twice.unsure_l == pytest.approx(5.0)


def test_liquid_that_keeps_the_hose_full_leaves_it_in_no_doubt() -> None:
    setup = plain_setup(meter={"reverse": "none"})
    tally = book(Tally(hose_start_l=4.0, hose_l=4.0), setup, 0, 0, 3.0, 0.0, "liquid")
    assert (tally.hose_l, tally.hose_less_l, tally.hose_more_l) == (4.0, 0.0, 0.0)
    assert (tally.draws_l, tally.estimated_returned_l) == (3.0, 3.0)
    assert tally.net_l(setup.meter) == pytest.approx(-3.0)


def test_a_new_account_is_empty() -> None:
    new = Tally()
    assert (new.unsure_l, new.draws_l, new.emptied_l, new.behind_l, new.air_drawn_l) == (0.0,) * 5
    assert (new.net_l(METER), new.hose_change_l(), new.doubts, new.unattended_l) == (0.0, 0.0, (), 0.0)


@pytest.mark.parametrize(("moved_l", "bounds"), [(0.0, (0.5, 1.5)), (0.7, (0.5, 1.3)), (-2.5, (0.0, 1.0))])
def test_the_bounds_of_the_hose_move_with_its_liquid(moved_l: float, bounds: tuple[float, float]) -> None:
    """2 L, half a litre less or one and a half more, in a hose of 4."""
    tally = through_hose(Tally(hose_l=2.0, hose_less_l=0.25, hose_more_l=1.25), 4.0, moved_l, 0.25)
    assert (tally.hose_less_l, tally.hose_more_l) == (pytest.approx(bounds[0]), pytest.approx(bounds[1]))


# --- another measure -------------------------------------------------------------------------------------------------


def test_an_account_that_another_measure_continues_keeps_every_litre_and_its_uncertainty() -> None:
    """1 % of the 20 L net of this meter, and what an earlier one had left, in quadrature."""
    tally = Tally(
        pulses_forward=3000, pulses_returned=600, curve_forward_l=0.3, curve_returned_l=0.1, earlier_forward_l=7.0,
        earlier_returned_l=2.0, earlier_u_l=0.15, estimated_returned_l=4.0, air_forward_l=1.0, air_returned_l=0.8,
        hose_start_l=4.0, hose_l=4.0,
    )  # fmt: skip
    other = replace(METER, k_per_l=1.0)
    after = carried(tally, METER)
    for measure in ("passed_forward_l", "passed_back_l", "forward_l", "returned_l", "net_l"):
        assert getattr(after, measure)(other) == pytest.approx(getattr(tally, measure)(METER)), measure
    assert (after.pulses_forward, after.pulses_returned, after.curve_forward_l, after.curve_returned_l) == (0, 0, 0, 0)
    own_l = tally.net_l(METER) - 5.0
    assert own_l == pytest.approx(30.3 - 1.0 - (6.1 + 4.0 - 0.8))
    assert after.earlier_u_l == pytest.approx(math.hypot(0.15, 0.01 * own_l))
