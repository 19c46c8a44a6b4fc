"""Counted removal of liquid from a tyre: valve at the bottom, pump in reverse, never below just above ambient.

The air space grows as the liquid leaves, so the pressure falls; at the floor a person airs the tyre up and it
continues. It ends at the requested volume, or when air comes. The initial content is only reported by a person: the
first stroke goes half way to the floor, and its volume measures the air.
"""

from __future__ import annotations

import math

from rig.control.belief.doubt import with_last_rest
from rig.control.belief.level import near_level
from rig.control.belief.pressure import AIR_DRAWN_KPA, after_draw, at_rest
from rig.control.belief.residuals import LOST_ON_AIR, unconfirmed_stop
from rig.control.belief.state import Mark, Stroke
from rig.control.belief.uncertainty import net_within
from rig.control.belief.witness import BEYOND
from rig.control.moves.learning import overrun_s
from rig.control.moves.turn import Turn
from rig.control.moves.uncoupling import come_off
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.prompts import AIR_UP
from rig.plan.physics import head_kpa, line_loss_kpa
from rig.units import KPA_PER_PSI

_NEAR_KPA = 0.5 * KPA_PER_PSI
"""A tyre this near to the floor is aired up first: it would give no stroke worth a start. An assumption."""
_AIR_UP_KPA = 15 * KPA_PER_PSI
"""Common practice, no source: enough to push, well below what a bead or a jack tolerates."""
_MOST_AIR_UPS = 5
"""Limit of requests to air up a tyre that shows no rise. An assumption."""
_AIR_SHARE, _AIR_STEPS, _NOTHING_STEPS = 0.7, 1.5, 0.25
"""For a level or a scale: air came where the tote lacks more than this share, and these steps, of the volume that the
pressure fall gives; below the last, nothing came."""
_SILENT = 0.3
"""Share of the permitted dry-run time without a count after which a rest checks what came."""
_FRONT_S = 2.0
"""Time for which the meter may count air as liquid before the gauge shows it. An assumption."""


def settle_emptying(turn: Turn) -> None:
    """At rest: evaluate the stroke, then draw on, ask for air, or end."""
    facts, setup = turn.facts, turn.setup
    if unconfirmed_stop(setup, facts) or facts.stroke_s < setup.settle_s or not facts.rests or facts.tyre_kpa is None:
        return
    rest_kpa, stroke = facts.tyre_kpa, _judged(turn, facts.tyre_kpa)
    if Flag.GAUGE_RESTLESS in turn.state.flags:
        # The pressure kept falling with all off: the missing pressure may be uncounted outflow.
        turn.set(tally=with_last_rest(setup, turn.state, facts, rest_kpa))
    left_l = setup.target_l + facts.in_tyre_l
    if stroke.ended_by is End.AIR:
        turn.flag(Flag.EMPTIED_TO_AIR)
        gas = at_rest(turn.state.gas, setup, rest_kpa, facts.offset_l, facts.rest_u_kpa, pumped=False)
    else:
        gas = after_draw(turn.state.gas, setup, rest_kpa, facts.offset_l, facts.rest_u_kpa)
    turn.set(gas=gas, mark=Mark(turn.state.tally, turn.state.counts), stroke=changed(stroke, ended_by=End.NOT_YET))
    if stroke.ended_by in (End.TARGET, End.AIR) or left_l <= setup.tolerance_l:
        _book_front(turn)
        _end_drawing(turn)
    elif stroke.barren >= _MOST_AIR_UPS:
        turn.flag(Flag.TOOK_NO_AIR)
        _end_drawing(turn)
    elif rest_kpa <= setup.window.floor_kpa + _NEAR_KPA:
        _air_up(turn)
    else:
        turn.note("rest", tyre_kpa=round(rest_kpa, 2), in_tyre_l=round(facts.in_tyre_l, 3))
        turn.set(fills=turn.state.fills + 1)
        turn.phase_trigger("empty", _begin(turn, rest_kpa, stroke.barren if stroke.ended_by else 0))


def _end_drawing(turn: Turn) -> None:
    """Finish, unless the volume is insignificant against its uncertainty: then the tyre is not emptied."""
    if -turn.facts.in_tyre_l <= BEYOND * net_within(turn.setup, turn.state).more_l:
        turn.set(stroke=changed(turn.state.stroke, nothing_came=True))
    else:
        come_off(turn)


def _begin(turn: Turn, rest_kpa: float, barren: int) -> Stroke:
    floor_kpa, measured = turn.setup.window.floor_kpa, turn.state.gas.stroke_u_l is not None
    goal_kpa = floor_kpa if measured else (rest_kpa + floor_kpa) / 2
    return Stroke(turn.facts.reading.now_s, rest_kpa, turn.facts.in_tyre_l, goal_kpa=goal_kpa, barren=barren)


