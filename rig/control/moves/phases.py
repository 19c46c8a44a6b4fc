"""Action of each phase of a running fill: when it ends, and what it asks for.

Every move ends in ``settle``, where the next one is chosen (:mod:`rig.control.moves.choosing`).
"""

from __future__ import annotations

from collections.abc import Callable

from rig.control.belief.doubt import with_last_rest, with_late_rise, with_rest
from rig.control.belief.level import goal_l
from rig.control.belief.pressure import NO_TYRE_KPA, at_rest, stiffness_kpa_per_l
from rig.control.belief.residuals import fell_too_far, rises_too_much, stays_too_high, unconfirmed_stop
from rig.control.belief.state import Mark, Stroke
from rig.control.belief.warming import awaited
from rig.control.belief.witness import with_pair
from rig.control.moves.by_hand import by_hand
from rig.control.moves.choosing import begin, choose, goal_kpa
from rig.control.moves.drawing import draw_down, may_draw
from rig.control.moves.emptying import empty, settle_emptying
from rig.control.moves.learning import (
    air_l,
    book_unforeseen,
    end_stroke,
    learn,
    learn_calm,
    learn_overrun,
    more_room,
    overrun_s,
    watch_flow,
)
from rig.control.moves.look import before_look, time_to_look
from rig.control.moves.turn import Turn
from rig.control.moves.uncoupling import back_flush, shut, uncouple
from rig.control.safety.alarms import pending
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.procedure import Phase
from rig.units import KPA_PER_PSI

_BLIND_KPA = 2 * KPA_PER_PSI
"""A rise that two readings of a usual gauge (1 kPa at 95 % each) measure to a tenth."""


def settle(turn: Turn) -> None:
    """Wait until the liquid is at rest, read the pressure, then choose the next move."""
    facts, setup = turn.facts, turn.setup
    if setup.into == "open vessel":
        _settle_open(turn)
        return
    learn_calm(turn)
    if setup.into == "tote":
        settle_emptying(turn)
        return
    if unconfirmed_stop(setup, facts) or facts.stroke_s < setup.settle_s or not facts.rests or facts.tyre_kpa is None:
        return
    if pending(turn.state.alarms):
        # A rest re-anchors the air space, and an alarm still in its delay would be lost with it.
        return
    stroke = turn.state.stroke
    if (stroke.cools and not may_draw(turn)) or awaited(setup, turn.state, facts.tyre_kpa, facts.stroke_s):
        return
    if _judged(stroke):
        return
    learn(turn, stroke, facts.tyre_kpa)
    _take_rest(turn, facts.tyre_kpa)
    if setup.by_hand:
        turn.phase_trigger("by_hand", Stroke(from_kpa=facts.tyre_kpa, goal_kpa=setup.window.floor_kpa))
        return
    if not _judged(turn.state.stroke):
        choose(turn, stroke, facts.tyre_kpa)


def _judged(stroke: Stroke) -> bool:
    """Whether the last stroke showed a fault: a guard holds the fill once its delay is over."""
    return stroke.air_stayed or stroke.liquid_came


def _settle_open(turn: Turn) -> None:
    """Into an open vessel: one delivery, done when the liquid is at rest; a hold only divides it."""
    facts, setup, stroke = turn.facts, turn.setup, turn.state.stroke
    if not facts.still or facts.stroke_s < setup.settle_s:
        return
    if stroke.ended_by is End.TARGET:
        learn_overrun(turn, stroke)
        turn.state_trigger("finish")
    else:
        turn.set(fills=turn.state.fills + 1)
        turn.phase_trigger("fill", begin(turn, 0.0))


def _take_rest(turn: Turn, rest_kpa: float) -> None:
    book_unforeseen(turn, rest_kpa)
    turn.set(tally=with_rest(turn.setup, turn.state, turn.facts, rest_kpa))
    if turn.state.stroke.held_kpa:
        # Resumed after an interruption: what moved meanwhile is in the tyre as far as this rest confirms it.
        turn.set(tally=with_last_rest(turn.setup, turn.state, turn.facts, rest_kpa))
    state, facts = turn.state, turn.facts
    pumped = state.stroke.pumped
    gas = at_rest(state.gas, turn.setup, rest_kpa, facts.offset_l, facts.rest_u_kpa, pumped=pumped)
    stayed = Flag.AIR_STAYS in state.flags and stays_too_high(facts)
    went = Flag.AIR_GONE in state.flags and not pumped and fell_too_far(facts)
    # Nothing was let out, and hardly a tyre shows: what an overridden "no rise" let in may be behind an open vent.
    gone = state.stroke.pushed and rest_kpa <= 2 * NO_TYRE_KPA and fell_too_far(facts)
    if stayed or went or gone:
        # The gauge did not follow the air before: its present reading must not re-anchor the air space.
        gas = state.gas
    if rest_kpa >= turn.setup.window.floor_kpa - 2 * KPA_PER_PSI:
        turn.set(when_low_l=None)
    before_l = air_l(turn)
    stroke = changed(state.stroke, ended_by=End.NOT_YET, calm_gauge_kpa=facts.reading.line_kpa)
    turn.set(gas=gas, stroke=stroke, mark=Mark(state.tally, state.counts))
    turn.state = with_pair(turn.setup, turn.state)
    more_room(turn, before_l)
    turn.note("rest", tyre_kpa=round(rest_kpa, 2), in_tyre_l=round(facts.in_tyre_l, 3))


