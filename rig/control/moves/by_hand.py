"""Filling by hand: a person operates the lever, the controller counts, warns, and cuts the pump's supply where it can.

Only the meter shows which way the pump runs. The pressure is read again at every standstill, which covers air that a
person lets out. The record is as complete as any other.
"""

from __future__ import annotations

from rig.control.belief.pressure import at_rest, stiffness_kpa_per_l
from rig.control.belief.residuals import against_gas
from rig.control.belief.state import Mark, Stroke
from rig.control.moves.learning import learn_loss, overrun_s
from rig.control.moves.look import held_back, stage_of
from rig.control.moves.turn import Turn
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.prompts import LEVER_CEILING, LEVER_FILL, LEVER_REST, LEVER_TARGET
from rig.sentence import Sentence
from rig.units import KPA_PER_PSI

_OTHER_KPA = 0.5
"""A pressure that differs by more is a new one: the noise that a rest's reading may keep."""
_AT_ONCE_S = 1.5
"""A pressure that is steady so soon after the pump has coasted is the stroke's: nobody has moved anything since."""
_LET_DOWN_KPA = KPA_PER_PSI
"""Hysteresis: how far below the ceiling the tyre must be before the supply is restored."""


def by_hand(turn: Turn) -> None:
    """Count, decide when to stop, and ask for the core or insert when the level is right."""
    _follow_strokes(turn)
    _judge(turn)
    if turn.ask("insert_back", _text(turn)):
        if turn.setup.target_l - turn.facts.in_tyre_l > turn.setup.tolerance_l:
            turn.flag(Flag.SHORT)
        turn.set(valve_open=False, flush_start_l=turn.state.tally.returned_l(turn.setup.meter))
        # The supply is restored: the hose is to be reversed off.
        turn.phase_trigger("uncouple", Stroke())


def _follow_strokes(turn: Turn) -> None:
    facts, state = turn.facts, turn.state
    under_way = state.stroke.began_s > 0
    if (facts.forward or facts.reverse) and not under_way:
        began = changed(state.stroke, began_s=facts.reading.now_s, start_l=facts.in_tyre_l)
        turn.set(stroke=began, fills=state.fills + facts.forward)
    elif facts.forward and facts.line is not None and facts.steady:
        gauge, inside, flow = facts.reading.line_kpa, facts.in_tyre_l, facts.slow_lps
        measured = changed(state.stroke, stop_l=inside, stop_flow_lps=flow, stop_gauge_kpa=gauge, loss_told=True)
        turn.set(stroke=measured)
    elif facts.still and facts.tyre_kpa is not None:
        _rest(turn, facts.tyre_kpa)


def _rest(turn: Turn, tyre_kpa: float) -> None:
    """Accept a pressure at rest once it is steady: until then air may leave by an unreported vent.

    Only a pressure that was steady at once after a stroke measures the line loss and the cavity.
    """
    facts, state = turn.facts, turn.state
    stroke, now_s = state.stroke, facts.reading.now_s
    if abs(tyre_kpa - stroke.from_kpa) > _OTHER_KPA + facts.wavers_kpa:
        # A new pressure at rest without flow, or one below what the sealed air can have: air has left.
        fell = against_gas(facts, tyre_kpa) < -KPA_PER_PSI
        sealed = state.gas.sealed and stroke.began_s > 0 and not fell
        turn.set(stroke=changed(stroke, from_kpa=tyre_kpa, stood_since_s=now_s), gas=changed(state.gas, sealed=sealed))
    elif facts.rests:
        at_once = stroke.stood_since_s - state.changed_s <= turn.setup.line.coast_s + _AT_ONCE_S
        pumped = stroke.began_s > 0 and facts.in_tyre_l > stroke.start_l and at_once
        if pumped:
            learn_loss(turn, stroke, tyre_kpa)
        gas = at_rest(state.gas, turn.setup, tyre_kpa, facts.offset_l, facts.rest_u_kpa, pumped=pumped)
        turn.set(gas=gas, mark=Mark(state.tally, state.counts), stroke=changed(stroke, began_s=0.0))
        if pumped:
            # Where it does not fit the size the guard holds the fill.
            held_back(turn, stage_of(turn, rise_ends=True))
        if stroke.began_s:
            turn.note("rest", tyre_kpa=round(tyre_kpa, 2), in_tyre_l=round(facts.in_tyre_l, 3))


def _judge(turn: Turn) -> None:
    """Cut at the target and at the ceiling, each including the overrun; restore the supply when there is room."""
    facts, setup, stroke = turn.facts, turn.setup, turn.state.stroke
    flow = max(facts.flow_lps, 0.0)
    overrun_l = flow * overrun_s(setup, turn.state, flow)
    highs = [band.high for band in (facts.gas, facts.line) if band is not None]
    tyre = max(highs) if facts.forward and highs else facts.tyre_kpa
    slope = stiffness_kpa_per_l(turn.state.gas, setup, min(tyre or 0.0, setup.trip_kpa), facts.offset_l)
    let_down = facts.still and (tyre or 0.0) <= setup.window.ceiling_kpa - _LET_DOWN_KPA
    high = tyre is not None and tyre + slope * overrun_l >= setup.window.ceiling_kpa
    full = facts.in_tyre_l > setup.target_l - setup.tolerance_l
    if facts.in_tyre_l + overrun_l >= setup.target_l or (stroke.ended_by is End.TARGET and full):
        why = End.TARGET
    elif high or (stroke.ended_by is End.CEILING and not let_down):
        why = End.CEILING
    else:
        # The fill is tracked from the last steady pressure: without one the pump would run blind.
        why = End.NOT_YET if turn.state.gas.sealed else End.REST
    if why is not stroke.ended_by:
        turn.set(stroke=changed(stroke, ended_by=why))
        turn.note("by hand", stop=why.value, in_tyre_l=round(facts.in_tyre_l, 3))


def _text(turn: Turn) -> Sentence:
    setup = turn.setup
    match turn.state.stroke.ended_by:
        case End.TARGET:
            return LEVER_TARGET()
        case End.CEILING:
            return LEVER_CEILING(floor=setup.window.floor_kpa)
        case End.REST:
            return LEVER_REST(floor=setup.window.floor_kpa)
        case _:
            return LEVER_FILL(target=setup.target_l, ceiling=setup.window.ceiling_kpa)
