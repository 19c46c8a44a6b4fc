"""Draw air out of the tyre with the pump in reverse: when that may begin, and when it ends."""

from __future__ import annotations

from rig.control.belief.pressure import least_kpa
from rig.control.moves.learning import air_l, end_stroke, overrun_s
from rig.control.moves.turn import Turn
from rig.control.words.flags import End
from rig.control.words.values import Setup

_LEAST_DRAW_S = 5.0
"""A draw that the dry-run limit would end sooner waits until the pump has cooled. An assumption."""
_LEAST_RUN_S = 0.5
"""Shortest run of a pump: until its flow is counted, and a relay's delay. An assumption."""


def may_draw(turn: Turn) -> bool:
    """Whether the pump is cool enough for a draw that is worth a start."""
    dry_s = turn.state.dry_s
    return dry_s == 0.0 or dry_s + _LEAST_DRAW_S < dry_limit_s(turn.setup)


def draw_down(turn: Turn) -> None:
    """Draw air until the floor, or up to the pump's dry-run limit."""
    facts, stroke = turn.facts, turn.state.stroke
    if facts.dry_s >= dry_limit_s(turn.setup):
        end_stroke(turn, End.DRY_LIMIT)
    elif facts.gas is not None and facts.gas.low < 0:
        # By the air drawn the tyre may be at zero, whatever the gauge shows meanwhile: the rest decides.
        end_stroke(turn, End.UNSURE)
    elif (kpa := _drawn_kpa(turn)) is not None and kpa - _still_falls_kpa(turn, kpa) <= stroke.goal_kpa:
        end_stroke(turn, End.FLOOR)


def _drawn_kpa(turn: Turn) -> float | None:
    """The pressure of a tyre that is drawn on: until the gauge shows it, by the air that was drawn."""
    facts = turn.facts
    if facts.run_s >= turn.setup.blank_s:
        return facts.tyre_kpa
    starts = facts.run_s < turn.setup.line.start_lag_s
    return None if starts or facts.gas is None else facts.gas.best


def dry_limit_s(setup: Setup) -> float:
    """Dry-run limit of a draw; the next forward stroke moves the suction line's air, also a dry run."""
    return setup.dry_run_s - setup.line.carries_air_off_s


def _still_falls_kpa(turn: Turn, tyre_kpa: float) -> float:
    """How far the pressure falls while the pump coasts to rest."""
    facts, setup = turn.facts, turn.setup
    measured = setup.meter.air_going(-1) == "counts" and facts.run_s >= setup.blank_s
    flow = max(-facts.flow_lps, 0.0) if measured else setup.line.back_lps
    return _falls_kpa(turn, tyre_kpa, flow * overrun_s(setup, turn.state, flow))


def _falls_kpa(turn: Turn, tyre_kpa: float, drawn_l: float) -> float:
    space_l = air_l(turn) + turn.setup.line.hose_l - turn.state.tally.hose_l
    return (tyre_kpa + turn.setup.line.atmosphere_kpa_abs) * drawn_l / space_l


def draws_too_far(turn: Turn, rest_kpa: float) -> bool:
    """Whether the shortest draw of this pump would leave a small tyre with too little pressure."""
    setup, tally = turn.setup, turn.state.tally
    flow = setup.line.back_lps
    drawn_l = flow * (_LEAST_RUN_S + overrun_s(setup, turn.state, flow)) - tally.hose_l
    if setup.method != "draw-down" or drawn_l <= 0:
        return False
    return rest_kpa - _falls_kpa(turn, rest_kpa, drawn_l) < least_kpa(setup, setup.window.floor_kpa)
