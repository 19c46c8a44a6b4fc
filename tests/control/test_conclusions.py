"""Conclusions that have a value of their own: silent just inside, telling just outside.

What compares gauge and air space is tested in ``test_residuals.py``, movement with all off in ``test_unasked.py``.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from moments import Change, both, is_, moment, of, reads
from virtual_fills import PSI

from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.state import Stroke
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.flags import End
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.plan.physics import air_loss_kpa


def stroke(**values: object) -> Change:
    return lambda _, facts: replace(facts, stroke=_changed(facts, values))


def _changed(facts: Facts, values: dict[str, object]) -> object:
    return type(facts.stroke)(**{**facts.stroke.__dict__, **values})


def band(low: float, high: float | None = None) -> Band:
    return Band(low, low if high is None else (low + high) / 2, low if high is None else high)


def drawn_kpa(setup: Setup, facts: Facts) -> float:
    """Where the gauge stands while air is drawn from 100 kPa, 3 psi of liquid's loss below that."""
    return 100.0 - 3 * PSI - air_loss_kpa(setup.line, facts.flow_lps, 100.0)


def line(by: float) -> Change:
    return lambda setup, facts: reads(line_kpa=drawn_kpa(setup, facts) + by)(setup, facts)


def patience_s(setup: Setup, facts: Facts) -> float:
    """Four pulses at half of the last stroke's flow, or at 0.03 L/s, or two seconds."""
    slowest_lps = max(0.03, 0.5 * facts.stroke.stop_flow_lps)
    return max(2.0, 4 * setup.meter.litres_per_pulse / slowest_lps)


