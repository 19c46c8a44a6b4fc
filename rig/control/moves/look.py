"""The look: a rest early in the fill that checks whether the air space inside fits the tyre's size.

It stops the pump once, shortly before a third of the target, and only where the rest is informative; every rest is
compared. The rise is evaluated elsewhere; here is when it is evaluated, and what follows.
"""

from __future__ import annotations

import math

from rig.control.belief.airspace import Stage, expected, judged, worth_a_look, worth_a_rest_on_the_way
from rig.control.moves.turn import Turn
from rig.control.words.changed import changed
from rig.control.words.values import Entry, Setup

_SHARE = 1 / 3
"""Share of the target before which the rest must have been taken."""
_LATE = 0.8
"""A rest from here on, as a share of the litres at the look, is the look."""
_FEELER_S = 3.0
"""Pumping time until a flow is measured and the pump has coasted, at most at the pump's full flow. An assumption."""
_GUARD = "cavity_differs"


def _look_l(setup: Setup) -> float:
    return _SHARE * setup.target_l - max(0.3, 0.005 * setup.target_l)


def sharpens_look(turn: Turn) -> bool:
    """Whether a rest after the first litres of a rise makes a later look more accurate."""
    gas, setup = turn.state.gas, turn.setup
    left_l = _look_l(setup) - turn.facts.in_tyre_l
    if gas.looked or gas.rise is None or gas.rise.litres > 0 or left_l <= 0 or _GUARD in turn.state.alarms.accepted:
        return False
    way_l = _FEELER_S * setup.line.pump_lps
    return worth_a_rest_on_the_way(setup.cavity, changed(gas.rise, to_l=gas.rise.from_l + left_l), way_l)


def time_to_look(turn: Turn, overrun_l: float) -> bool:
    """Whether the pump should stop now for a rest that checks the air space against the size."""
    gas, facts, setup = turn.state.gas, turn.facts, turn.setup
    if gas.looked or gas.rise is None or _GUARD in turn.state.alarms.accepted:
        return False
    look_l = _look_l(setup)
    if turn.state.stroke.start_l >= look_l or not look_l <= facts.in_tyre_l + overrun_l <= _SHARE * setup.target_l:
        # The rest before a stroke that begins there was the look, as far as it could be one.
        return False
    return worth_a_look(setup.cavity, changed(gas.rise, to_l=facts.offset_l + overrun_l))


def before_look(turn: Turn) -> bool:
    """Whether to go on to the look rather than end at the planned pressure: a longer rise is more accurate."""
    gas, facts, setup = turn.state.gas, turn.facts, turn.setup
    left_l = _look_l(setup) - facts.in_tyre_l
    if gas.looked or gas.rise is None or not 0 < left_l < facts.in_tyre_l:
        return False
    return worth_a_look(setup.cavity, changed(gas.rise, to_l=facts.offset_l + left_l))


def stage_of(turn: Turn, *, rise_ends: bool) -> Stage:
    """Whether this rest is the decisive one: informative, and late before the third or before air goes out."""
    rise = turn.state.gas.rise
    late = turn.facts.in_tyre_l >= _LATE * _look_l(turn.setup)
    decisive = (late or rise_ends) and rise is not None and worth_a_look(turn.setup.cavity, rise)
    return "look" if decisive else "early"


def held_back(turn: Turn, stage: Stage) -> bool:
    """Compare the rest with the size's expected one; return whether a difference holds the fill back.

    The guard holds it in the next scan; where a person has accepted a difference it continues.
    """
    gas = turn.state.gas
    if gas.rise is None or gas.found is None or gas.rise.litres <= 0:
        return False
    verdict = gas.verdict
    if verdict == "agrees":
        # A finding is latched: a person has inspected it, or it is in the record.
        verdict = judged(turn.setup.cavity, gas.rise, "later" if gas.looked else stage)
    turn.set(gas=changed(gas, verdict=verdict, looked=gas.looked or stage == "look"))
    turn.entries.append(Entry("cavity", _figures(turn, expected(turn.setup.cavity, gas.rise).kpa)))
    return verdict != "agrees" and _GUARD not in turn.state.alarms.accepted


def _figures(turn: Turn, expected_kpa: float) -> dict[str, object]:
    gas, cavity = turn.state.gas, turn.setup.cavity
    assert gas.found is not None
    return {
        "verdict": gas.verdict,
        "measured_l": round(gas.found.cavity_l, 1),
        "measured_u_l": round(gas.found.u_l, 1),
        "size_l": round(cavity.volume_l, 1),
        "low_l": round(cavity.low_l, 1),
        "high_l": round(cavity.high_l, 1),
        "expected_kpa": round(expected_kpa, 2) if math.isfinite(expected_kpa) else None,
    }
