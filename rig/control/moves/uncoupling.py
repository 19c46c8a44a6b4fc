"""The end of a fill: core or insert back, hose reversed off, gun off once no pressure remains behind it."""

from __future__ import annotations

import math

from rig.control.belief.doubt import with_vacuum_lost
from rig.control.belief.gauges import HANDS_KPA
from rig.control.belief.level import near_level
from rig.control.belief.pressure import Remains, gun_kpa, least_kpa
from rig.control.belief.state import gun_off_first
from rig.control.moves.learning import learn_calm, overrun_s
from rig.control.moves.turn import Turn
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.prompts import GUN_OFF, GUN_OFF_BY_HAND, GUN_OFF_OPEN, INSERT_BACK

_LONGEST_FLUSH_S = 2.0
"""Limit of a reverse that proves the insert. An assumption."""


def shut(turn: Turn) -> None:
    """Ask for the core or insert back; then the reverse proves that it is seated.

    If earlier reverses may have drawn the tyre to its least pressure already, it must be aired up first.
    """
    _tell_anew(turn)
    if turn.ask("insert_back", INSERT_BACK()):
        if _drawn_out(turn):
            turn.set(stroke=changed(turn.state.stroke, drawn_out=True))
            return
        turn.set(valve_open=False)
        flush(turn)


def flush(turn: Turn) -> None:
    """Start reversing the hose off."""
    stroke = changed(turn.state.stroke, lowest_kpa=None)
    if turn.state.valve_open:
        stroke = changed(stroke, calm_gauge_kpa=None)
    turn.set(flush_start_l=turn.state.tally.returned_l(turn.setup.meter), flush_s=_flush_s(turn), stroke=stroke)
    turn.set(reversals=turn.state.reversals + (not turn.state.valve_open))
    turn.phase_trigger("flush")


def back_flush(turn: Turn) -> None:
    """Reverse for the configured time, then wait for rest; the guards check whether the insert holds."""
    facts, setup, tally = turn.facts, turn.setup, turn.state.tally
    if facts.valve_open:
        learn_calm(turn)
    else:
        _watch_vacuum(turn)
        turn.set(reversed_s=turn.state.reversed_s + (facts.dt_s if facts.reverse else 0.0))
    if not facts.rests or facts.stroke_s < turn.state.flush_s + setup.settle_s:
        return
    if facts.valve_open and facts.covered_m <= 0 and near_level(setup, turn.state):
        # Booked as air: through an open valve this near to the level it may have been liquid.
        turn.set(tally=tally.doubting("liquid near the level", less_l=facts.flushed_l))
    turn.phase_trigger("uncouple", changed(turn.state.stroke, calm_gauge_kpa=facts.reading.line_kpa))


def _tell_anew(turn: Turn) -> None:
    """Re-reference the tyre's pressure from a gauge at rest while the valve may be open."""
    facts = turn.facts
    if facts.valve_open and facts.rests and facts.tyre_kpa is not None and turn.state.reversals:
        turn.set(reversed_s=0.0, reversed_from_kpa=facts.tyre_kpa)


def _drawn_out(turn: Turn) -> bool:
    """Whether one more reverse may draw the tyre too low, if all of them together drew from it.

    The first one is exempt: it proves the insert.
    """
    setup, state, gas = turn.setup, turn.state, turn.state.gas
    from_kpa = gas.rest_kpa if state.reversed_from_kpa is None else state.reversed_from_kpa
    if setup.into != "tyre" or from_kpa is None or not state.reversals or Flag.INSERT_NOT_SEATED not in state.flags:
        return False
    drawn_l = setup.line.pump_lps * (state.reversed_s + min(setup.flush_s, _LONGEST_FLUSH_S))
    return drawn_l > _yields_l(turn, from_kpa, setup.window.floor_kpa)


def _yields_l(turn: Turn, from_kpa: float, goal_kpa: float) -> float:
    """Volume that a pump draws from the sealed tyre, at the pressure there is, until it is at its least pressure.

    Boyle's law for a pump of constant displacement: p = p0 exp(-V / air).
    """
    setup, gas = turn.setup, turn.state.gas
    air_l = max(gas.low_l - turn.facts.filled_l, 0.02 * gas.cavity_l)
    before, least = (kpa + setup.line.atmosphere_kpa_abs for kpa in (from_kpa, least_kpa(setup, goal_kpa)))
    return air_l * math.log(max(before, least) / least)


def _watch_vacuum(turn: Turn) -> None:
    line_kpa, lowest_kpa = turn.facts.reading.line_kpa, turn.state.stroke.lowest_kpa
    if line_kpa is not None and (lowest_kpa is None or line_kpa < lowest_kpa):
        turn.set(stroke=changed(turn.state.stroke, lowest_kpa=line_kpa))
    turn.set(tally=with_vacuum_lost(turn.setup, turn.state, turn.facts))


def _flush_s(turn: Turn) -> float:
    """Duration of the reverse; a hose that may hold a tyre's compressed air needs its own volume.

    Through an open valve the pump draws on the tyre, which a small air space may not yield for so long.
    """
    setup, state = turn.setup, turn.state
    if setup.into == "tote":
        return setup.line.hose_l / setup.line.back_lps
    if not state.valve_open:
        return min(setup.flush_s, _LONGEST_FLUSH_S)
    if state.gas.rest_kpa is None:
        return setup.flush_s
    flow_lps = setup.line.back_lps
    yields_s = _yields_l(turn, state.gas.rest_kpa, 0.0) / flow_lps - overrun_s(setup, state, flow_lps)
    return max(0.0, min(setup.flush_s, yields_s))


def come_off(turn: Turn) -> None:
    """After a removal: gun off, by way of core or insert back where pressure remains."""
    turn.phase_trigger("shut" if _pressed(turn) else "uncouple")


def uncouple(turn: Turn) -> None:
    """Ask for the gun off, which completes the fill; with pressure behind it, restart the end sequence."""
    if not turn.setup.by_hand and _pressed(turn):
        # For example after a contactor has welded.
        _begin_end_anew(turn)
        return
    text = (GUN_OFF_OPEN if turn.state.valve_open else GUN_OFF)()
    if turn.setup.by_hand:
        text = GUN_OFF_BY_HAND(gun_off=text)
    if turn.ask("gun_off", text):
        remains = turn.state.remains
        if turn.state.valve_open and remains is not None:
            # Off an open valve: until the core is in, the remaining pressure escapes.
            turn.set(remains=Remains(min(remains.kpa, 0.0), sure=False))
        turn.set(valve_open=False)
        turn.state_trigger("finish")


def _begin_end_anew(turn: Turn) -> None:
    """Let the tyre down again, or shut it again; a pump that runs uncommanded keeps raising the gauge."""
    if not gun_off_first(turn.setup):
        turn.phase_trigger("shut")
        return
    stroke = turn.state.stroke
    if turn.setup.into == "tyre":
        stroke = changed(stroke, ended_by=End.PRESSED, calm_gauge_kpa=turn.facts.reading.line_kpa)
    turn.phase_trigger("judge_anew", stroke)


def _pressed(turn: Turn) -> bool:
    behind_kpa = gun_kpa(turn.setup, turn.facts.reading.line_kpa, turn.state.tally.hose_l)
    return behind_kpa is not None and behind_kpa > HANDS_KPA
