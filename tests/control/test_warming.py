"""What a scan's account and gauge say of the gas's temperature: compression heats, drawing and venting cool."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plain import AIR, plain_setup, plain_state

from rig.control.belief.gauges import Shown
from rig.control.belief.rest import Rest
from rig.control.belief.state import FillState, Stroke
from rig.control.belief.warming import awaited, crept, followed
from rig.control.belief.warmth import Warmth
from rig.control.words.changed import changed
from rig.control.words.flags import End
from rig.control.words.values import Outputs, Reading

SETUP = plain_setup(beside=())
FORWARD = Outputs(pump_run=True)
READING = Reading(100.0, line_kpa=100.0)


def resting(**fields: object) -> FillState:
    """100 L in a cavity of 400, at rest at 98.675 kPa, 200 absolute."""
    state = plain_state(SETUP, {"pulses_forward": 10_000}, **fields)
    return replace(state, gas=replace(state.gas, rest_kpa=98.675))


def theta(before: FillState, dt_s: float = 1e-6, **fields: object) -> float:
    """θ of the slowest transfer of heat after a scan too short for any."""
    gas = {name: fields.pop(name) for name in ("added_kpa_l",) if name in fields}
    booked = {name: fields.pop(name) for name in ("pulses_forward", "hose_l") if name in fields}
    after = changed(before, tally=changed(before.tally, **booked) if booked or gas else before.tally)
    after = changed(after, gas=changed(after.gas, **gas), **fields)
    return followed(SETUP, before, after, READING, dt_s).gas.warmth.theta[-1]


def adiabatic(density: float) -> float:
    """T ∝ density^(γ − 1) without loss of heat (any textbook), γ = 1.4."""
    return float(density**0.4) - 1


def test_liquid_that_takes_up_room_compresses_the_gas() -> None:
    """3 L into 300 L of air: 1 % of what is left, 297."""
    assert theta(resting(), pulses_forward=10_300) == pytest.approx(adiabatic(1 + 3 / 297), rel=1e-4)
    assert theta(resting(), pulses_forward=9_700) == pytest.approx(adiabatic(1 - 3 / 303), rel=1e-4)
    assert theta(resting()) == 0.0


def test_air_that_is_pushed_in_counts_by_its_volume_at_the_tyre_s_pressure() -> None:
    """600 kPa·L at 200 kPa are 3 L more in the 300."""
    assert theta(resting(), added_kpa_l=600.0) == pytest.approx(adiabatic(1.01), rel=1e-4)
    assert theta(resting(), added_kpa_l=-600.0) == pytest.approx(adiabatic(0.99), rel=1e-4)
    unknown = replace(resting(), gas=replace(resting().gas, rest_kpa=None))
    assert theta(unknown, added_kpa_l=3 * AIR) == pytest.approx(adiabatic(1.01), rel=1e-4)


def test_a_tyre_that_is_nearly_full_has_a_fiftieth_of_air_and_no_gas_halves_twice() -> None:
    full = plain_state(SETUP, {"pulses_forward": 39_900})
    assert theta(full, pulses_forward=40_000) == pytest.approx(adiabatic(1 + 1 / 8), rel=1e-4)
    assert theta(resting(), added_kpa_l=-200.0 * 290) == pytest.approx(adiabatic(0.5), rel=1e-4)


def test_heat_goes_with_time_and_nothing_is_followed_behind_a_shut_valve_or_in_a_vessel() -> None:
    warm = replace(resting(), gas=replace(resting().gas, warmth=Warmth(theta=(0.0, 0.05, 0.05, 0.05, 0.05))))
    assert 0.0 < theta(warm, dt_s=10.0) < 0.045
    shut = changed(warm, valve_open=False)
    assert followed(SETUP, warm, shut, READING, 10.0) is shut
    assert followed(SETUP, warm, warm, READING, 0.0) is warm
    can = plain_setup(beside=(), into="open vessel")
    assert followed(can, warm, warm, READING, 10.0) is warm


def test_a_vent_is_kept_until_a_rest_shows_how_far_the_gas_has_expanded() -> None:
    venting = resting(outputs=Outputs(vent_valve=True))
    state = followed(SETUP, venting, venting, READING, 0.5)
    assert state.gas.warmth.let_out_kpa == pytest.approx(200.0)
    assert (state.gas.warmth.let_out_s, state.gas.warmth.let_out_until_s) == (0.5, 100.0)
    unknown = plain_state(SETUP, outputs=Outputs(vent_valve=True), stroke=Stroke(from_kpa=50.0))
    assert followed(SETUP, unknown, unknown, READING, 0.5).gas.warmth.let_out_kpa == pytest.approx(50.0 + AIR)
    rests = crept(SETUP, changed(state, now_s=101.0, outputs=Outputs()), 20.0, shown())
    assert rests.warmth.let_out_kpa is None
    assert -0.2 < rests.warmth.theta[-1] < -0.02


def shown(slope: float = 0.0, span_s: float = 3.0) -> Shown:
    return Shown(Rest(100.0, 0.1, slope, 0.05, span_s, 0.01, 5), rests=True)


def test_a_slope_at_rest_is_a_measurement_once_for_each_window() -> None:
    """A pressure that rises by 0.5 kPa/s at 200 kPa is that of a gas that warms."""
    state = changed(resting(), now_s=100.0)
    first = crept(SETUP, state, 98.675, shown(0.5))
    assert first.warmth.measured_s == 100.0
    assert first.warmth.best < -0.005
    falls = crept(SETUP, state, 98.675, shown(-0.5))
    assert falls.warmth.best > 0.005
    soon = changed(state, gas=first, now_s=102.9)
    assert crept(SETUP, soon, 98.675, shown(0.5)) is first
    later = changed(state, gas=first, now_s=103.0)
    assert crept(SETUP, later, 98.675, shown(0.5)).warmth.measured_s == 103.0


@pytest.mark.parametrize(
    ("fields", "kpa", "found"), [({"valve_open": False}, 50.0, True), ({}, -AIR, True), ({}, 50.0, False)]
)
def test_without_a_tyre_s_pressure_at_rest_there_is_none(fields: dict[str, object], kpa: float, found: bool) -> None:
    state = changed(resting(), now_s=100.0, **fields)
    assert crept(SETUP, state, kpa, shown(0.5) if found else Shown()) is state.gas


def waits(best: float = 0.0, sd: float = 0.0, waited_s: float = 10.0, ended_by: End = End.TARGET) -> bool:
    warmth = Warmth(theta=(best,) * 5, sd=(sd,) * 5)
    state = changed(resting(), gas=changed(resting().gas, warmth=warmth), stroke=Stroke(ended_by=ended_by))
    return awaited(SETUP, state, 98.675, waited_s)


def test_a_temperature_is_awaited_while_it_hides_more_than_a_usual_gauge_s_uncertainty() -> None:
    """A kilopascal of 200: half a per cent of the absolute temperature, or an uncertainty of as much."""
    assert not waits(0.0048)
    assert waits(0.0052)
    assert waits(-0.0052)
    assert not waits(sd=0.0024)
    assert waits(sd=0.0026)
    assert waits(0.05, waited_s=89.9)
    assert not waits(0.05, waited_s=90.0)
    assert not waits(0.05, ended_by=End.CEILING)
    assert not waits(0.05, ended_by=End.NOT_YET)
