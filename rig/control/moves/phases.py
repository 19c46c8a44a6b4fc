"""Action of each phase of a running fill: when it ends, and what it asks for.

Every move ends in ``settle``, and ``settle`` alone chooses the next one, from the pressure at rest and the count, by
the same policy that planned the fill. So a stroke that deviates from the plan needs no special path.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.control.belief.doubt import with_last_rest, with_late_rise, with_rest
from rig.control.belief.doubts import more_of
from rig.control.belief.level import LEVEL_DOUBT, below_valve, goal_l
from rig.control.belief.pressure import NO_TYRE_KPA, at_rest, stiffness_kpa_per_l, weighed_cavity
from rig.control.belief.residuals import fell_too_far, rises_too_much, stays_too_high, unconfirmed_stop
from rig.control.belief.state import MOST_BARREN, Mark, Stroke, gun_off_first
from rig.control.belief.warming import awaited
from rig.control.belief.witness import with_pair
from rig.control.moves.by_hand import by_hand
from rig.control.moves.drawing import draw_down, draws_too_far, may_draw
from rig.control.moves.emptying import empty, settle_emptying
from rig.control.moves.learning import (
    air_l,
    book_unseen,
    end_stroke,
    learn,
    learn_calm,
    learn_overrun,
    more_room,
    overrun_s,
    vent_s,
    watch_flow,
)
from rig.control.moves.look import before_look, held_back, sharpens_look, stage_of, time_to_look
from rig.control.moves.turn import Turn
from rig.control.moves.uncoupling import back_flush, flush, shut, uncouple
from rig.control.safety.alarms import pending
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.procedure import Phase
from rig.plan.strokes import NEAR_KPA, AirOut, AtRest, Fill, Method, next_move
from rig.units import KPA_PER_PSI

_ONE_PSI = KPA_PER_PSI
_EARLY_KPA = 2.5 * KPA_PER_PSI
"""A stroke that ended so far below its goal goes on, instead of letting air out. An assumption."""
_VALVE_MARGIN: dict[Method, float] = {"vent": 0.0, "draw-down": 0.01}
"""Share of the cavity below the valve from which no more air is taken: a vent that spits is seen, a draw is not."""
_BLIND_KPA = 2 * KPA_PER_PSI
"""A rise that two readings of a usual gauge (1 kPa at 95 % each) measure to a tenth."""
_MOST_TOP_UPS = 3
"""After so many a fill ends short of its target. An assumption."""
_LAST_SHARE = 0.02
"""Share of the target below which a stroke is a top-up."""


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
        _choose(turn, stroke, facts.tyre_kpa)


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
        turn.phase_trigger("fill", _begin(turn, 0.0))


def _take_rest(turn: Turn, rest_kpa: float) -> None:
    book_unseen(turn, rest_kpa)
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
    if rest_kpa >= turn.setup.window.floor_kpa - 2 * _ONE_PSI:
        turn.set(when_low_l=None)
    before_l = air_l(turn)
    stroke = changed(state.stroke, ended_by=End.NOT_YET, calm_gauge_kpa=facts.reading.line_kpa)
    turn.set(gas=gas, stroke=stroke, mark=Mark(state.tally, state.counts))
    turn.state = with_pair(turn.setup, turn.state)
    more_room(turn, before_l)
    turn.note("rest", tyre_kpa=round(rest_kpa, 2), in_tyre_l=round(facts.in_tyre_l, 3))


def _choose(turn: Turn, last: Stroke, rest_kpa: float) -> None:
    setup, remaining = turn.setup, goal_l(turn.setup, turn.state) - turn.facts.in_tyre_l
    barren = _barren(turn, last)
    # Not with a hose of air that can be filled: it makes the proof of the insert's seat weaker.
    topped_up = turn.state.top_ups >= _MOST_TOP_UPS and (turn.facts.wet or (last.pumped and barren))
    if topped_up or remaining <= max(setup.tolerance_l, _perhaps_inside_l(turn)):
        if setup.target_l - turn.facts.in_tyre_l > setup.tolerance_l:
            turn.flag(Flag.SHORT)
        if held_back(turn, "look"):
            return
        _finish(turn, rest_kpa)
        return
    rest = AtRest(
        rest_kpa,
        air_l(turn),
        remaining,
        setup.line.hose_l - turn.state.tally.hose_l,
        turn.state.tally.suction_air_kpa_l / setup.line.atmosphere_kpa_abs,
        (setup.cavity.fraction_at_valve - LEVEL_DOUBT) * weighed_cavity(turn.state.gas, setup)[0] - turn.facts.filled_l,
    )
    move = next_move(setup.line, setup.window, rest, setup.method)
    if barren and last.ended_by is End.CEILING and rest_kpa > setup.window.floor_kpa + NEAR_KPA:
        # There is hardly any room below the ceiling, whatever the plan foresees.
        move = AirOut(setup.window.floor_kpa)
    has_room = rest_kpa < _goal_kpa(turn, last) - _EARLY_KPA / 2
    goes_on = (not barren and _stopped_early(turn, last, rest_kpa)) or (has_room and _only_refilled(turn, last))
    out = isinstance(move, AirOut) and not (goes_on or draws_too_far(turn, rest_kpa))
    if last.pumped and held_back(turn, stage_of(turn, rise_ends=out)):
        return
    # A stroke that brought nothing shows a poor plan: the next ones use the whole window.
    if isinstance(move, AirOut) and out:
        # With less air inside one more stroke may bring something; not where the hose's own air fills the room.
        if last.pumped:
            barren = min(barren, MOST_BARREN - 1) if turn.facts.wet else barren + 1
        turn.set(stroke=changed(turn.state.stroke, barren=barren))
        if _at_level_as_planned(turn, remaining):
            turn.flag(Flag.SHORT)
            _finish(turn, rest_kpa)
            return
        _air_out(turn, rest_kpa, setup.window.floor_kpa if barren else move.to_kpa)
        return
    goal_kpa = move.until_kpa if isinstance(move, Fill) else last.goal_kpa
    goal_kpa = setup.window.ceiling_kpa if barren else goal_kpa
    stroke = changed(_begin(turn, rest_kpa), goal_kpa=goal_kpa, barren=barren)
    if remaining <= max(5 * setup.tolerance_l, _LAST_SHARE * setup.target_l) and turn.state.fills:
        turn.set(top_ups=turn.state.top_ups + 1)
        turn.phase_trigger("top_up", stroke)
    else:
        turn.set(fills=turn.state.fills + 1)
        turn.phase_trigger("fill", changed(stroke, feels=not turn.state.loss_known or sharpens_look(turn)))


def _perhaps_inside_l(turn: Turn) -> float:
    """Air drawn near the level may have been booked as liquid: a top-up within that doubt may overfill."""
    near = Flag.NEAR_LEVEL in turn.state.flags
    return min(more_of(turn.state.tally.doubts), _LAST_SHARE * turn.setup.target_l) if near else 0.0


def _barren(turn: Turn, last: Stroke) -> int:
    """Number of strokes that brought next to nothing since one that did; not of those that filled the hose."""
    if not last.pumped or _only_refilled(turn, last):
        return last.barren
    return last.barren + 1 if turn.facts.in_tyre_l - last.start_l < _next_to_nothing_l(turn) else 0


def _next_to_nothing_l(turn: Turn) -> float:
    return max(0.1, 0.002 * turn.setup.target_l)


def _only_refilled(turn: Turn, last: Stroke) -> bool:
    """Whether the last stroke brought liquid to the hose, whose air went into the tyre, and hardly any to the tyre."""
    nothing_l = _next_to_nothing_l(turn)
    refilled_l = turn.state.tally.hose_l - last.start_hose_l
    return last.pumped and turn.facts.in_tyre_l - last.start_l < nothing_l < refilled_l


def _stopped_early(turn: Turn, last: Stroke, rest_kpa: float) -> bool:
    """Whether the conservative estimate ended the last stroke well below its goal, so that it can go on."""
    goal = _goal_kpa(turn, last)
    if last.ended_by in (End.FEELER, End.LOOK):
        return rest_kpa < goal - _EARLY_KPA
    return last.ended_by is End.CEILING and rest_kpa < goal - _EARLY_KPA and last.from_kpa < goal - 2 * _EARLY_KPA


def _goal_kpa(turn: Turn, stroke: Stroke) -> float:
    """Pressure at which a fill stroke stops short of the target: as planned, never above the ceiling."""
    return min(stroke.goal_kpa, turn.setup.window.ceiling_kpa)


def _begin(turn: Turn, rest_kpa: float) -> Stroke:
    # The last stroke's flow is used until this one's own is measured.
    last = turn.state.stroke
    return Stroke(
        turn.facts.reading.now_s,
        rest_kpa,
        turn.facts.in_tyre_l,
        turn.state.tally.hose_l,
        stop_flow_lps=last.stop_flow_lps,
        barren=last.barren,
        open_s=last.open_s,
        idle_outs=last.idle_outs,
        even_lps=last.even_lps,
        even_over_kpa=last.even_over_kpa,
        even_passed_l=turn.state.tally.passed_forward_l(turn.setup.meter),
    )


def _covered(turn: Turn) -> bool:
    return below_valve(turn.setup, turn.state) < _VALVE_MARGIN[turn.setup.method]


def _at_level_as_planned(turn: Turn, remaining_l: float) -> bool:
    """Whether the liquid stands at the valve, no earlier than by the cavity's uncertainty at 95 %."""
    cavity_l, sd_l = weighed_cavity(turn.state.gas, turn.setup)
    return _covered(turn) and remaining_l <= max(_LAST_SHARE, 2 * sd_l / cavity_l) * turn.setup.target_l


