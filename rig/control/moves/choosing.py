"""What follows a rest: the fill's end, an air-out, or another stroke.

By the policy that planned the fill, from the pressure at rest and the count: a stroke that deviates from the plan needs
no special path.
"""

from __future__ import annotations

from rig.control.belief.accounting import FRONT
from rig.control.belief.doubts import more_of
from rig.control.belief.level import LEVEL_DOUBT, below_valve, goal_l
from rig.control.belief.pressure import weighed_cavity
from rig.control.belief.state import MOST_BARREN, Stroke, gun_off_first
from rig.control.moves.drawing import draws_too_far, may_draw
from rig.control.moves.learning import air_l, vent_s
from rig.control.moves.look import held_back, sharpens_look, stage_of
from rig.control.moves.turn import Turn
from rig.control.moves.uncoupling import flush
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.plan.strokes import NEAR_KPA, AirOut, AtRest, Fill, Method, next_move
from rig.units import KPA_PER_PSI

_EARLY_KPA = 2.5 * KPA_PER_PSI
"""A stroke that ended so far below its goal goes on, instead of letting air out. An assumption."""
_VALVE_MARGIN: dict[Method, float] = {"vent": 0.0, "draw-down": 0.01}
"""Share of the cavity below the valve from which no more air is taken: a vent that spits is seen, a draw is not.
An assumption."""
_MOST_TOP_UPS = 3
"""After so many a fill ends short of its target. An assumption."""
_LAST_SHARE = 0.02
"""Share of the target below which a stroke is a top-up. An assumption."""


def choose(turn: Turn, last: Stroke, rest_kpa: float) -> None:
    """Choose the next move at a rest of the tyre at ``rest_kpa`` (gauge) after the stroke ``last``."""
    setup, facts = turn.setup, turn.facts
    remaining_l = goal_l(setup, turn.state) - facts.in_tyre_l
    barren = _barren(turn, last)
    if _done(turn, last, remaining_l, barren):
        if setup.target_l - facts.in_tyre_l > setup.tolerance_l:
            turn.flag(Flag.SHORT)
        if not held_back(turn, "look"):
            _finish(turn, rest_kpa)
        return
    move = _move(turn, last, rest_kpa, remaining_l, barren)
    if last.pumped and held_back(turn, stage_of(turn, rise_ends=isinstance(move, AirOut))):
        return
    if isinstance(move, AirOut):
        _let_out(turn, last, rest_kpa, remaining_l, move, barren)
    else:
        _pump(turn, rest_kpa, remaining_l, move, barren)


def _done(turn: Turn, last: Stroke, remaining_l: float, barren: int) -> bool:
    # Not with a hose of air that can be filled: it makes the proof of the insert's seat weaker.
    topped_up = turn.state.top_ups >= _MOST_TOP_UPS and (turn.facts.wet or (last.pumped and barren > 0))
    return topped_up or remaining_l <= max(turn.setup.tolerance_l, _perhaps_inside_l(turn))


def _move(turn: Turn, last: Stroke, rest_kpa: float, remaining_l: float, barren: int) -> Fill | AirOut:
    """The plan's next move, corrected by what the last stroke showed."""
    setup, tally = turn.setup, turn.state.tally
    open_l = (setup.cavity.fraction_at_valve - LEVEL_DOUBT) * weighed_cavity(turn.state.gas, setup)[0]
    rest = AtRest(
        rest_kpa,
        air_l(turn),
        remaining_l,
        setup.line.hose_l - tally.hose_l,
        tally.suction_air_kpa_l / setup.line.atmosphere_kpa_abs,
        open_l - turn.facts.filled_l,
    )
    move = next_move(setup.line, setup.window, rest, setup.method)
    if barren and last.ended_by is End.CEILING and rest_kpa > setup.window.floor_kpa + NEAR_KPA:
        # There is hardly any room below the ceiling, whatever the plan foresees.
        move = AirOut(setup.window.floor_kpa)
    if isinstance(move, AirOut) and (_goes_on(turn, last, rest_kpa, barren) or draws_too_far(turn, rest_kpa)):
        return Fill(last.goal_kpa)
    return move


