"""What a stroke that has come to rest teaches: overrun, the line's loss, how fast the vent is."""

from __future__ import annotations

import math
from dataclasses import replace

from rig.control.agreement import calm, starves
from rig.control.changed import changed
from rig.control.doubt import with_counted_double, with_unseen
from rig.control.guards import AIR_SPACE_GUARDS
from rig.control.observe import BLANK_S
from rig.control.pressure import AIR_DRAWN_KPA, stiffness_kpa_per_l
from rig.control.state import FillState, Stroke
from rig.control.turn import Turn
from rig.control.values import Setup
from rig.plan.physics import air_loss_kpa, head_kpa, line_loss_kpa, vent_seconds
from rig.units import KPA_PER_PSI

_ONE_PSI = KPA_PER_PSI
_LEARN = 0.3
"""Share of what a stroke shows that is believed: its own scatter is not learned."""
_OVERRUN_S = 0.05, 3.0
_BY_COUNT = frozenset({"target", "feeler", "look"})
"""Strokes that ended by the litres: one that the pressure ended had the relief or a failing bore in its flow."""
FLOW_STEPS = range(9)
"""Steps of flow in which overruns are learned and kept, fifths of the pump's flow."""
_USUAL_GAIN = 0.4, 2.5
"""Outside this the bore is not that of the valve entered, or something is in the way."""
_OTHER_BORE = 1.5
"""From one stroke to the next the loss measured may change by this factor."""
_NO_FALL_KPA = 2.0
_SLOWER = 1.25
"""By no more than this is the next vent opened longer than the last ones taught."""
_SCATTER = 1.05
"""Two vents in a row show the same speed within this."""
_TELLING_KPA = 1.0
"""A fall by less is too little to measure."""
_TELLING_S = 0.5
"""A vent shorter than this may have been over before its valve moved."""
_EVEN = 0.05
"""A flow that falls no further below its smooth measure is even."""
_MOST_IDLE_OUTS = 3
"""Where little was to be let out, one vent or draw without a fall of pressure proves nothing."""


