"""Rigs wired otherwise than the demonstration's, each said in the configuration: whole fills, held before."""

from __future__ import annotations

import pytest
from virtual_fills import GoesOn, Ran, run_fill

from rig.control.witness import comparisons

RATE = {"link": "io", "table": "input", "address": 40, "type": "f32", "quantity": "L/min"}
SMALL = "11.2-24"


def sound(ran: Ran) -> None:
    assert ran.record["outcome"] == "complete", ran.alarms
    assert not ran.alarms
    u_l = ran.record["net_u_l"]
    assert isinstance(u_l, float)
    assert abs(ran.net_l - ran.truth_l) <= u_l


# --- the flow rate of the same meter --------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize("damping", ["0.5 s", "2 s", "4 s"])
def test_the_damped_rate_of_the_same_meter_holds_no_sound_fill(layout: str, damping: str) -> None:
    sound(run_fill(SMALL, layout, points__flow_rate=RATE, sim__rate_lag=damping))


def test_the_rate_of_the_same_meter_is_no_witness_and_another_meters_is() -> None:
    for same, seen in ((["flow_rate"], False), ([], True)):
        ran = run_fill(SMALL, points__flow_rate=RATE, meter__same_meter=same)
        kinds = {each.reference for each in comparisons(ran.setup, ran.last.state)}
        assert ("rate" in kinds) is seen


def test_a_meter_that_counts_air_is_not_excused_by_its_own_rate() -> None:
    # A quarter of air in the suction line passes pulses and rate alike; a person goes on past whatever is told.
    ran = run_fill(
        "16.9-28", faults=["air_in_line@60"], points__flow_rate=RATE, points__tote_level=None, person=GoesOn()
    )
    u_l = ran.record["net_u_l"]
    assert isinstance(u_l, float)
    assert abs(ran.net_l - ran.truth_l) <= u_l


# --- a pump that reverses at another flow ---------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["11.2-24", "16.9-28"])
@pytest.mark.parametrize("back", ["90 L/min", "20 L/min"])
@pytest.mark.parametrize("reverse", ["signed", "none"])
def test_a_pump_that_reverses_at_another_flow_locks_no_job(size: str, back: str, reverse: str) -> None:
    ran = run_fill(size, "draw-down", pump__reverse_flow=back, meter__reverse=reverse)
    sound(ran)
