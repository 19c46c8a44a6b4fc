"""Every state, phase, request and condition through ``decide``: nothing raised, nothing moving unless it runs.

Small things are enumerated whole: states × phases × requests × (no condition, each one, each pair). The rows of the
guards are shown to act alone: a row is made true by the listed changes and false again by taking back any single one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from itertools import combinations
from typing import get_args

import pytest
from virtual_fills import Nobody, fill_of, rig_settings

from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.belief.state import FillState
from rig.control.moves.decide import Decision, decide
from rig.control.safety import guards
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED, GUARDS, WATCHED, by_scope
from rig.control.safety.permissives import PERMISSIVES, open_checks
from rig.control.words.flags import End
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading, Request, RequestKind, Setup
from rig.run.assembly import Question

PSI = 6.894757
KINDS: tuple[RequestKind | None, ...] = (None, *get_args(RequestKind))
Change = Callable[[Reading], Reading]
CONDITIONS: dict[str, Change] = {
    "unreachable": lambda r: replace(r, reachable=False),
    "nothing new": lambda r: replace(r, fresh=False),
    "meter untrusted": lambda r: replace(r, untrusted=frozenset({"meter_count"}), counts=(None,) * len(r.counts)),
    "gauge untrusted": lambda r: replace(r, untrusted=frozenset({"line_pressure"}), line_kpa=None),
    "emergency stop": lambda r: replace(r, estop_ok=False),
    "stop button": lambda r: replace(r, stop_pressed=True),
    "both directions": lambda r: replace(r, both_seen=True, outputs_seen=None),
    "disobeyed": lambda r: replace(r, outputs_seen=Outputs(vent_valve=True)),
    "line far too high": lambda r: replace(r, line_kpa=900.0),
    "line below": lambda r: replace(r, line_kpa=-90.0),
    "count jumps": lambda r: replace(r, counts=((r.counts[0] or 0) + 500_000, *r.counts[1:])),
    "count falls": lambda r: replace(r, counts=((r.counts[0] or 0) - 60, *r.counts[1:])),
    "count rises": lambda r: replace(r, counts=((r.counts[0] or 0) + 60, *r.counts[1:])),
    "tote empty": lambda r: replace(r, tote_l=0.0),
    "time-out lost": lambda r: replace(r, output_timeout_s=0.0),
    "late": lambda r: replace(r, late_s=9.0),
    "disk fails": lambda r: replace(r, journal_lag_s=float("inf")),
    "strainer": lambda r: replace(r, strainer_kpa=90.0),
    "vent wet": lambda r: replace(r, liquid_in_vent=True),
    "nothing wired": lambda r: Reading(r.now_s),
}
TRIPS = {"unreachable", "emergency stop", "both directions"}


@cache
def _filling(layout: str = "vent", size: str = "11L-15") -> tuple[Setup, Decision, Reading]:
    fill = fill_of(rig_settings(layout, tote__fluid="water"), Question(size, fluid="water"))
    last = fill.run(until=lambda d: d.state.phase is Phase.FILL and d.state.fills > 1 and d.facts.line is not None)
    fill.rig.advance(0.1)
    return fill.setup, last, fill.rig.scan()


def _vectors() -> Iterator[tuple[str, ...]]:
    for size in (0, 1, 2):
        yield from combinations(CONDITIONS, size)


def _places(state: FillState) -> Iterator[FillState]:
    for each in State:
        for phase in Phase:
            running = each is State.RUNNING
            yield replace(
                state,
                state=each,
                phase=phase,
                outputs=state.outputs if running and phase is Phase.FILL else Outputs(),
                valve_open=phase not in (Phase.BACK_FLUSH, Phase.UNCOUPLE),
            )


@pytest.mark.full
@pytest.mark.parametrize("layout", ["vent", "draw-down"])
def test_nothing_is_raised_and_only_a_running_fill_moves(layout: str) -> None:
    setup, last, reading = _filling(layout)
    count = 0
    for vector in _vectors():
        seen = reading
        for name in vector:
            seen = CONDITIONS[name](seen)
        # Pairs are tried without a request and with the two that matter most; fewer conditions with every kind.
        kinds = KINDS if len(vector) < 2 else (None,)
        for state in _places(last.state):
            for kind in kinds:
                requests = [] if kind is None else [Request("new", kind, "gun_off", "jo")]
                _judge(setup, state, seen, requests, vector)
                count += 1
    places = len(State) * len(Phase)
    n = len(CONDITIONS)
    assert count == places * ((1 + n) * len(KINDS) + n * (n - 1) // 2)


def _judge(setup: Setup, state: FillState, seen: Reading, requests: list[Request], vector: tuple[str, ...]) -> None:
    decision = decide(setup, state, seen, requests)
    where = (state.state, state.phase, [r.kind for r in requests], vector)
    moving = decision.outputs.moving
    assert not moving or decision.state.state is State.RUNNING, where
    assert not (decision.outputs.pump_run and decision.outputs.pump_reverse), where
    if requests and requests[0].kind in ("stop", "hold"):
        assert not moving, where
    live = state.state in (State.RUNNING, State.HOLDING, State.HELD, State.RESTARTING)
    fresh = "nothing new" not in vector and "nothing wired" not in vector
    if live and TRIPS & set(vector) and fresh and "nothing wired" not in vector:
        assert decision.state.state is State.ABORTING, where
        assert decision.state.alarms.first_out in GUARD_NAMED, where


def _healthy() -> tuple[Setup, Facts]:
    setup, last, _ = _filling("vent", "16.9-28")
    return setup, last.facts


def _reads(**changes: object) -> Callable[[Facts], Facts]:
    return lambda facts: replace(facts, reading=replace(facts.reading, **changes))  # type: ignore[arg-type]


def _is(**changes: object) -> Callable[[Facts], Facts]:
    return lambda facts: replace(facts, **changes)  # type: ignore[arg-type]


def _stroke(**changes: object) -> Callable[[Facts], Facts]:
    return lambda facts: replace(facts, stroke=replace(facts.stroke, **changes))  # type: ignore[arg-type]


RUNS, HELD = _is(state=State.RUNNING), _is(state=State.HELD)
OFF = Outputs()
# Each row: the changes that make it true in a healthy filling scan, and single changes that make it false again.
ALONE: dict[str, tuple[list[Callable[[Facts], Facts]], list[Callable[[Facts], Facts]]]] = {
    "emergency_stop": ([_reads(estop_ok=False)], [_reads(estop_ok=None)]),
    "field_lost": ([_reads(reachable=False)], []),
    "both_directions": ([_reads(both_seen=True)], []),
    "pressure_high": ([_is(tyre_kpa=172.5)], [_is(valve_open=False), _is(tyre_kpa=None), _is(tyre_kpa=172.0)]),
    "line_high": ([_reads(line_kpa=33.1 * PSI)], [_reads(line_kpa=None), _reads(line_kpa=32.9 * PSI)]),
    "overfill": ([_is(in_tyre_l=1e3)], [_is(state=State.COMPLETE)]),
    "another_controller": ([_reads(elsewhere=frozenset({"pump_run"}))], []),
    "off_unconfirmed": ([_reads(unconfirmed=frozenset({"vent_valve"}))], []),
    "output_not_obeyed": ([_reads(outputs_seen=OFF)], [_reads(outputs_seen=None), _is(outputs=OFF)]),
    "flow_while_stopped": ([_is(stray_l=0.1)], [_is(state=State.IDLE)]),
    "reverse_flow": ([_is(flow_lps=-0.1)], [_is(forward=False), _is(run_s=0.5)]),
    "bead_lost": (
        [_is(forward=False), _is(rests=True), _is(tyre_kpa=0.0)],
        [_is(valve_open=False), _is(gas=None), _is(tyre_kpa=None), _is(venting=True), _is(gas=Band(1.0, 2.0, 3.0))],
    ),
    "reading_untrusted": ([_reads(untrusted=frozenset({"meter_count"}))], [_is(state=State.IDLE)]),
    "gauge_stuck": ([_is(gauge_age_s=9.0)], [HELD, _is(valve_open=False), _is(wet=False), _is(run_s=1.0)]),
    "meter_jumped": ([_is(meter_restarted=True)], [_is(state=State.IDLE)]),
    "no_flow": ([_is(unmoved_s=9.0)], [HELD, _is(forward=False)]),
    "no_rise": (
        [_stroke(watch_l=0.0, watch_line_kpa=90.0, watch_gas_kpa=0.0), _is(in_tyre_l=90.0)],
        [HELD, _is(steady=False), _is(line=None), _is(phase=Phase.VENT), _is(line=Band(240.0, 250.0, 260.0))],
    ),
    "estimates_disagree": (
        [_is(gas=Band(-9.0, -8.0, -7.0))],
        [HELD, _is(steady=False), _is(line=None), _is(gas=None), _is(phase=Phase.VENT)],
    ),
    "cavity_differs": ([_is(verdict="less")], [HELD]),
    "air_stays": ([_is(phase=Phase.SETTLE), _stroke(air_stayed=True)], [HELD]),
    "air_pumped": (
        [_is(loss_kpa=1e3)],
        [HELD, _is(loss_known=False), _is(steady=False), _is(gas=None), _reads(line_kpa=None), _is(loss_kpa=2.0)],
    ),
    "air_gone": (
        [_is(phase=Phase.SETTLE), _is(rests=True), _stroke(ended_by=End.FLOOR), _is(tyre_kpa=1.0)],
        [HELD, _is(gas=None), _is(tyre_kpa=None)],
    ),
    "arrival_high": (
        [_is(phase=Phase.SETTLE), _is(first_look=True), _is(rests=True), _is(tyre_kpa=120.0)],
        [HELD, _is(first_look=False), _is(rests=False), _is(tyre_kpa=None), _is(tyre_kpa=90.0)],
    ),
    "gauge_restless": ([_is(phase=Phase.SETTLE), _is(restless=True)], [HELD, _is(valve_open=False)]),
    "no_progress": ([_stroke(barren=3)], [HELD, _is(phase=Phase.SETTLE)]),
    "dry_run": ([_is(dry_s=1e4)], []),
    "liquid_drawn": (
        [
            _is(phase=Phase.DRAW_DOWN),
            _is(reverse=True),
            _is(air_at_pump=True),
            _is(flow_lps=-0.6),
            _reads(line_kpa=-9.0),
        ],
        [HELD, _is(gas=None), _reads(line_kpa=None)],
    ),
    "pressure_low": (
        [_is(phase=Phase.DRAW_DOWN), _is(reverse=True), _is(tyre_kpa=-30.0)],
        [HELD, _is(valve_open=False), _is(tyre_kpa=None)],
    ),
    "liquid_in_vent": ([_is(venting=True), _reads(liquid_in_vent=True)], [_reads(liquid_in_vent=None)]),
    "valve_covered": ([_is(phase=Phase.SETTLE), _stroke(wants_air=True)], [HELD]),
    "flow_too_high": ([_is(slow_lps=2.0)], [HELD, _is(steady=False), _is(phase=Phase.SHUT)]),
    "measures_differ": ([_is(contradicted=True)], [HELD]),
    "strainer_fouled": ([_reads(strainer_kpa=80.0)], [HELD, _is(forward=False), _reads(strainer_kpa=None)]),
    "tote_empty": ([_reads(tote_l=1.0)], [HELD, _is(phase=Phase.VENT), _reads(tote_l=None)]),
    "tote_full": (
        [_is(reverse=True), _reads(tote_full=True)], [HELD, _is(reverse=False), _reads(tote_full=None)]
    ),
    "valve_blocked": (
        [_is(phase=Phase.BACK_FLUSH), _is(rests=True), _reads(line_kpa=-60.0)],
        [HELD, _is(valve_open=False), _reads(line_kpa=None)],
    ),
    "insert_not_seated": (
        [_is(phase=Phase.BACK_FLUSH), _is(valve_open=False), _is(flushed_l=0.3)],
        [HELD],
    ),
    "moves_while_off": (
        [_is(off_s=60.0), _reads(line_kpa=-40.0)],
        [_is(last_way=-1), _is(off_s=0.0), _reads(line_kpa=None), _is(wavers_kpa=50.0)],
    ),
    "suction_dry": (
        [_is(flow_lps=0.1), _reads(line_kpa=36.0)],
        [HELD, _is(wet=False), _is(flow_lps=0.0), _stroke(even_lps=0.0), _reads(line_kpa=None), _is(run_s=0.1)],
    ),
    "nothing_drawn": ([_is(phase=Phase.SETTLE), _stroke(nothing_came=True)], [HELD]),
    "run_over": ([_is(stroke_s=1e6)], [HELD, _is(forward=False)]),
    "output_timeout_lost": ([_reads(output_timeout_s=0.0)], [HELD, _reads(output_timeout_s=None)]),
    "bus_late": ([_reads(late_s=9.0, bus_s=8.0)], [_is(forward=False), _reads(late_s=9.0, bus_s=1.0)]),
    "loop_late": ([_reads(late_s=9.0)], [_is(forward=False), _reads(late_s=9.0, bus_s=8.0)]),
    "journal_behind": ([_reads(journal_lag_s=9.0)], [HELD]),
}  # fmt: skip


def _stands(guard: Guard, setup: Setup, facts: Facts) -> bool:
    """Whether a row is watched here and its condition holds."""
    return guard in WATCHED[facts.state, facts.phase] and guard.condition(setup, facts)


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name)
def test_each_condition_of_a_guard_decides_alone(guard: Guard) -> None:
    setup, facts = _healthy()
    make, unmake = ALONE[guard.name]
    assert not _stands(guard, setup, facts)
    true = facts
    for change in make:
        true = change(true)
    assert _stands(guard, setup, true)
    for left_out in make:
        almost = facts
        for change in make:
            almost = almost if change is left_out else change(almost)
        assert not _stands(guard, setup, almost), "one of the listed changes is not needed"
    for change in unmake:
        assert not _stands(guard, setup, change(true))


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name)
def test_a_guard_alone_decides_the_outcome(guard: Guard, monkeypatch: pytest.MonkeyPatch) -> None:
    """All rows false: the fill runs on. The same scans with this row alone true: it stops, for this reason."""
    setup, last, reading = _filling()
    quiet = tuple(replace(each, condition=lambda s, f: False) for each in GUARDS)
    always = replace(guard, condition=lambda s, f: True, scope=frozenset(WATCHED))
    loud = tuple(always if each.name == guard.name else each for each in quiet)
    outcomes = []
    for rows in (quiet, loud):
        monkeypatch.setattr(guards, "WATCHED", by_scope(rows))
        state, moved = last.state, []
        for step in range(40):
            now = replace(reading, now_s=reading.now_s + 0.1 * step, counts=((reading.counts[0] or 0) + 6 * step,))
            decision = decide(setup, state, replace(now, counts=(*now.counts, *reading.counts[1:])))
            state = decision.state
            moved.append(decision.outputs.moving)
        outcomes.append((state.alarms.first_out, state.state in (State.RUNNING,), moved[-1]))
    assert outcomes[0][:2] == (None, True)
    assert outcomes[1][0] == guard.name
    assert outcomes[1][1:] == (False, False)


def _rested(state: FillState) -> FillState:
    """The pressure on arrival was read already: flow alone is in the way."""
    return replace(state, gas=replace(state.gas, rest_kpa=30.0))


LACKING: dict[str, Callable[[Setup, FillState, Reading], tuple[Setup, FillState, Reading]]] = {
    "field": lambda s, f, r: (s, f, replace(r, untrusted=frozenset({"fluid_temp"}))),
    "emergency_stop": lambda s, f, r: (s, f, replace(r, estop_ok=False)),
    "stop_button": lambda s, f, r: (s, f, replace(r, stop_pressed=True)),
    "output_timeout": lambda s, f, r: (s, f, replace(r, output_timeout_s=0.0)),
    "tote": lambda s, f, r: (s, f, replace(r, tote_l=1.0)),
    "target": lambda s, f, r: (replace(s, plan_reaches=False), f, r),
    "arrival_pressure": lambda s, f, r: (s, f, replace(r, line_kpa=125.0)),
    "hose": lambda s, f, r: (s, replace(f, valve_open=False), replace(r, line_kpa=215.0)),
    "no_flow": lambda s, f, r: (s, _rested(f), replace(r, counts=((r.counts[0] or 0) + 40, *r.counts[1:]))),
}


def test_a_gauge_that_does_not_follow_the_air_drawn_holds_the_fill() -> None:
    """The other half of one row: each of its conditions is needed."""
    setup, facts = _healthy()
    row = GUARD_NAMED["air_stays"]
    base = replace(facts, line=None, gas=Band(7.0, 8.0, 9.0))
    make = [_is(phase=Phase.DRAW_DOWN), _is(reverse=True), _is(air_at_pump=True), _reads(line_kpa=31.0)]
    for left_out in (None, *make):
        facts = _reads(line_kpa=29.0)(base)
        for change in make:
            facts = facts if change is left_out else change(facts)
        assert _stands(row, setup, facts) is (left_out is None)
    facts = base
    for change in make:
        facts = change(facts)
    for back in (HELD, _is(gas=None), _reads(line_kpa=None)):
        assert not _stands(row, setup, back(facts))


def test_a_draw_that_came_to_rest_far_above_its_end_drew_liquid() -> None:
    """The other half of that row."""
    setup, facts = _healthy()
    row = GUARD_NAMED["liquid_drawn"]
    rested = _is(phase=Phase.SETTLE)(_stroke(liquid_came=True)(facts))
    assert _stands(row, setup, rested)
    for back in (HELD, _is(phase=Phase.FILL), _stroke(liquid_came=False)):
        assert not _stands(row, setup, back(rested))


def test_every_permissive_is_in_the_table() -> None:
    # What moves while all is off takes more than one scan to be seen: tests/control/test_unasked.py starts into it.
    assert set(LACKING) | {"pressure_stands"} == {name for name, _ in PERMISSIVES}
    assert set(ALONE) == set(GUARD_NAMED)


@pytest.mark.parametrize("name", LACKING)
def test_each_permissive_refuses_alone(name: str) -> None:
    fill = fill_of(rig_settings(), Question("11L-15"))
    fill.run(until=lambda d: not open_checks(fill.setup, d.state) and d.state.state is State.IDLE)
    fill.person = Nobody()
    ready = fill.run(most_s=4.0)
    fill.rig.advance(0.1)
    reading = fill.rig.scan()
    assert decide(fill.setup, ready.state, reading, [Request("go", "start")]).state.state is State.RUNNING
    setup, state, seen = LACKING[name](fill.setup, ready.state, reading)
    refused = decide(setup, state, seen, [Request("go", "start")])
    assert refused.state.state is State.IDLE
    assert [item.name for item in refused.missing] == [name]
