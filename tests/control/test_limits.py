"""Every limit at its very value: silent just inside, telling just outside, and only where it is watched.

The limits are the configuration's, so the values to both sides of them are computed here from that.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import Change, both, is_, moment, of, reads, reads_of, seen
from virtual_fills import PSI, fill_of, rig_settings

from rig.control.belief.airspace import Found
from rig.control.belief.observe import Facts
from rig.control.safety.guards import GUARD_NAMED, GUARDS, conditions
from rig.control.safety.limits import LIMITS
from rig.control.words.flags import End
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading, Setup
from rig.run.assembly import Question


def relief(setup: Setup) -> float:
    return setup.line.relief_kpa + 3 * PSI


def allowed_l(setup: Setup, _: Facts) -> float:
    return setup.target_l + max(0.02 * setup.target_l, 0.5) + setup.meter.litres_per_pulse


def brim_l(setup: Setup, _: Facts) -> float:
    return 0.9 * setup.cavity.volume_l


FULL = Found(300.0, 3.0, 4.0)
"""A cavity of 300 L measured with 10 L at 95 %."""


def found_brim_l(setup: Setup, _: Facts) -> float:
    return 310.0 - 0.1 * setup.cavity.volume_l


LESS = is_(verdict="less", found=FULL, in_tyre_l=0.0)
FORWARD = Outputs(pump_run=True)
CASES: dict[str, tuple[str, Change, Change]] = {
    "emergency_stop": ("fill", reads(estop_ok=True), reads(estop_ok=False)),
    "field_lost": ("fill", reads(reachable=True), reads(reachable=False)),
    "both_directions": ("fill", reads(both_seen=False), reads(both_seen=True)),
    "pressure_high": (
        "fill", of("tyre_kpa", lambda s, _: s.trip_kpa, -0.01), of("tyre_kpa", lambda s, _: s.trip_kpa, 0.0),
    ),
    "pressure_high: an open valve only": (
        "flush", both(is_(valve_open=False), is_(tyre_kpa=900.0)), both(is_(valve_open=True), is_(tyre_kpa=900.0)),
    ),
    "line_high": ("fill", reads_of("raw_line_kpa", relief, -0.01), reads_of("raw_line_kpa", relief, 0.0)),
    "line_high: without smoothing": (
        "fill", both(reads(raw_line_kpa=None), reads_of("line_kpa", relief, -0.01)),
        both(reads(raw_line_kpa=None), reads_of("line_kpa", relief, 0.0)),
    ),
    "overfill": ("fill", of("in_tyre_l", allowed_l, 0.0), of("in_tyre_l", allowed_l, 0.01)),
    "overfill: the brim": ("fill", of("filled_l", brim_l, 0.0), of("filled_l", brim_l, 0.01)),
    "overfill: a smaller room": (
        "fill", both(LESS, of("filled_l", found_brim_l, 0.0)), both(LESS, of("filled_l", found_brim_l, 0.01)),
    ),
    "overfill: a room that fits": (
        "fill", both(LESS, is_(verdict="agrees"), of("filled_l", found_brim_l, 0.01)),
        both(LESS, of("filled_l", found_brim_l, 0.01)),
    ),
    "another_controller": ("fill", reads(elsewhere=frozenset()), reads(elsewhere=frozenset({"pump_run"}))),
    "off_unconfirmed": ("fill", reads(unconfirmed=frozenset()), reads(unconfirmed=frozenset({"pump_run"}))),
    "output_not_obeyed": ("fill", seen(), seen(pump_run=False)),
    "output_not_obeyed: the vent": ("fill", seen(), seen(vent_valve=True)),
    "output_not_obeyed: renewal": (
        "fill", both(seen(), reads(unrenewed=frozenset())), both(seen(), reads(unrenewed=frozenset({"pump_run"}))),
    ),
    "reverse_flow": ("fill", is_(flow_lps=-0.2 / 60), is_(flow_lps=-0.2 / 60 - 1e-6)),
    "reverse_flow: while drawing": ("draw", is_(flow_lps=0.2 / 60), is_(flow_lps=0.2 / 60 + 1e-6)),
    "reverse_flow: after coasting": (
        "fill", both(is_(flow_lps=-1.0), of("run_s", lambda s, _: s.line.coast_s, 0.0)),
        both(is_(flow_lps=-1.0), of("run_s", lambda s, _: s.line.coast_s, 0.01)),
    ),
    "reading_untrusted": (
        "fill", reads(untrusted=frozenset({"tote_level"})), reads(untrusted=frozenset({"meter_count"})),
    ),
    "reading_untrusted: gauge": ("fill", reads(untrusted=frozenset()), reads(untrusted=frozenset({"line_pressure"}))),
    "meter_jumped": ("fill", is_(meter_restarted=False), is_(meter_restarted=True)),
    "arrival_high": (
        "vent", both(is_(first_look=True, rests=True), of("tyre_kpa", lambda s, _: s.arrival_kpa, 0.0)),
        both(is_(first_look=True, rests=True), of("tyre_kpa", lambda s, _: s.arrival_kpa, 0.01)),
    ),
    "arrival_high: the first look": (
        "vent", is_(first_look=False, rests=True, tyre_kpa=900.0), is_(first_look=True, rests=True, tyre_kpa=900.0),
    ),
    "dry_run": ("draw", of("dry_s", lambda s, _: s.dry_run_s + 2, 0.0), of("dry_s", lambda s, _: s.dry_run_s + 2, 0.1)),
    "liquid_in_vent": ("vent", reads(liquid_in_vent=False), reads(liquid_in_vent=True)),
    "liquid_in_vent: while it vents": (
        "vent", both(reads(liquid_in_vent=True), is_(venting=False)), reads(liquid_in_vent=True),
    ),
    "flow_too_high": (
        "fill", of("slow_lps", lambda s, _: 1.3 * s.line.pump_lps, 0.0),
        of("slow_lps", lambda s, _: 1.3 * s.line.pump_lps, 1e-6),
    ),
    "flow_too_high: even flow": ("fill", is_(slow_lps=99.0, steady=False), is_(slow_lps=99.0, steady=True)),
    "strainer_fouled": (
        "fill", reads_of("strainer_kpa", lambda s: s.strainer_limit_kpa, -0.01),
        reads_of("strainer_kpa", lambda s: s.strainer_limit_kpa, 0.0),
    ),
    "tote_empty": ("fill", reads(tote_low=False, tote_l=900.0), reads(tote_low=True, tote_l=900.0)),
    "tote_empty: by level": (
        "fill", reads_of("tote_l", lambda s: s.heel_l, 0.01), reads_of("tote_l", lambda s: s.heel_l, 0.0),
    ),
    "tote_full": ("draw", reads(tote_full=False), reads(tote_full=True)),
    "run_over": (
        "fill", of("stroke_s", lambda s, _: 2 * s.stroke_s + 60, 0.0),
        of("stroke_s", lambda s, _: 2 * s.stroke_s + 60, 0.01),
    ),
    "output_timeout_lost": (
        "fill", reads_of("output_timeout_s", lambda s: s.timeout_s, 0.05),
        reads_of("output_timeout_s", lambda s: s.timeout_s, 0.06),
    ),
    "output_timeout_lost: none": ("fill", reads(output_timeout_s=0.5), reads(output_timeout_s=0.0)),
    "bus_late": ("fill", reads(late_s=0.7, bus_s=0.7), reads(late_s=0.71, bus_s=0.71)),
    "loop_late": ("fill", reads(late_s=0.71, bus_s=0.36), reads(late_s=0.71, bus_s=0.355)),
    "journal_behind": ("fill", reads(journal_lag_s=3.0), reads(journal_lag_s=3.01)),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_limit_holds_at_its_value(case: str) -> None:
    what, inside, outside = CASES[case]
    setup, facts = moment(what)
    condition = GUARD_NAMED[case.partition(":")[0]].condition
    assert not condition(setup, inside(setup, facts))
    assert condition(setup, outside(setup, facts))


def test_every_limit_has_a_case() -> None:
    assert {case.partition(":")[0] for case in CASES} == {guard.name for guard in LIMITS}


def test_trips_come_first_and_limits_before_conclusions() -> None:
    order = [(guard.action != "trip", guard not in LIMITS) for guard in GUARDS]
    assert order == sorted(order)


def test_a_limit_is_watched_in_a_scan_without_new_data_where_it_needs_none() -> None:
    setup, facts = moment("fill")
    reading = Reading(facts.reading.now_s, reachable=False, fresh=False, journal_lag_s=9.0)
    stale = replace(facts, reading=reading, state=State.RUNNING)
    state = fill_of(rig_settings(), Question("16.9-28")).run(until=lambda d: d.facts.forward).state
    assert [guard.name for guard in conditions(setup, stale, state.alarms)] == ["field_lost", "journal_behind"]


def test_a_coarse_gauge_may_read_further_above_the_relief_valve() -> None:
    """Three standard deviations of two readings' difference, beyond a usual gauge's 1 kPa at 95 % (GUM 5.1.2)."""
    setup, facts = moment("fill")
    coarse = replace(setup, line_gauge=replace(setup.line_gauge, u_kpa=setup.line_gauge.u_kpa + 10.0))
    line_high = GUARD_NAMED["line_high"].condition
    for above_kpa, trips in ((21.1, False), (21.3, True)):
        shown = reads(raw_line_kpa=relief(setup) + above_kpa)(coarse, facts)
        assert line_high(coarse, shown) is trips
        assert line_high(setup, shown)


@pytest.mark.parametrize(("hose_l", "open_s", "wet_s", "holds"), [
    (3.9, 0.0, 0.1, True), (12.0, 0.0, 1.9, False), (12.0, 0.0, 2.1, True), (12.0, 0.5, 1.4, False),
    (12.0, 0.5, 1.6, True),
])  # fmt: skip
def test_a_long_hose_that_a_vent_relieves_wets_it_for_a_moment(
    hose_l: float, open_s: float, wet_s: float, holds: bool
) -> None:
    """At 100 kPa 12 L of hose give 36 mL, 3.9 L give 12; what wets the vent for longer is the tyre's, shut or not."""
    setup, facts = moment("vent")
    setup = replace(setup, line=replace(setup.line, hose_l=hose_l))
    stroke = replace(facts.stroke, from_kpa=100.0)
    wet = replace(facts, reading=replace(facts.reading, liquid_in_vent=True), stroke=stroke, stroke_s=wet_s)
    if open_s:
        ended = replace(stroke, open_s=open_s, ended_by=End.TIME)
        wet = replace(wet, phase=Phase.SETTLE, venting=False, stroke=ended, stroke_s=wet_s)
    assert GUARD_NAMED["liquid_in_vent"].condition(setup, wet) is holds