def _judged(turn: Turn, rest_kpa: float) -> Stroke:
    """Evaluate the stroke at the rest: without a meter it may show that air came, or that nothing did.

    What the pressure fall gives beyond the tote's gain is booked in doubt; by run time, all of a stroke of air.
    """
    setup, stroke, tally = turn.setup, turn.state.stroke, turn.state.tally
    if not stroke.ended_by or not setup.meter.estimated:
        return stroke
    by_time, step_l = setup.meter.by_time, setup.meter.litres_per_pulse
    came_l = stroke.start_l - turn.facts.in_tyre_l
    fell = (stroke.from_kpa + setup.line.atmosphere_kpa_abs) / (rest_kpa + setup.line.atmosphere_kpa_abs)
    indicated_l = max(_air_l(turn) * (fell - 1), 0.0)
    if (indicated_l if by_time else max(indicated_l, came_l)) < _NOTHING_STEPS * step_l:
        return changed(stroke, barren=stroke.barren + 1)
    by_volume = not by_time and indicated_l - came_l > max(_AIR_STEPS * step_l, _AIR_SHARE * indicated_l)
    air = by_volume or _lost_nothing(turn)
    if by_time:
        tally = tally.doubting("perhaps air", more_l=came_l * air)
    else:
        tally = tally.doubting("more left than came", less_l=indicated_l - came_l - step_l / 2)
    turn.set(tally=tally)
    return changed(stroke, ended_by=End.AIR if air else stroke.ended_by, barren=0)


def _lost_nothing(turn: Turn) -> bool:
    """Whether the gauge at the end of the stroke was close to its rest reading: no liquid flowed."""
    line_kpa, would_lose_kpa = turn.facts.reading.line_kpa, line_loss_kpa(turn.setup.line, turn.setup.line.back_lps)
    if line_kpa is None or would_lose_kpa < AIR_DRAWN_KPA:
        return False
    return line_kpa - turn.state.stroke.watch_line_kpa < LOST_ON_AIR * would_lose_kpa


def _air_l(turn: Turn) -> float:
    """The least air that the tyre held at the last rest."""
    gas = turn.state.gas
    return max(gas.low_l - gas.rest_offset_l, 0.02 * gas.cavity_l)


def _book_front(turn: Turn) -> None:
    """Book the last flow in doubt: it may have been air, where the liquid's surface came down to the valve."""
    state, stroke = turn.state, turn.state.stroke
    if near_level(turn.setup, state) or Flag.EMPTIED_TO_AIR in state.flags:
        flow_lps, stroke_l = abs(stroke.stop_flow_lps), stroke.start_l - stroke.stop_l
        # A stroke too short for the gauge to settle may have been air from its start.
        doubted_l = flow_lps * _FRONT_S if stroke_l > flow_lps * (2 * turn.setup.blank_s + _FRONT_S) else stroke_l
        turn.set(tally=state.tally.doubting("air at the end", more_l=doubted_l))


def _air_up(turn: Turn) -> None:
    if turn.ask("air_up", AIR_UP(up_to=min(_AIR_UP_KPA, turn.setup.window.ceiling_kpa))):
        # No rise yet: ask again, up to the limit.
        stroke = changed(turn.state.stroke, barren=turn.state.stroke.barren + 1)
        turn.set(answered=turn.state.answered - {"air_up"}, stroke=stroke)


def empty(turn: Turn) -> None:
    """Draw until the volume, the floor, or air."""
    facts, setup = turn.facts, turn.setup
    flow = max(-facts.flow_lps, 0.0)
    over_l = flow * overrun_s(setup, turn.state, flow)
    if over_l - facts.in_tyre_l >= setup.target_l:
        _end(turn, End.TARGET)
    elif _air_comes(turn, flow):
        _end(turn, End.AIR)
    elif facts.gas is not None and facts.gas.low <= turn.state.stroke.goal_kpa:
        _end(turn, End.FLOOR)
    elif setup.meter.estimated and (_by_pump_kpa(turn) <= turn.state.stroke.goal_kpa or _silent(turn)):
        _end(turn, End.UNSURE)


def _by_pump_kpa(turn: Turn) -> float:
    """The tyre's pressure if the pump moved all that it can, of air: a coarse measure reports that late."""
    setup, facts = turn.setup, turn.facts
    before = turn.state.stroke.from_kpa + setup.line.atmosphere_kpa_abs
    return before * math.exp(-setup.line.back_lps * facts.run_s / _air_l(turn)) - setup.line.atmosphere_kpa_abs


def _silent(turn: Turn) -> bool:
    """Whether the measure has not moved for so long that only a rest can show what came."""
    return min(turn.facts.run_s, turn.facts.pulse_age_s) > _SILENT * turn.setup.dry_run_s


def _air_comes(turn: Turn, flow: float) -> bool:
    """Detect air: a gauge near the air space's pressure during the draw, as air loses next to nothing in the bore."""
    facts, line = turn.facts, turn.facts.reading.line_kpa
    if facts.run_s < 2 * turn.setup.blank_s or not facts.steady or facts.gas is None or line is None:
        return False
    loss = line_loss_kpa(turn.setup.line, flow)
    with_liquid = facts.gas.best + head_kpa(turn.setup.line, facts.covered_m) - loss
    return loss >= AIR_DRAWN_KPA and line > with_liquid + 0.6 * loss


def _end(turn: Turn, why: End) -> None:
    facts = turn.facts
    shown_kpa = facts.reading.line_kpa
    ended = changed(
        turn.state.stroke,
        ended_by=why,
        stop_l=facts.in_tyre_l,
        stop_flow_lps=-facts.slow_lps,
        stop_gauge_kpa=shown_kpa,
    )
    # Before the gauge has followed, it shows no loss.
    line_kpa = shown_kpa if facts.run_s > 2 * turn.setup.blank_s else None
    turn.set(stroke=changed(ended, watch_line_kpa=-math.inf if line_kpa is None else line_kpa))
    turn.note("stroke", ended_by=why.value, in_tyre_l=round(facts.in_tyre_l, 3), flow_lps=round(facts.flow_lps, 4))
    turn.phase_trigger("rest")