def vent(turn: Turn) -> None:
    """Bleed for the computed time; the gauge cannot see the tyre while air rushes through the bore."""
    facts, stroke = turn.facts, turn.state.stroke
    # In the scan nearest to the computed time.
    if facts.stroke_s >= stroke.open_s - facts.dt_s / 2:
        turn.set(stroke=changed(stroke, open_s=facts.stroke_s))
        end_stroke(turn, End.TIME)


def fill(turn: Turn) -> None:
    """Pump until count or pressure reaches its limit, each including the overrun."""
    facts, state, setup = turn.facts, turn.state, turn.setup
    _watch_rise(turn)
    watch_flow(turn)
    flow = max(facts.flow_lps, 0.0) if facts.run_s >= turn.setup.blank_s else max(facts.flow_lps, _usual_flow(turn))
    overrun_l = flow * overrun_s(setup, state, flow)
    hose_air_l = setup.line.hose_l - state.tally.hose_l
    if facts.in_tyre_l + max(overrun_l - hose_air_l, 0.0) >= goal_l(setup, state):
        end_stroke(turn, End.TARGET)
        return
    if setup.into == "open vessel":
        return
    if state.stroke.feels and facts.line is not None and facts.steady:
        # A few litres, then a rest: from then on the line loss is known, and the look has an early rest as reference.
        end_stroke(turn, End.FEELER)
        return
    if _blind(turn):
        # By run time the gauge gives no tyre pressure while liquid flows: a short rise measures the air space first.
        end_stroke(turn, End.FEELER)
        return
    if time_to_look(turn, overrun_l):
        end_stroke(turn, End.LOOK)
        return
    acting = _ceiling_estimate(turn)
    if acting is None:
        return
    slope = stiffness_kpa_per_l(state.gas, setup, min(acting, setup.trip_kpa), facts.offset_l)
    reached = acting + slope * overrun_l
    if reached >= goal_kpa(turn, state.stroke) and (reached >= setup.window.ceiling_kpa or not before_look(turn)):
        end_stroke(turn, End.CEILING)


def _blind(turn: Turn) -> bool:
    """Whether the pressure rise is known only from the size, and is large enough to be measured."""
    gas, estimate = turn.state.gas, turn.facts.gas
    if not turn.setup.meter.by_time or gas.stroke_u_l is not None or estimate is None:
        return False
    return estimate.best - turn.state.stroke.from_kpa >= _BLIND_KPA


def _usual_flow(turn: Turn) -> float:
    """Flow of a stroke until its own is measured: the last one's, or half of the pump's."""
    return turn.state.stroke.stop_flow_lps or 0.5 * turn.setup.line.pump_lps


def _ceiling_estimate(turn: Turn) -> float | None:
    """The conservative side of both estimates: the smaller cavity, the smaller loss."""
    highs = [band.high for band in (turn.facts.gas, turn.facts.line) if band is not None]
    return max(highs) if highs else None


def _watch_rise(turn: Turn) -> None:
    facts, stroke = turn.facts, turn.state.stroke
    late = rises_too_much(facts)
    if late:
        turn.set(tally=with_late_rise(turn.setup, turn.state))
    if (late or stroke.watch_l is None) and facts.line is not None and facts.gas is not None:
        turn.set(
            stroke=changed(stroke, watch_l=facts.in_tyre_l, watch_line_kpa=facts.line.best, watch_gas_kpa=facts.gas.low)
        )


ACT: dict[Phase, Callable[[Turn], None]] = {
    Phase.SETTLE: settle,
    Phase.VENT: vent,
    Phase.DRAW_DOWN: draw_down,
    Phase.FILL: fill,
    Phase.TOP_UP: fill,
    Phase.SHUT: shut,
    Phase.BACK_FLUSH: back_flush,
    Phase.UNCOUPLE: uncouple,
    Phase.BY_HAND: by_hand,
    Phase.EMPTY: empty,
}
