"""Taking liquid out of a tyre, counted: the valve at the bottom, the pump in reverse, never below just above ambient.

The air space grows as the liquid leaves, so the pressure falls; at the floor a person airs the tyre up and it goes on.
It ends at the volume asked for, or when air comes.
"""

from __future__ import annotations

from rig.control.changed import changed
from rig.control.learning import overrun_s
from rig.control.observe import BLANK_S
from rig.control.pressure import at_rest
from rig.control.state import Mark, Stroke
from rig.control.turn import Turn
from rig.plan.physics import head_kpa, line_loss_kpa
from rig.units import KPA_PER_PSI, show_pressure

_NEAR_KPA = 0.5 * KPA_PER_PSI
_TOLD_KPA = 3 * KPA_PER_PSI
"""Loss of liquid in the bore from which its falling away tells air from liquid."""
_AIR_UP_KPA = 15 * KPA_PER_PSI
"""Common practice, no source: enough to push, well below what a bead or a jack minds."""


def settle_emptying(turn: Turn) -> None:
    """At rest: read the pressure, then draw on, ask for air, or end."""
    facts, setup = turn.facts, turn.setup
    if facts.stroke_s < setup.settle_s or not facts.rests or facts.tyre_kpa is None:
        return
    state, ended_by = turn.state, turn.state.stroke.ended_by
    gas = at_rest(state.gas, setup, facts.tyre_kpa, facts.offset_l, pumped=False)
    turn.set(gas=gas, mark=Mark(state.tally, state.counts), stroke=changed(state.stroke, ended_by=""))
    left_l = setup.target_l + facts.in_tyre_l
    if ended_by in ("target", "air") or left_l <= setup.tolerance_l:
        turn.phase_trigger("uncouple")
    elif facts.tyre_kpa <= setup.window.floor_kpa + _NEAR_KPA:
        _air_up(turn)
    else:
        turn.note("rest", tyre_kpa=round(facts.tyre_kpa, 2), in_tyre_l=round(facts.in_tyre_l, 3))
        turn.set(fills=turn.state.fills + 1)
        stroke = Stroke(facts.reading.now_s, facts.tyre_kpa, facts.in_tyre_l, goal_kpa=setup.window.floor_kpa)
        turn.phase_trigger("empty", stroke)


def _air_up(turn: Turn) -> None:
    up_to = show_pressure(min(_AIR_UP_KPA, turn.setup.window.ceiling_kpa))
    if turn.ask("air_up", f"The air has pushed what it can: air the tyre up to {up_to} through the gun, then go on."):
        # Not risen yet: asked again.
        turn.set(answered=turn.state.answered - {"air_up"})


def empty(turn: Turn) -> None:
    """Draw until the volume, the floor, or air."""
    facts, setup = turn.facts, turn.setup
    flow = max(-facts.flow_lps, 0.0)
    over_l = flow * overrun_s(setup, turn.state, flow)
    if over_l - facts.in_tyre_l >= setup.target_l:
        _end(turn, "target")
    elif _air_comes(turn, flow):
        turn.flag("emptied until air came")
        _end(turn, "air")
    elif facts.gas is not None and facts.gas.low <= setup.window.floor_kpa:
        _end(turn, "floor")


def _air_comes(turn: Turn, flow: float) -> bool:
    """Air loses next to nothing in the bore: a gauge near the air space's pressure while the pump draws means air."""
    facts, line = turn.facts, turn.facts.reading.line_kpa
    if facts.run_s < 2 * BLANK_S or not facts.steady or facts.gas is None or line is None:
        return False
    loss = line_loss_kpa(turn.setup.line, flow)
    with_liquid = facts.gas.best + head_kpa(turn.setup.line, facts.covered_m) - loss
    return loss >= _TOLD_KPA and line > with_liquid + 0.6 * loss


def _end(turn: Turn, why: str) -> None:
    facts = turn.facts
    turn.set(stroke=changed(turn.state.stroke, ended_by=why, stop_l=facts.in_tyre_l, stop_flow_lps=-facts.slow_lps))
    turn.note("stroke", ended_by=why, in_tyre_l=round(facts.in_tyre_l, 3), flow_lps=round(facts.flow_lps, 4))
    turn.phase_trigger("rest")