AT_REST = is_(valve_open=True, forward=False, reverse=False, venting=False, rests=True, phase=Phase.SETTLE)
DRAWS = is_(valve_open=True, reverse=True, air_at_pump=True, phase=Phase.DRAW_DOWN, flow_lps=-0.5, gas=band(100.0))
LOW = is_(valve_open=True, rests=True, reverse=False, forward=False, phase=Phase.SETTLE)
STOOD = is_(run_s=10.0, gauge_age_s=10.1)
AIRY = is_(
    valve_open=False, flushed_l=0.0, rests=True, stroke_s=99.0, flush_air_l=1.0, stroke=Stroke(calm_gauge_kpa=80.0)
)
"""A reverse behind a shut valve, from 80 kPa, with a litre of air in the hose of 3.9 L."""
CASES: dict[str, tuple[str, Change, Change]] = {
    "bead_lost: a sealed tyre at nothing": (
        "fill",
        both(AT_REST, is_(tyre_kpa=0.0, gas=band(1.2 * PSI))),
        both(AT_REST, is_(tyre_kpa=0.0, gas=band(1.21 * PSI))),
    ),
    "bead_lost: a hand's breadth above nothing": (
        "fill",
        both(AT_REST, is_(tyre_kpa=0.5 * PSI, gas=band(2.5 * PSI))),
        both(AT_REST, is_(tyre_kpa=0.5 * PSI, gas=band(2.51 * PSI))),
    ),
    "bead_lost: what still shows a tyre": (
        "fill",
        both(AT_REST, is_(tyre_kpa=0.7 * PSI, gas=band(90.0))),
        both(AT_REST, is_(tyre_kpa=0.69 * PSI, gas=band(90.0))),
    ),
    "bead_lost: a vacuum that is gone": (
        "draw",
        both(DRAWS, is_(rests=False, tyre_kpa=0.0, gas=band(-30.0, -1.5 * PSI))),
        both(DRAWS, is_(rests=False, tyre_kpa=0.0, gas=band(-30.0, -1.51 * PSI))),
    ),
    "bead_lost: below nothing only a hose at rest": (
        "draw",
        both(DRAWS, is_(rests=False, tyre_kpa=-PSI, gas=band(90.0))),
        both(DRAWS, is_(rests=True, tyre_kpa=-PSI, gas=band(90.0))),
    ),
    "bead_lost: a vacuum that is held": (
        "draw",
        both(DRAWS, is_(rests=False, tyre_kpa=-20.0, gas=band(-30.0, -25.0))),
        both(DRAWS, is_(rests=False, tyre_kpa=-0.69 * PSI, gas=band(-30.0, -25.0))),
    ),
    "bead_lost: by air's loss a narrow bore may take": (
        "draw",
        both(DRAWS, is_(rests=False, tyre_kpa=0.0, flow_lps=-30.0, gas=band(9.0))),
        both(DRAWS, is_(rests=False, tyre_kpa=0.0, flow_lps=-0.1, gas=band(9.0))),
    ),
    "bead_lost: not while liquid flows": (
        "fill",
        both(AT_REST, is_(forward=True, tyre_kpa=0.0, gas=band(90.0))),
        both(AT_REST, is_(tyre_kpa=0.0, gas=band(90.0))),
    ),
    "bead_lost: not while it vents": (
        "fill",
        both(AT_REST, is_(venting=True, tyre_kpa=0.0, gas=band(90.0))),
        both(AT_REST, is_(tyre_kpa=0.0, gas=band(90.0))),
    ),
    "bead_lost: resumed without a rest": (
        "fill",
        both(AT_REST, is_(tyre_kpa=0.0, gas=None), stroke(held_kpa=1.2 * PSI)),
        both(AT_REST, is_(tyre_kpa=0.0, gas=None), stroke(held_kpa=1.21 * PSI)),
    ),
    "insert_not_seated": (
        "flush",
        is_(valve_open=False, flushed_l=0.2),
        is_(valve_open=False, flushed_l=0.2001),
    ),
    "insert_not_seated: pressure": (
        "flush",
        both(is_(valve_open=False, flushed_l=0.0, rests=True, stroke_s=99.0), reads(line_kpa=PSI)),
        both(is_(valve_open=False, flushed_l=0.0, rests=True, stroke_s=99.0), reads(line_kpa=PSI + 0.01)),
    ),
    "insert_not_seated: once settled": (
        "flush",
        both(
            is_(valve_open=False, flushed_l=0.0, rests=True),
            reads(line_kpa=90.0),
            of("stroke_s", lambda s, _: s.flush_s + s.settle_s - 1.0, 0.0),
        ),
        both(
            is_(valve_open=False, flushed_l=0.0, rests=True),
            reads(line_kpa=90.0),
            of("stroke_s", lambda s, _: s.flush_s + s.settle_s - 1.0, 0.01),
        ),
    ),
    "insert_not_seated: air in the hose": (
        "flush",
        both(AIRY, is_(flushed_l=0.2 + 3.9)),
        both(AIRY, is_(flushed_l=0.2001 + 3.9)),
    ),
    "insert_not_seated: a bubble in the hose": (
        # 0.1 L and a twentieth of the hose's 3.9, from 80 to 30 kPa of gauge, by Boyle's law.
        "flush",
        both(AIRY, reads(line_kpa=30.0), is_(flush_air_l=0.1, flushed_l=0.199 + 0.295 * 50.0 / 131.3, rests=False)),
        both(AIRY, reads(line_kpa=30.0), is_(flush_air_l=0.1, flushed_l=0.201 + 0.295 * 50.0 / 131.3, rests=False)),
    ),
    "insert_not_seated: pressure of that air": (
        "flush",
        both(AIRY, reads(line_kpa=40.0)),
        both(AIRY, reads(line_kpa=40.01)),
    ),
    "no_flow": ("fill", of("unmoved_s", patience_s, 0.0), of("unmoved_s", patience_s, 0.01)),
    "no_flow: after a fast stroke": (
        "fill",
        both(stroke(stop_flow_lps=0.9), is_(unmoved_s=2.0)),
        both(stroke(stop_flow_lps=0.9), is_(unmoved_s=2.01)),
    ),
    "no_flow: a tyre that gives nothing": (
        "fill",
        both(is_(phase=Phase.EMPTY), stroke(barren=1)),
        both(is_(phase=Phase.EMPTY), stroke(barren=2)),
    ),
    "no_progress": ("fill", stroke(barren=2), stroke(barren=3)),
    "cavity_differs": ("fill", is_(verdict="agrees"), is_(verdict="less")),
    "gauge_restless": ("fill", is_(restless=False), is_(restless=True)),
    "gauge_restless: an open valve": (
        "fill",
        is_(restless=True, valve_open=False),
        is_(restless=True, valve_open=True),
    ),
    "measures_differ": ("fill", is_(contradicted=False), is_(contradicted=True)),
    "valve_covered": ("fill", stroke(wants_air=False), stroke(wants_air=True)),
    "nothing_drawn": ("fill", stroke(nothing_came=False), stroke(nothing_came=True)),
    "liquid_drawn": ("draw", both(DRAWS, line(0.01)), both(DRAWS, line(-0.01))),
    "liquid_drawn: only while it flows": (
        "draw",
        both(DRAWS, is_(flow_lps=0.0), reads(line_kpa=-50.0)),
        both(DRAWS, reads(line_kpa=-50.0)),
    ),
    "liquid_drawn: by the rest after it": (
        "draw",
        both(is_(phase=Phase.SETTLE), stroke(liquid_came=False)),
        both(is_(phase=Phase.SETTLE), stroke(liquid_came=True)),
    ),
    "pressure_low": (
        "fill",
        both(LOW, stroke(ended_by=End.TIME, goal_kpa=20.0), is_(tyre_kpa=20.0 - 2 * PSI)),
        both(LOW, stroke(ended_by=End.TIME, goal_kpa=20.0), is_(tyre_kpa=19.99 - 2 * PSI)),
    ),
    "pressure_low: never below a psi of vacuum": (
        "fill",
        both(LOW, stroke(ended_by=End.FLOOR, goal_kpa=0.0), is_(tyre_kpa=-PSI)),
        both(LOW, stroke(ended_by=End.FLOOR, goal_kpa=0.0), is_(tyre_kpa=-1.01 * PSI)),
    ),
    "pressure_low: only what let air out": (
        "fill",
        both(LOW, stroke(ended_by=End.TARGET, goal_kpa=20.0), is_(tyre_kpa=-30.0)),
        both(LOW, stroke(ended_by=End.UNSURE, goal_kpa=20.0), is_(tyre_kpa=-30.0)),
    ),
    "pressure_low: while air is drawn": (
        "draw",
        both(DRAWS, stroke(goal_kpa=20.0), is_(tyre_kpa=20.0 - 2 * PSI), line(0.01)),
        both(DRAWS, stroke(goal_kpa=20.0), is_(tyre_kpa=19.99 - 2 * PSI), line(0.01)),
    ),
    "pressure_low: not by liquid's loss": (
        "draw",
        both(DRAWS, stroke(goal_kpa=20.0), is_(tyre_kpa=-30.0), line(-0.01)),
        both(DRAWS, stroke(goal_kpa=20.0), is_(tyre_kpa=-30.0), line(0.01)),
    ),
    "air_gone: at the rest after a draw": (
        "fill",
        both(LOW, stroke(ended_by=End.FLOOR), is_(gas=band(90.0), tyre_kpa=90.1 - 3 * PSI)),
        both(LOW, stroke(ended_by=End.FLOOR), is_(gas=band(90.0), tyre_kpa=89.9 - 3 * PSI)),
    ),
    "air_gone: not after a stroke of liquid": (
        "fill",
        both(LOW, stroke(ended_by=End.TARGET), is_(gas=band(90.0), tyre_kpa=10.0)),
        both(LOW, stroke(ended_by=End.DRY_LIMIT), is_(gas=band(90.0), tyre_kpa=10.0)),
    ),
    "air_gone: only at rest": (
        "fill",
        both(LOW, stroke(ended_by=End.FLOOR), is_(rests=False, gas=band(90.0), tyre_kpa=10.0)),
        both(LOW, stroke(ended_by=End.FLOOR), is_(gas=band(90.0), tyre_kpa=10.0)),
    ),
    "gauge_stuck: from the start of a draw": (
        "draw",
        both(DRAWS, STOOD, stroke(from_kpa=100.0 + 1.5 * PSI - 0.1)),
        both(DRAWS, STOOD, stroke(from_kpa=100.0 + 1.5 * PSI + 0.1)),
    ),
    "no_flow: while the hose's liquid comes back": (
        "draw",
        both(DRAWS, is_(unmoved_s=90.0, phase=Phase.BACK_FLUSH)),
        both(DRAWS, is_(unmoved_s=90.0)),
    ),
    "pressure_low: before the insert is put back": (
        "fill",
        both(is_(phase=Phase.SHUT), stroke(drawn_out=False)),
        both(is_(phase=Phase.SHUT), stroke(drawn_out=True)),
    ),
    "air_stays": ("fill", both(AT_REST, stroke(air_stayed=False)), both(AT_REST, stroke(air_stayed=True))),
}


@pytest.mark.parametrize("case", CASES)
def test_a_conclusion_is_drawn_at_its_value(case: str) -> None:
    what, inside, outside = CASES[case]
    setup, facts = moment(what)
    condition = GUARD_NAMED[case.partition(":")[0]].condition
    assert not condition(setup, inside(setup, facts))
    assert condition(setup, outside(setup, facts))
