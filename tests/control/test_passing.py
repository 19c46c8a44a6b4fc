"""What passes the meter otherwise than it counts: air that it does not see, and more than the pump can move."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plain import AIR, plain_setup, plain_state

from rig.control.belief.flow import Flow
from rig.control.belief.passing import leapt_l, other_on_air, passes_uncounted, too_fast_l, with_uncounted_air
from rig.control.belief.state import FillState
from rig.control.words.flags import Flag
from rig.control.words.values import Outputs, Reading, Setup

FORWARD, BACK = Outputs(pump_run=True), Outputs(pump_reverse=True)
READING = Reading(100.0, line_kpa=AIR)
"""At two atmospheres absolute."""


def booked(setup: Setup, state: FillState, *, counted: bool = False, reading: Reading = READING) -> tuple[float, float]:
    """Air of the suction line, in litres at ambient, and air drawn, after half a second."""
    tally = with_uncounted_air(setup, state, state.tally, reading, 0.5, counted=counted)
    return tally.suction_air_kpa_l / AIR, tally.air_untold_l


def filling(on_air: str = "blind", air_l: float = 1.0, **fields: object) -> tuple[Setup, FillState]:
    setup = plain_setup(meter={"on_air": on_air})
    return setup, plain_state(setup, {"suction_air_kpa_l": air_l * AIR}, **{"outputs": FORWARD, **fields})


def drawing(
    on_air: str = "blind", air_l: float = 0.0, hose_l: float = 0.0, **fields: object
) -> tuple[Setup, FillState]:
    """The pump has drawn for long, and the meter is silent since 98 s."""
    setup = plain_setup(meter={"on_air": on_air})
    tally = {"suction_air_kpa_l": air_l * AIR, "hose_l": hose_l}
    return setup, plain_state(setup, tally, **{"outputs": BACK, "pulse_s": 98.0, "changed_s": 50.0, **fields})


def test_air_that_a_meter_does_not_see_goes_forward_as_fast_as_the_pump_moves() -> None:
    """0.6 L/s for half a second at the inlet's pressure, ambient, whatever the line's: 0.3 L."""
    assert booked(*filling()) == (pytest.approx(0.7), 0.0)
    assert booked(*filling("part")) == (pytest.approx(0.7), 0.0)
    assert booked(*filling("part"), counted=True) == (pytest.approx(0.7), 0.0)


@pytest.mark.parametrize(
    ("on_air", "counted", "fields"),
    [
        ("counts", False, {}), ("blind", True, {}), ("blind", False, {"outputs": Outputs()}),
        ("blind", False, {"valve_open": False}),
    ],
)  # fmt: skip
def test_it_is_not_booked_where_the_meter_counts_it_or_nothing_moves(
    on_air: str, counted: bool, fields: dict[str, object]
) -> None:
    setup, state = filling(on_air, **fields)
    assert with_uncounted_air(setup, state, state.tally, READING, 0.5, counted=counted) is state.tally
    setup, state = filling(air_l=0.0)
    assert with_uncounted_air(setup, state, state.tally, READING, 0.5, counted=False) is state.tally


def test_going_back_the_inlet_is_the_hose_without_a_gauge_at_the_last_rest_and_never_at_nothing() -> None:
    """0.5 L/s for half a second out of the hose: 0.25 L at its pressure."""
    setup, state = drawing()
    assert booked(setup, state) == (pytest.approx(0.5), pytest.approx(0.25)), "at two atmospheres"
    unread = Reading(100.0)
    assert booked(setup, state, reading=unread) == (pytest.approx(0.25), pytest.approx(0.25)), "at ambient"
    rested = replace(state, gas=replace(state.gas, rest_kpa=AIR))
    assert booked(setup, rested, reading=unread) == (pytest.approx(0.5), pytest.approx(0.25))
    low = with_uncounted_air(setup, state, state.tally, Reading(100.0, line_kpa=-AIR - 9.0), 0.5, counted=False)
    assert low.suction_air_kpa_l == pytest.approx(0.25), "a kilopascal at least"


@pytest.mark.parametrize(
    ("fields", "comes"),
    [
        # Silent for 2 s with the hose all but empty by the count.
        ({"hose_l": 1.3}, True), ({"hose_l": 1.4}, False), ({"hose_l": 1.3, "pulse_s": 99.1}, False),
        ({"hose_l": 1.3, "pulse_s": 98.9}, True),
        # The pump started lately: its lag of 0.2 s, then a second.
        ({"hose_l": 1.3, "changed_s": 98.9}, False), ({"hose_l": 1.3, "changed_s": 98.7}, True),
        # Air is in the suction line already: silence needs no waiting.
        ({"hose_l": 0.0, "air_l": 0.1, "pulse_s": 99.9}, True), ({"hose_l": 0.1, "air_l": 0.1, "pulse_s": 99.9}, False),
        ({"hose_l": 0.0, "air_l": 0.0, "pulse_s": 99.9}, False),
        # Part of the air is counted, so silence says nothing: it comes once the hose is empty.
        ({"on_air": "part", "hose_l": 0.1}, False), ({"on_air": "part", "hose_l": 0.0, "pulse_s": 99.9}, True),
    ],
)  # fmt: skip
def test_when_a_pump_that_draws_has_air_at_its_meter(fields: dict[str, object], comes: bool) -> None:
    setup, state = drawing(**fields)
    _, drawn_l = booked(setup, state)
    assert drawn_l == (pytest.approx(0.25) if comes else 0.0), "0.5 L/s for half a second"


def test_a_covered_valve_lets_no_air_in() -> None:
    setup, state = drawing(hose_l=0.0, air_l=0.1)
    wet = replace(setup, cavity=replace(setup.cavity, covered_m=(0.1, 0.1)))
    assert booked(wet, state) == (pytest.approx(0.1), 0.0)


@pytest.mark.parametrize(
    ("on_air", "air_l", "outputs", "expected"),
    [
        ("blind", 1.0, FORWARD, True), ("part", 1.0, FORWARD, True), ("counts", 1.0, FORWARD, False),
        ("blind", 0.0, FORWARD, False), ("blind", 1.0, Outputs(), False), ("blind", 1.0, BACK, False),
    ],
)  # fmt: skip
def test_a_missing_count_is_expected_with_air_at_a_meter_that_may_not_see_it(
    on_air: str, air_l: float, outputs: Outputs, expected: bool
) -> None:
    """Backwards the hose of this case is still full, so there is liquid at the pump."""
    setup, state = filling(on_air, air_l)
    assert passes_uncounted(setup, replace(state, outputs=outputs)) is expected


def test_a_meter_without_a_reverse_count_expects_none_backwards() -> None:
    setup = plain_setup(meter={"on_air": "blind", "reverse": "none"})
    state = plain_state(setup, {"hose_l": 0.0, "suction_air_kpa_l": 50.0}, outputs=BACK)
    assert not passes_uncounted(setup, state)
    assert passes_uncounted(plain_setup(meter={"on_air": "blind"}), state)


@pytest.mark.parametrize(
    ("litres", "scan_s", "leapt"),
    [
        # Within a scan of 0.1 s the pump moves 0.078 L at most; half a second more of it is 0.3 L.
        (0.37, 0.1, 0.0), (0.38, 0.1, 0.302), (3.0, 0.1, 2.922), (3.0, 2.0, 1.44), (0.8, 1.0, 0.0),
    ],
)  # fmt: skip
def test_more_in_one_scan_than_the_pump_moves_in_half_a_second_more_is_a_clock_that_stalled(
    litres: float, scan_s: float, leapt: float
) -> None:
    assert leapt_l(plain_setup(), round(litres * 100), scan_s, 0.6) == pytest.approx(leapt)
    assert leapt_l(plain_setup(meter={"kind": "tote level"}), round(litres * 100), scan_s, 0.6) == 0.0


@pytest.mark.parametrize(
    ("direction", "pps", "beyond_lps"),
    [
        # 1.3 of 0.6 L/s and two pulses of 0.01 L: 0.80 L/s; backwards 1.3 of 0.5: 0.67.
        (1, 79.9, 0.0), (1, 80.1, 0.201), (1, -80.1, 0.201), (1, 120.0, 0.6),
        (-1, 66.9, 0.0), (-1, -67.1, 0.171),
    ],
)  # fmt: skip
def test_a_flow_a_third_above_the_pump_s_was_counted_too_fast(direction: int, pps: float, beyond_lps: float) -> None:
    setup = plain_setup()
    state = plain_state(setup, direction=direction, flow=Flow(fast_pps=pps))
    assert too_fast_l(setup, state, 0.5) == pytest.approx(0.5 * beyond_lps)
    assert too_fast_l(plain_setup(meter={"kind": "scale"}), state, 0.5) == 0.0


# --- a meter that counts air otherwise than configured ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("silent_s", "ran_s", "mark"),
    [
        (0.1, 3.0, None), (0.9, 1.8, None), (1.1, 2.0, Flag.COUNTS_NO_AIR), (1.1, 1.4, None),
        # Slow, for a pump or a meter.
        (0.1, 14.6, None),
    ],
)  # fmt: skip
def test_going_forward_a_meter_that_is_silent_with_air_at_it_counts_none(
    silent_s: float, ran_s: float, mark: Flag | None
) -> None:
    """Silent for a second, the pump's start lag of half a second left out."""
    setup, state = filling("counts", changed_s=100.0 - ran_s, pulse_s=100.0 - silent_s)
    setup = replace(setup, line=replace(setup.line, suction_l=1.8, start_lag_s=0.5))
    assert other_on_air(setup, state, READING) is mark
    assert other_on_air(setup, replace(state, measure=1), READING) is None, "another measure is acting"
    dry = replace(state, tally=replace(state.tally, suction_air_kpa_l=0.0))
    assert other_on_air(setup, dry, READING) is None, "no air is there"


