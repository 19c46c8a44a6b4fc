"""Rigs wired otherwise than the demonstration's, each said in the configuration: whole fills, held before."""

from __future__ import annotations

import tomllib

import pytest
from virtual_fills import CONFIG, GoesOn, Ran, fill_of, run_fill

from rig.control.snapshot import fill_record
from rig.control.witness import comparisons
from rig.run.assembly import Question
from rig.run.settings import settings_of

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


# --- a meter that air passes unseen ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["11.2-24", "16.9-28"])
@pytest.mark.parametrize("on_air", ["blind", "part"])
@pytest.mark.parametrize("reverse", ["signed", "unsigned", "none"])
@pytest.mark.parametrize("hose", [0.95, 1.0])
def test_a_draw_is_no_lack_of_flow_to_a_meter_that_does_not_see_air(
    size: str, on_air: str, reverse: str, hose: float
) -> None:
    ran = run_fill(size, "draw-down", meter__on_air=on_air, meter__reverse=reverse, sim__hose_volume_factor=hose)
    sound(ran)
    assert ran.rig.plant.extremes.lowest_tyre_kpa > 31.0, "the floor is 34.5 kPa, and the draw is not counted"


def test_a_blind_meter_that_stops_with_a_full_hose_is_still_no_flow() -> None:
    ran = run_fill("16.9-28", "draw-down", meter__on_air="blind", faults=["meter_dead@20"])
    assert ran.alarms


def test_the_magnetic_meter_of_the_example_draws_down_and_fills() -> None:
    document = tomllib.loads((CONFIG / "plc-tcp.toml").read_text(encoding="utf-8"))
    document["rig"]["simulated"] = True
    for at, name in enumerate(("hand_gun_on", "hand_valve_open")):
        document["points"][name] = {"link": "plc", "unit": 255, "table": "coil", "address": 520 + at}
    settings = settings_of(document, "plc-tcp.toml")
    fill = fill_of(settings, Question("16.9-28"))
    last = fill.run()
    record = fill_record(fill.setup, last.state)
    assert record["outcome"] == "complete", last.state.alarms
    truth_l = fill.rig.plant.tyre.liquid_l - fill.rig.plant.start_liquid_l
    net_l, u_l = record["net_l"], record["net_u_l"]
    assert isinstance(net_l, float)
    assert isinstance(u_l, float)
    assert abs(net_l - truth_l) <= u_l
    assert last.state.tally.air_untold_l > 0
