"""Learn from a stroke that has come to rest: overrun, line loss, vent speed."""

from __future__ import annotations

import math
from dataclasses import replace

from rig.control.belief.doubt import with_counted_double, with_unforeseen
from rig.control.belief.gauges import vent_shuts_s
from rig.control.belief.pressure import AIR_DRAWN_KPA, stiffness_kpa_per_l
from rig.control.belief.residuals import calm, starves, stays_too_high
from rig.control.belief.state import FillState, Stroke, in_tyre_l
from rig.control.moves.turn import Turn
from rig.control.safety.guards import AIR_SPACE_GUARDS
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.values import Setup
from rig.plan.physics import air_loss_kpa, head_kpa, line_loss_kpa, vent_seconds
from rig.units import KPA_PER_PSI

_ONE_PSI = KPA_PER_PSI
_LEARN = 0.3
"""Learning rate: the scatter of single strokes is filtered out."""
_OVERRUN_S = 0.05, 3.0
"""Limits of a learned overrun: half a scan, and longer than any pump coasts."""
_BY_COUNT = frozenset({End.TARGET, End.FEELER, End.LOOK})
"""Strokes ended by the litres: where pressure ended one, the relief or a failing bore affected its flow."""
FLOW_STEPS = range(9)
"""Flow steps for which overruns are learned and kept, in fifths of the pump's flow."""
_USUAL_GAIN = 0.4, 2.5
"""Outside this range the bore is not that of the valve entered, or is obstructed. An assumption."""
_OTHER_BORE = 1.5
"""Factor by which the measured loss may change from one stroke to the next. An assumption."""
_NO_FALL_KPA = 2.0
"""A change that a usual gauge (1 kPa at 95 %, at both ends) may show of nothing."""
_SLOWER = 1.25
"""Limit of the next vent's lengthening over the learned time. An assumption."""
_SCATTER = 1.05
"""Tolerance within which two successive vents show the same speed. An assumption."""
_LEAST_FALL_KPA = 1.0
"""A smaller fall is too small to measure: a usual gauge's uncertainty."""
_LEAST_OPEN_S = 0.5
"""A shorter vent may have been over before its valve moved. An assumption."""
_EVEN = 0.05
"""A flow no further below its slow estimate than this share is even. An assumption."""
_COUNTED_U = 0.1
"""Largest share of one count in a flow that counts as measured."""
_RESOLVED_U = 0.02
"""One pulse in a second as a share of the flow. The loss is quadratic in that: 4 % of it, within the 5 % that a known
loss is allowed in flow (``flowing_band``)."""
_MOST_IDLE_OUTS = 3
"""Where little was to be let out, a single vent or draw without a pressure fall is not significant. An assumption."""