@pytest.mark.parametrize(
    ("hose_l", "silent_s", "flow_lps", "mark"),
    [
        (1.2, 1.1, 0.0, Flag.COUNTS_NO_AIR), (1.4, 1.1, 0.0, None), (1.2, 0.9, 0.0, None),
        (0.0, 0.1, 0.29, Flag.COUNTS_PART_OF_AIR), (0.0, 0.1, 0.31, None), (0.1, 0.1, 0.29, None),
    ],
)  # fmt: skip
def test_going_back_the_air_front_shows_what_the_meter_counts(
    hose_l: float, silent_s: float, flow_lps: float, mark: Flag | None
) -> None:
    """4 L of hose: silent with no more than a third left; or behind it below six tenths of the 0.5 L/s before."""
    setup, state = drawing("counts", hose_l=hose_l, pulse_s=100.0 - silent_s, regime_s=97.5)
    setup = replace(setup, line=replace(setup.line, hose_l=4.0, start_lag_s=0.5))
    state = replace(state, changed_s=89.0, mark=replace(state.mark, tally=replace(state.tally, hose_l=4.0)))
    pps = -flow_lps / setup.meter.litres_per_pulse
    state = replace(state, flow=Flow(fast_pps=pps))
    assert other_on_air(setup, state, READING) is mark
    if mark is Flag.COUNTS_PART_OF_AIR:
        stopping = replace(state, regime_s=96.0)
        assert other_on_air(setup, stopping, READING) is None, "later it is a pump that stops"
    counted = replace(state, mark=replace(state.mark, tally=replace(state.mark.tally, air_returned_l=0.5)))
    assert other_on_air(setup, counted, READING) is None, "it has counted air before"
    heard = replace(state, tally=replace(state.tally, air_returned_l=0.41))
    assert (other_on_air(setup, heard, READING) is Flag.COUNTS_NO_AIR) is False, "it has counted air in this draw"
    up_only = replace(setup, meter=replace(setup.meter, reverse="none"))
    assert other_on_air(up_only, state, READING) is None, "no reverse count, nothing to conclude from"
