"""The pressure that limits see: which instrument gives it in each state of pump, valve and hose."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plain import plain_setup, plain_state
from virtual_fills import PSI

from rig.control.belief.acting import acting_kpa, through_line
from rig.control.belief.flow import Flow
from rig.control.belief.pressure import Band
from rig.control.belief.state import FillState
from rig.control.words.procedure import Phase
from rig.control.words.values import Outputs, Reading, Setup
from rig.plan.physics import air_loss_kpa, line_loss_kpa

SETUP = plain_setup()
FINE = Flow(((0.0, 0), (10.0, 500)), 50.0, 50.0)
READING = Reading(100.0, line_kpa=80.0)
GAS, LINE = Band(60.0, 65.0, 70.0), Band(50.0, 75.0, 90.0)
HEAD_KPA = 5.884
"""0.6 m of water."""


def shown(
    state: FillState,
    reading: Reading = READING,
    gas: Band | None = GAS,
    line: Band | None = LINE,
    *,
    rests: bool = False,
) -> float | None:
    return acting_kpa(SETUP, state, reading, gas, line, 0.0, rests=rests)


def test_at_rest_it_is_the_gauge_less_the_column() -> None:
    state = plain_state(SETUP)
    assert shown(state, rests=True) == pytest.approx(80.0 - HEAD_KPA, abs=0.001)
    assert shown(replace(state, outputs=Outputs(vent_valve=True)), rests=True) == 75.0, "it falls while it is let out"


def test_in_flow_it_is_the_larger_estimate() -> None:
    state = plain_state(SETUP, outputs=Outputs(pump_run=True))
    assert shown(state) == 75.0
    assert shown(state, gas=Band(60.0, 76.0, 90.0)) == 76.0
    assert shown(state, gas=None) == 75.0
    assert shown(state, line=None) == 65.0
    assert shown(state, gas=None, line=None) is None
    assert shown(replace(state, valve_open=False)) is None


@pytest.mark.parametrize(
    ("line_kpa", "phase", "known"),
    [(-0.71 * PSI, Phase.SHUT, False), (-0.69 * PSI, Phase.SHUT, True), (-9.0, Phase.SETTLE, True)],
)
def test_a_hose_that_keeps_its_vacuum_shows_no_tyre_once_the_valve_is_being_shut(
    line_kpa: float, phase: Phase, known: bool
) -> None:
    state = plain_state(SETUP, {"hose_l": 0.0}, phase=phase)
    assert (shown(state, Reading(100.0, line_kpa=line_kpa), rests=True) is not None) is known


def drawing(**fields: object) -> FillState:
    usual = {"outputs": Outputs(pump_reverse=True), "regime_s": 98.0, "flow": Flow((), -50.0, -50.0)}
    return plain_state(SETUP, {"hose_l": 0.0}, **{**usual, **fields})


def test_while_air_is_drawn_it_is_the_gauge_and_never_more_than_the_air_space_allows() -> None:
    assert shown(drawing(), Reading(100.0, line_kpa=40.0)) == 40.0
    assert shown(drawing()) == 70.0
    assert shown(drawing(), gas=None) == 80.0
    assert shown(drawing(), Reading(100.0)) == 75.0, "without a gauge"
    assert shown(drawing(regime_s=98.1), Reading(100.0, line_kpa=40.0)) == 75.0, "the hose's liquid has just left"
    assert shown(drawing(regime_s=98.1), Reading(100.0, line_kpa=40.0), gas=None) == 40.0
    wet = plain_state(SETUP, outputs=Outputs(pump_reverse=True), regime_s=90.0)
    assert shown(wet, Reading(100.0, line_kpa=40.0)) == 75.0


def test_a_measured_bore_s_loss_of_air_counts_by_four_fifths() -> None:
    """0.5 L/s of air from 40 kPa: what is certain of its loss is added."""
    kpa = shown(drawing(loss_known=True, loss_gain=1.5), Reading(100.0, line_kpa=40.0))
    loss_kpa = air_loss_kpa(SETUP.line, 0.5, 40.0)
    assert loss_kpa > 0.05
    assert kpa == pytest.approx(40.0 + 0.8 * 1.5 * loss_kpa)
    assert shown(drawing(loss_known=True, loss_gain=9.0), Reading(100.0, line_kpa=69.9)) == 70.0
    unbound = shown(drawing(loss_known=True, loss_gain=1.5), Reading(100.0, line_kpa=40.0), gas=None)
    assert unbound == pytest.approx(40.0 + 0.8 * 1.5 * loss_kpa)


def lost(state: FillState, setup: Setup = SETUP, flows: tuple[float, float] = (0.5, 0.4)) -> tuple[bool, float]:
    band, loss_kpa = through_line(setup, state, READING, flows, 0.0)
    return band is not None, loss_kpa


def test_the_line_s_loss_is_that_of_the_even_flow_by_what_rests_have_measured() -> None:
    state = plain_state(SETUP, outputs=Outputs(pump_run=True), regime_s=90.0, flow=FINE, loss_gain=1.5)
    loss_kpa = 1.5 * line_loss_kpa(SETUP.line, 0.4)
    assert lost(state) == (True, pytest.approx(loss_kpa))
    band, _ = through_line(SETUP, state, READING, (0.5, 0.4), 0.0)
    assert band is not None
    assert band.best == pytest.approx(80.0 - HEAD_KPA - loss_kpa, abs=0.001)
    coarse = Flow(((0.0, 0), (10.0, 20)), 2.0, 2.0)
    assert lost(replace(state, flow=coarse)) == (False, pytest.approx(loss_kpa))
    assert lost(replace(state, tally=replace(state.tally, hose_l=3.9))) == (False, pytest.approx(loss_kpa))


@pytest.mark.parametrize(("regime_s", "shows"), [(97.79, True), (97.81, False), (50.0, True)])
def test_it_is_told_from_two_seconds_after_the_pump_has_started(regime_s: float, shows: bool) -> None:
    """Its lag is 0.2 s."""
    state = plain_state(SETUP, outputs=Outputs(pump_run=True), regime_s=regime_s, flow=FINE)
    assert (lost(state) != (False, 0.0)) is shows
    assert lost(state, plain_setup(meter={"kind": "run time"})) == (False, 0.0), "that flow is entered, not measured"