def _goes_on(turn: Turn, last: Stroke, rest_kpa: float, barren: int) -> bool:
    """Whether the last stroke goes on: it ended early, or filled the hose with room left in the tyre."""
    has_room = rest_kpa < goal_kpa(turn, last) - _EARLY_KPA / 2
    return (not barren and _stopped_early(turn, last, rest_kpa)) or (has_room and _only_refilled(turn, last))


def _let_out(turn: Turn, last: Stroke, rest_kpa: float, remaining_l: float, move: AirOut, barren: int) -> None:
    # With less air inside one more stroke may bring something; not where the hose's own air fills the room.
    if last.pumped:
        barren = min(barren, MOST_BARREN - 1) if turn.facts.wet else barren + 1
    turn.set(stroke=changed(turn.state.stroke, barren=barren))
    if _at_level_as_planned(turn, remaining_l) or hose_takes_all(turn, rest_kpa, barren):
        turn.flag(Flag.SHORT)
        _finish(turn, rest_kpa)
        return
    # A stroke that brought nothing shows a poor plan: the next ones use the whole window.
    _air_out(turn, rest_kpa, turn.setup.window.floor_kpa if barren else move.to_kpa)


def _pump(turn: Turn, rest_kpa: float, remaining_l: float, move: Fill, barren: int) -> None:
    setup = turn.setup
    until_kpa = setup.window.ceiling_kpa if barren else move.until_kpa
    stroke = changed(begin(turn, rest_kpa), goal_kpa=until_kpa, barren=barren)
    if remaining_l <= max(5 * setup.tolerance_l, _LAST_SHARE * setup.target_l) and turn.state.fills:
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
    goal = goal_kpa(turn, last)
    if last.ended_by in (End.FEELER, End.LOOK):
        return rest_kpa < goal - _EARLY_KPA
    return last.ended_by is End.CEILING and rest_kpa < goal - _EARLY_KPA and last.from_kpa < goal - 2 * _EARLY_KPA


def goal_kpa(turn: Turn, stroke: Stroke) -> float:
    """Pressure at which a fill stroke stops short of the target: as planned, never above the ceiling."""
    return min(stroke.goal_kpa, turn.setup.window.ceiling_kpa)


def begin(turn: Turn, rest_kpa: float) -> Stroke:
    """The stroke that begins now, from a rest at ``rest_kpa`` (gauge)."""
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


def hose_takes_all(turn: Turn, rest_kpa: float, barren: int) -> bool:
    """Whether strokes bring nothing because the air of the emptied hose takes all the room that a draw makes.

    Before the stroke that would hold the fill, and only where that is no surprise at the pressures of the last rise: in
    a wheel at the lower end of what size and strokes give, at 95 %. Air in the hose makes the insert's proof
    weaker: no more of it than twice the uncertainty of an air front.
    """
    setup, line, rise = turn.setup, turn.setup.line, turn.state.gas.rise
    nearly_full = turn.state.tally.hose_l >= (1 - 2 * FRONT) * line.hose_l
    if setup.method != "draw-down" or barren < MOST_BARREN - 1 or not nearly_full or rise is None:
        return False
    cavity_l, sd_l = weighed_cavity(turn.state.gas, setup)
    least_l = max(cavity_l - 2 * sd_l - turn.facts.filled_l, 0.0)
    # Boyle's law, with the hose's air.
    kept = (rise.from_kpa + line.atmosphere_kpa_abs) / (rest_kpa + line.atmosphere_kpa_abs)
    return least_l - kept * (least_l + line.hose_l) < _next_to_nothing_l(turn)


def _air_out(turn: Turn, rest_kpa: float, to_kpa: float) -> None:
    setup, stroke = turn.setup, changed(begin(turn, rest_kpa), goal_kpa=to_kpa, lets_out=True)
    if _covered(turn):
        # Air cannot leave through a covered valve. The guard holds the fill and reports it.
        turn.set(stroke=changed(stroke, wants_air=True))
        return
    if setup.method == "vent":
        # Approach from above: aim at the middle of the tolerance, by as much as the gauge may be wrong, and not all the
        # way before the bore is known.
        aim_kpa = to_kpa + min(max(NEAR_KPA / 2, setup.rest_gauge.u_kpa), (rest_kpa - to_kpa) / 2)
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
    elif rest_kpa > KPA_PER_PSI:
        _air_out(turn, rest_kpa, 0.3 * KPA_PER_PSI)
    else:
        flush(turn)