def learn(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """Learn from the stroke that has just come to rest: overrun, line loss, vent speed."""
    if stroke.ended_by in _BY_COUNT:
        learn_overrun(turn, stroke)
    if stroke.pumped:
        learn_loss(turn, stroke, rest_kpa)
        _learn_fall(turn, stroke)
    if stroke.ended_by is End.TIME:
        _learn_vent(turn, stroke, rest_kpa)
    if stroke.ended_by is End.FLOOR and stroke.stop_gauge_kpa is not None:
        most_kpa = AIR_DRAWN_KPA + air_loss_kpa(turn.setup.line, turn.setup.line.back_lps, rest_kpa)
        turn.set(stroke=changed(stroke, liquid_came=rest_kpa - stroke.stop_gauge_kpa > most_kpa))
    if stroke.drew and not turn.state.stroke.liquid_came:
        _learn_draw(turn, stroke, rest_kpa)


def flow_step(setup: Setup, flow: float) -> int:
    """Nearest fifth of the pump's flow: the key under which overruns are learned."""
    return min(round(5 * flow / setup.line.pump_lps), FLOW_STEPS[-1])


def overrun_s(setup: Setup, state: FillState, flow: float) -> float:
    """Overrun after a stop at this flow, in seconds of flow: from the nearest learned step, else the default."""
    step = flow_step(setup, flow)
    return min(state.overruns, key=lambda learned: abs(learned[0] - step), default=(0, setup.overrun_s))[1]


def learn_overrun(turn: Turn, stroke: Stroke) -> None:
    """Learn the overrun from decision to standstill, in seconds of flow; not with air or a doubtful count."""
    state, flow = turn.state, stroke.stop_flow_lps
    if flow <= 0 or not turn.facts.wet or state.measure or state.alarms.first_out:
        return
    actual_s = (turn.facts.in_tyre_l - stroke.stop_l) / flow
    known_s, step = overrun_s(turn.setup, state, flow), flow_step(turn.setup, flow)
    learned_s = min(max(known_s + _LEARN * (actual_s - known_s), _OVERRUN_S[0]), _OVERRUN_S[1])
    turn.set(overruns=tuple(sorted({**dict(state.overruns), step: learned_s}.items())))


def learn_loss(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """Learn the line loss from the gauge just before the stop and the rest after it."""
    computed = line_loss_kpa(turn.setup.line, stroke.stop_flow_lps)
    if stroke.stop_gauge_kpa is None or not stroke.loss_told or computed <= 0:
        return
    # The coast-down raised the pressure a little after the gauge was noted.
    coasted = turn.facts.in_tyre_l - stroke.stop_l
    slope = stiffness_kpa_per_l(turn.state.gas, turn.setup, rest_kpa, turn.facts.offset_l)
    lost = stroke.stop_gauge_kpa - head_kpa(turn.setup.line) - (rest_kpa - slope * coasted)
    large = max(lost, computed) >= 3 * _ONE_PSI
    if not large and max(lost, computed) < _NO_FALL_KPA + 3 * turn.facts.wavers_kpa:
        # Too small to measure, and too small to matter.
        turn.set(loss_known=True)
        return
    gain = min(max(lost / computed, 0.02), 100.0)
    if turn.state.loss_known:
        turn.set(tally=with_counted_double(turn.setup, turn.state, gain / turn.state.loss_gain))
        # A bore does not widen from one stroke to the next: an overcounting meter would make it look so.
        gain = min(max(gain, turn.state.loss_gain / _OTHER_BORE), turn.state.loss_gain * _OTHER_BORE)
    turn.set(loss_gain=gain, loss_known=True)
    if large and not _USUAL_GAIN[0] <= gain <= _USUAL_GAIN[1]:
        turn.flag(Flag.OTHER_LOSS)


def lost_kpa(turn: Turn) -> float:
    """The present line loss, as measured at a rest of this fill: from its flow, or the last fall after a stop."""
    facts = turn.facts
    if not facts.wet or facts.run_s < turn.setup.line.start_lag_s + turn.setup.blank_s:
        return 0.0
    return (facts.loss_known and facts.loss_kpa) or turn.state.fell_kpa


def stopped(turn: Turn, why: End) -> Stroke:
    """The stroke at its stop command, with the gauge reading and the line loss in it."""
    # While liquid is drawn off the hose the gauge shows its loss, and nothing of the tyre.
    hose_draws = why is End.FLOOR and turn.state.tally.hose_l > 0
    gauge_kpa = None if hose_draws else turn.facts.reading.line_kpa
    return changed(turn.state.stroke, ended_by=why, stop_gauge_kpa=gauge_kpa, stop_loss_kpa=lost_kpa(turn))


def end_stroke(turn: Turn, why: End) -> None:
    """End the stroke, and keep what the rest after it is compared with."""
    facts = turn.facts
    # With pulses missing, the flow does not give the loss, and nothing is learned from it.
    loss_shown = why is End.FLOOR or (facts.line is not None and facts.steady)
    measured = turn.state.flow.fine or facts.slow_u <= _COUNTED_U
    turn.set(
        stroke=changed(
            stopped(turn, why),
            stop_l=in_tyre_l(turn.setup, turn.state),
            # A stroke ended before its flow was measured gives none: a level's one step in a second is no flow.
            stop_flow_lps=(_stop_lps(turn) if measured else 0.0) or turn.state.stroke.stop_flow_lps,
            loss_told=loss_shown,
        )
    )
    turn.note("stroke", ended_by=why.value, in_tyre_l=round(facts.in_tyre_l, 3), flow_lps=round(facts.flow_lps, 4))
    turn.phase_trigger("rest")


def _stop_lps(turn: Turn) -> float:
    """The flow that the gauge's last reading belongs to: the last second's where that resolves it, as the longer window
    lags while the hose still stretches."""
    facts = turn.facts
    resolved = facts.flow_lps * _RESOLVED_U > turn.setup.meter.litres_per_pulse
    return facts.flow_lps if resolved else facts.slow_lps


def learn_calm(turn: Turn) -> None:
    """Keep the first gauge reading after a stroke once the line is calm: the reference for what follows."""
    if turn.state.stroke.calm_gauge_kpa is None and calm(turn.setup, turn.facts):
        turn.set(stroke=changed(turn.state.stroke, calm_gauge_kpa=turn.facts.reading.line_kpa))


def _learn_fall(turn: Turn, stroke: Stroke) -> None:
    """Keep the gauge's fall after a stop: by run time no flow is known to compute a loss from."""
    shown_kpa = turn.facts.reading.line_kpa
    if turn.facts.wet and stroke.stop_gauge_kpa is not None and shown_kpa is not None:
        turn.set(fell_kpa=stroke.stop_gauge_kpa - shown_kpa)


def _learn_vent(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    fell_kpa = stroke.from_kpa - rest_kpa
    computed = vent_seconds(turn.setup.line, air_l(turn), stroke.from_kpa, rest_kpa)
    if fell_kpa < _NO_FALL_KPA and computed < stroke.open_s / 4:
        # What is over before its valve has moved shows nothing, however often.
        idle, moved = stroke.idle_outs + 1, stroke.open_s >= _LEAST_OPEN_S
        significant = stroke.from_kpa - stroke.goal_kpa > 3 * _ONE_PSI or idle >= _MOST_IDLE_OUTS
        turn.set(stroke=changed(stroke, air_stayed=moved and significant, idle_outs=idle))
        return
    turn.set(stroke=changed(turn.state.stroke, idle_outs=0))
    if fell_kpa >= _LEAST_FALL_KPA and 0 < computed < math.inf:
        # A bore does not narrow from one vent to the next, but a valve may stick for a while, at the end of one and the
        # start of the next: only what both show is used.
        known, before = (turn.state.vent_gain, turn.state.vent_shown) if turn.state.vent_known else (1.0, 1.0)
        shown = max(stroke.open_s / computed, 0.2)
        # A valve that travels lets next to nothing out in a short vent, and more in the next, longer one.
        short = stroke.open_s < vent_shuts_s(turn.setup)
        slower = known if short else min(_SCATTER * max(before, known), _SLOWER * known)
        turn.set(vent_gain=min(shown, slower), vent_known=True, vent_shown=shown)


def more_room(turn: Turn, before_l: float) -> None:
    """Keep vent times unchanged when the air space measures larger than assumed: the vents have shown them."""
    share = min(1.0, before_l / air_l(turn))
    turn.set(vent_gain=turn.state.vent_gain * share, vent_shown=turn.state.vent_shown * share)


def _learn_draw(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """With a meter that cannot measure reverse flow only the pressure shows whether the pump drew at all.

    A rest far above what the air that was drawn has left is a gauge's that does not show it.
    """
    if stays_too_high(turn.facts):
        turn.set(stroke=changed(turn.state.stroke, air_stayed=True))
        return
    drawn_l = turn.state.tally.air_drawn_l - stroke.start_air_l
    falls_kpa = (rest_kpa + turn.setup.line.atmosphere_kpa_abs) * drawn_l / air_l(turn)
    if falls_kpa < _NO_FALL_KPA:
        return
    idle = stroke.idle_outs + 1 if stroke.from_kpa - rest_kpa < falls_kpa / 4 else 0
    significant = falls_kpa > 3 * _ONE_PSI or stroke.ended_by is End.UNSURE
    stayed = idle >= _MOST_IDLE_OUTS or (idle > 0 and significant)
    turn.set(stroke=changed(turn.state.stroke, air_stayed=stayed, idle_outs=idle))


def vent_s(turn: Turn, from_kpa: float, to_kpa: float) -> float:
    """Vent time: as learned, else conservative; longer where the last vent was too short to measure."""
    last = turn.state.stroke
    too_short = last.idle_outs if last.lets_out and last.open_s < _LEAST_OPEN_S else 0
    return _usual_vent_s(turn, from_kpa, to_kpa) * (1 + too_short)


def _usual_vent_s(turn: Turn, from_kpa: float, to_kpa: float) -> float:
    """Vent time as learned, else from the bore that the line loss indicates."""
    line, state = turn.setup.line, turn.state
    if state.vent_known:
        return vent_seconds(line, air_l(turn), from_kpa, to_kpa) * state.vent_gain
    # A stem where a large bore was entered vents slowly.
    as_met = replace(line, bore_m=line.bore_m * state.loss_gain**-0.25)
    # The loss of gun or strainer looks like a narrow bore's, and hinders no air: half the time.
    share = 0.7 / 2 if Flag.OTHER_LOSS in state.flags else 0.7
    if state.measure or not state.loss_known or AIR_SPACE_GUARDS & state.flags:
        # With air space or meter in question, the air may be half of the estimate and is let down in half the time.
        share = 0.25
    return vent_seconds(as_met, air_l(turn), from_kpa, to_kpa) * share


def book_unforeseen(turn: Turn, rest_kpa: float) -> None:
    """At the rest of a stroke of liquid, broken off or not, book in doubt by what pressure and count differ."""
    if turn.state.stroke.pushed:
        turn.set(tally=with_unforeseen(turn.setup, turn.state, turn.facts, rest_kpa, air_l(turn)))


def watch_flow(turn: Turn) -> None:
    """Keep the values of an even flow: the reference for detecting a suction that runs dry."""
    facts, setup, line_kpa = turn.facts, turn.setup, turn.facts.reading.line_kpa
    if facts.gas is None or not facts.wet or line_kpa is None or starves(setup, facts):
        return
    least_lps = facts.slow_lps - max(_EVEN * facts.slow_lps, setup.meter.litres_per_pulse)
    if facts.run_s >= setup.line.start_lag_s + setup.blank_s and facts.flow_lps >= least_lps > 0:
        passed_l = turn.state.tally.passed_forward_l(setup.meter)
        over_kpa = line_kpa - facts.gas.best
        stroke = turn.state.stroke
        turn.set(stroke=changed(stroke, even_lps=facts.slow_lps, even_over_kpa=over_kpa, even_passed_l=passed_l))


def air_l(turn: Turn) -> float:
    """The tyre's air space, litres; a small remainder is always assumed."""
    return max(turn.state.gas.cavity_l - turn.facts.filled_l, 0.02 * turn.state.gas.cavity_l)
