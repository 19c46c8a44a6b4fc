"""The liquid's level: the cavity by size and by strokes, weighted (any text on weighted means), what is near, and what
enters the hose or passes the pump there."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plain import AIR, plain_setup, plain_state
from virtual_fills import fill_of, rig_settings

from rig.control.belief.airspace import Found
from rig.control.belief.level import (
    LEVEL_DOUBT,
    air_at_pump,
    below_valve,
    entering,
    goal_l,
    hose_wet,
    level,
    near_level,
    perhaps_air,
)
from rig.control.belief.state import Alarms, FillState, new_fill
from rig.control.words.flags import Flag
from rig.control.words.values import Outputs, Setup
from rig.run.assembly import Question

pytestmark = pytest.mark.fast

FORWARD, BACK = Outputs(pump_run=True), Outputs(pump_reverse=True)


def setup_of_size() -> Setup:
    setup = fill_of(rig_settings("vent"), Question("16.9-28")).setup
    # A band of ± 2 standard deviations of 10 L.
    return replace(setup, cavity=replace(setup.cavity, volume_l=400.0, low_l=380.0, high_l=420.0))


def test_near_the_valve_is_a_twentieth_of_the_cavity_to_either_side() -> None:
    setup = setup_of_size()
    for off, near in ((-1.02, False), (-0.98, True), (0.98, True), (1.02, False)):
        fraction = setup.cavity.fraction_at_valve + off * LEVEL_DOUBT
        filled = replace(setup, existing_l=fraction * 400.0)
        state = new_fill(filled)
        assert level(filled, state) == pytest.approx(fraction)
        assert below_valve(filled, state) == pytest.approx(-off * LEVEL_DOUBT)
        assert near_level(filled, state) is near


def test_where_the_gun_comes_off_an_open_valve_the_fill_ends_below_it_by_the_measured_cavity() -> None:
    """The hole is at 0.77 of the cavity, 0.015 are kept below it: 10 L were inside."""
    setup = replace(plain_setup(), target_l=290.0, existing_l=10.0)
    first = replace(setup, stop_order="gun off, then core back")
    state = plain_state(setup)
    smaller = replace(state, gas=replace(state.gas, found=Found(380.0, 0.01, 0.0)))
    assert goal_l(first, state) == 290.0
    assert goal_l(first, smaller) == pytest.approx((setup.cavity.fraction_at_valve - 0.015) * 380.0 - 10.0)
    assert goal_l(setup, smaller) == 290.0


def test_the_path_is_wet_with_a_full_hose_and_no_air_before_it() -> None:
    setup = plain_setup()
    assert hose_wet(setup, plain_state(setup))
    assert not hose_wet(setup, plain_state(setup, {"hose_l": 3.99}))
    assert not hose_wet(setup, plain_state(setup, {"suction_air_kpa_l": 0.1}))


def filled(share: float, setup: Setup, **state: object) -> FillState:
    """A tyre filled to a share of its cavity, whose valve hole is at 0.77 of it."""
    return plain_state(setup, {"pulses_forward": round(share * 40_000)}, **state)


def test_liquid_enters_at_an_open_valve_that_is_covered() -> None:
    setup = plain_setup()
    assert entering(setup, filled(0.70, setup)) == "air"
    assert entering(setup, filled(0.85, setup)) == "liquid"
    assert entering(setup, filled(0.85, setup, valve_open=False)) == "air"


@pytest.mark.parametrize(
    ("outputs", "hose_l", "air_l", "air"),
    [
        (FORWARD, 4.0, 0.5, True), (FORWARD, 0.0, 0.0, False), (BACK, 0.0, 0.5, True), (BACK, 0.1, 0.5, False),
        (BACK, 0.0, 0.0, False), (Outputs(), 4.0, 0.5, True),
    ],
)  # fmt: skip
def test_when_the_pump_moves_air(outputs: Outputs, hose_l: float, air_l: float, air: bool) -> None:
    setup = plain_setup()
    state = plain_state(setup, {"hose_l": hose_l, "suction_air_kpa_l": air_l * AIR}, outputs=outputs)
    assert air_at_pump(setup, state) is air


@pytest.mark.parametrize(
    ("state", "perhaps"),
    [
        ({"outputs": FORWARD}, False),
        ({"outputs": FORWARD, "alarms": Alarms(timers=(("air_pumped", 1.0),))}, True),
        ({"outputs": FORWARD, "alarms": Alarms(timers=(("no_rise", 1.0),))}, False),
        # 1.5 L of suction line at 0.6 L/s, and half as much again: 3.75 s.
        ({"outputs": FORWARD, "flags": frozenset({Flag.FLOW_WHILE_STOPPED}), "changed_s": 96.3}, True),
        ({"outputs": FORWARD, "flags": frozenset({Flag.FLOW_WHILE_STOPPED}), "changed_s": 96.2}, False),
        ({"outputs": FORWARD, "changed_s": 99.0}, False),
        ({"outputs": BACK}, False), ({"outputs": BACK, "flags": frozenset({Flag.NO_RISE})}, True),
        ({"outputs": BACK, "flags": frozenset({Flag.AIR_PUMPED})}, True),
        ({"outputs": BACK, "flags": frozenset({Flag.GAUGE_RESTLESS})}, False),
        ({"outputs": FORWARD, "flags": frozenset({Flag.NO_RISE})}, False),
    ],
)  # fmt: skip
def test_when_it_may_move_air_whatever_is_booked(state: dict[str, object], perhaps: bool) -> None:
    setup = plain_setup()
    assert perhaps_air(setup, plain_state(setup, **{"now_s": 100.0, **state})) is perhaps


def test_a_hose_emptied_by_time_may_hold_air_in_its_last_fifth_and_so_may_one_near_the_level() -> None:
    blind = plain_setup(meter={"reverse": "none"})
    assert perhaps_air(blind, plain_state(blind, {"hose_l": 0.8}, outputs=BACK))
    assert not perhaps_air(blind, plain_state(blind, {"hose_l": 0.81}, outputs=BACK))
    signed = plain_setup()
    assert not perhaps_air(signed, plain_state(signed, {"hose_l": 0.8}, outputs=BACK))
    assert perhaps_air(signed, filled(0.77, signed, outputs=BACK))
    assert not perhaps_air(signed, filled(0.77, signed, outputs=BACK, valve_open=False))