def _air_out(turn: Turn, rest_kpa: float, goal_kpa: float) -> None:
    setup, stroke = turn.setup, changed(_begin(turn, rest_kpa), goal_kpa=goal_kpa, lets_out=True)
    if _covered(turn):
        # Air cannot leave through a covered valve. The guard holds the fill and reports it.
        turn.set(stroke=changed(stroke, wants_air=True))
        return
    if setup.method == "vent":
        # Approach from above: aim at the middle of the tolerance, and not all the way before the bore is known.
        aim_kpa = goal_kpa + min(NEAR_KPA / 2, (rest_kpa - goal_kpa) / 2)
        turn.phase_trigger("vent", changed(stroke, open_s=vent_s(turn, rest_kpa, aim_kpa)))
    elif not may_draw(turn):
        turn.set(stroke=changed(turn.state.stroke, cools=True))
    else:
        if below_valve(setup, turn.state) < LEVEL_DOUBT:
            turn.flag(Flag.NEAR_LEVEL)
        if turn.state.valve_raised or Flag.CAVITY_DIFFERS in turn.state.flags:
            # A person went on: liquid may take up the room, and fill the hose instead of air.
            turn.set(tally=turn.state.tally.doubting("liquid drawn", less_l=setup.line.hose_l))
        turn.phase_trigger("draw", changed(stroke, start_air_l=turn.state.tally.air_drawn_l))


def _finish(turn: Turn, rest_kpa: float) -> None:
    if not gun_off_first(turn.setup):
        turn.phase_trigger("shut")
    elif rest_kpa > _ONE_PSI:
        _air_out(turn, rest_kpa, 0.3 * _ONE_PSI)
    else:
        flush(turn)


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
    if reached >= _goal_kpa(turn, state.stroke) and (reached >= setup.window.ceiling_kpa or not before_look(turn)):
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