def learn(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """Learn from the stroke that has just come to rest: overrun, line loss, vent speed."""
    if stroke.ended_by in _BY_COUNT:
        learn_overrun(turn, stroke)
    if stroke.pumped:
        learn_loss(turn, stroke, rest_kpa)
        _learn_fall(turn, stroke)
    if stroke.ended_by == "time":
        _learn_vent(turn, stroke, rest_kpa)
    if stroke.ended_by == "floor" and stroke.stop_gauge_kpa is not None:
        most_kpa = AIR_DRAWN_KPA + air_loss_kpa(turn.setup.line, turn.setup.line.back_lps, rest_kpa)
        turn.set(stroke=changed(stroke, liquid_came=rest_kpa - stroke.stop_gauge_kpa > most_kpa))
    if stroke.drew and not turn.state.stroke.liquid_came:
        _learn_draw(turn, stroke, rest_kpa)


def flow_step(setup: Setup, flow: float) -> int:
    """Which fifth of the pump's flow a flow is nearest to: overruns are learned by it."""
    return min(round(5 * flow / setup.line.pump_lps), FLOW_STEPS[-1])


def overrun_s(setup: Setup, state: FillState, flow: float) -> float:
    """Seconds of flow that still pass after a stop at this flow: from the nearest step learned, else the usual."""
    step = flow_step(setup, flow)
    return min(state.overruns, key=lambda learned: abs(learned[0] - step), default=(0, setup.overrun_s))[1]


def learn_overrun(turn: Turn, stroke: Stroke) -> None:
    """Seconds of flow between the decision to stop and standstill; not from a stroke with air or a doubtful count."""
    state, flow = turn.state, stroke.stop_flow_lps
    if flow <= 0 or not turn.facts.wet or state.measure or state.alarms.first_out:
        return
    actual_s = (turn.facts.in_tyre_l - stroke.stop_l) / flow
    known_s, step = overrun_s(turn.setup, state, flow), flow_step(turn.setup, flow)
    learned_s = min(max(known_s + _LEARN * (actual_s - known_s), _OVERRUN_S[0]), _OVERRUN_S[1])
    turn.set(overruns=tuple(sorted({**dict(state.overruns), step: learned_s}.items())))


def learn_loss(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """How much of the gauge was the line's, from the gauge just before the stop and the rest after it."""
    computed = line_loss_kpa(turn.setup.line, stroke.stop_flow_lps)
    if stroke.stop_gauge_kpa is None or not stroke.loss_told or computed <= 0:
        return
    # The coast-down raised the pressure a little after the gauge was noted.
    coasted = turn.facts.in_tyre_l - stroke.stop_l
    slope = stiffness_kpa_per_l(turn.state.gas, turn.setup, rest_kpa, turn.facts.offset_l)
    lost = stroke.stop_gauge_kpa - head_kpa(turn.setup.line) - (rest_kpa - slope * coasted)
    if max(lost, computed) < 3 * _ONE_PSI:
        # Too little to measure, and too little to matter.
        turn.set(loss_known=True)
        return
    gain = min(max(lost / computed, 0.02), 100.0)
    if turn.state.loss_known:
        turn.set(tally=with_counted_double(turn.setup, turn.state, gain / turn.state.loss_gain))
        # A bore does not widen from one stroke to the next: a meter that begins to count too much would say so.
        gain = min(max(gain, turn.state.loss_gain / _OTHER_BORE), turn.state.loss_gain * _OTHER_BORE)
    turn.set(loss_gain=gain, loss_known=True)
    if not _USUAL_GAIN[0] <= gain <= _USUAL_GAIN[1]:
        turn.flag("line loss unlike this valve's bore")


def lost_kpa(turn: Turn) -> float:
    """What the line takes now, as a rest of this fill has measured it: of its flow, or what it gave back before."""
    facts = turn.facts
    if not facts.wet or facts.run_s < turn.setup.line.start_lag_s + BLANK_S:
        return 0.0
    return (facts.loss_known and facts.loss_kpa) or turn.state.fell_kpa


def stopped(turn: Turn, why: str) -> Stroke:
    """The stroke now that its pump is told to stop, with what the gauge shows and how much of it the line takes."""
    gauge_kpa = turn.facts.reading.line_kpa
    return changed(turn.state.stroke, ended_by=why, stop_gauge_kpa=gauge_kpa, stop_loss_kpa=lost_kpa(turn))


def learn_calm(turn: Turn) -> None:
    """Keep what the gauge shows first once a stroke is over and the line calm: what comes after is measured by it."""
    if turn.state.stroke.calm_gauge_kpa is None and calm(turn.setup, turn.facts):
        turn.set(stroke=changed(turn.state.stroke, calm_gauge_kpa=turn.facts.reading.line_kpa))


def _learn_fall(turn: Turn, stroke: Stroke) -> None:
    """What a stop gives back is told by the gauge alone: by run time no flow is known that a loss could be of."""
    shown_kpa = turn.facts.reading.line_kpa
    if turn.facts.wet and stroke.stop_gauge_kpa is not None and shown_kpa is not None:
        turn.set(fell_kpa=stroke.stop_gauge_kpa - shown_kpa)


def _learn_vent(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    fell_kpa = stroke.from_kpa - rest_kpa
    computed = vent_seconds(turn.setup.line, air_l(turn), stroke.from_kpa, rest_kpa)
    if fell_kpa < _NO_FALL_KPA and computed < stroke.open_s / 4:
        idle = stroke.idle_outs + 1
        tells = stroke.from_kpa - stroke.goal_kpa > 3 * _ONE_PSI and stroke.open_s >= _TELLING_S
        turn.set(stroke=changed(stroke, air_stayed=tells or idle >= _MOST_IDLE_OUTS, idle_outs=idle))
        return
    turn.set(stroke=changed(turn.state.stroke, idle_outs=0))
    if fell_kpa >= _TELLING_KPA and 0 < computed < math.inf:
        # A bore does not narrow from one vent to the next, but a valve may stick for a while: in the end of one and in
        # the beginning of the next, so what both show is believed.
        known, before = (turn.state.vent_gain, turn.state.vent_shown) if turn.state.vent_known else (1.0, 1.0)
        shown = max(stroke.open_s / computed, 0.2)
        turn.set(
            vent_gain=min(shown, _SCATTER * max(before, known), _SLOWER * known), vent_known=True, vent_shown=shown
        )


def more_room(turn: Turn, before_l: float) -> None:
    """An air space that measures larger than believed takes no longer to vent for it: the vents have shown how long."""
    share = min(1.0, before_l / air_l(turn))
    turn.set(vent_gain=turn.state.vent_gain * share, vent_shown=turn.state.vent_shown * share)


def _learn_draw(turn: Turn, stroke: Stroke, rest_kpa: float) -> None:
    """Where the meter is blind backwards only the pressure tells whether the pump drew at all."""
    drawn_l = turn.state.tally.air_drawn_l - stroke.start_air_l
    falls_kpa = (rest_kpa + turn.setup.line.atmosphere_kpa_abs) * drawn_l / air_l(turn)
    if falls_kpa < _NO_FALL_KPA:
        return
    idle = stroke.idle_outs + 1 if stroke.from_kpa - rest_kpa < falls_kpa / 4 else 0
    telling = falls_kpa > 3 * _ONE_PSI or stroke.ended_by == "unsure"
    stayed = idle >= _MOST_IDLE_OUTS or (idle > 0 and telling)
    turn.set(stroke=changed(turn.state.stroke, air_stayed=stayed, idle_outs=idle))


def vent_s(turn: Turn, from_kpa: float, to_kpa: float) -> float:
    """How long the vent is opened: as the last ones took, else carefully; longer where that was too short to tell."""
    last = turn.state.stroke
    too_short = last.idle_outs if last.open_s < _TELLING_S else 0
    return _usual_vent_s(turn, from_kpa, to_kpa) * (1 + too_short)


def _usual_vent_s(turn: Turn, from_kpa: float, to_kpa: float) -> float:
    """As long as the last ones took, else by the bore that the loss shows."""
    line, state = turn.setup.line, turn.state
    if state.vent_known:
        return vent_seconds(line, air_l(turn), from_kpa, to_kpa) * state.vent_gain
    # A stem where a large bore was entered vents slowly.
    as_met = replace(line, bore_m=line.bore_m * state.loss_gain**-0.25)
    # Where air space or meter was doubted it may be half of what is believed, and is let down in half the time.
    share = 0.25 if state.measure or not state.loss_known or AIR_SPACE_GUARDS & state.flags else 0.7
    return vent_seconds(as_met, air_l(turn), from_kpa, to_kpa) * share


def book_unseen(turn: Turn, rest_kpa: float) -> None:
    """At the rest of a stroke of liquid, broken off or not: what pressure tells beside the count stands in doubt."""
    if turn.state.stroke.pushed and turn.facts.gas is not None:
        turn.set(tally=with_unseen(turn.setup, turn.state, turn.facts.gas, rest_kpa, air_l(turn)))


def watch_flow(turn: Turn) -> None:
    """Keep what an even flow shows: a suction that runs dry is told by what falls from there."""
    facts, setup, line_kpa = turn.facts, turn.setup, turn.facts.reading.line_kpa
    if facts.gas is None or not facts.wet or line_kpa is None or starves(setup, facts):
        return
    least_lps = facts.slow_lps - max(_EVEN * facts.slow_lps, setup.meter.litres_per_pulse)
    if facts.run_s >= setup.line.start_lag_s + BLANK_S and facts.flow_lps >= least_lps > 0:
        passed_l = turn.state.tally.passed_forward_l(setup.meter)
        over_kpa = line_kpa - facts.gas.best
        stroke = turn.state.stroke
        turn.set(stroke=changed(stroke, even_lps=facts.slow_lps, even_over_kpa=over_kpa, even_passed_l=passed_l))


def air_l(turn: Turn) -> float:
    """The tyre's air space, litres; a little is always believed to be left."""
    return max(turn.state.gas.cavity_l - turn.facts.filled_l, 0.02 * turn.state.gas.cavity_l)
