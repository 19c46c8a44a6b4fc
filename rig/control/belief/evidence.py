"""Collect the evidence on an alarm: signs of the residuals as it comes, and in the seconds after everything is off.

A residual is as expected within a spread from what the setup states of its instruments (95 %), or within a limit of the
guards. Without an instrument, or where a sound rig may show anything, its sign is unknown.
"""

from __future__ import annotations

import math

from rig.control.belief.flow import STILL_S
from rig.control.belief.observe import Facts
from rig.control.belief.passing import passes_uncounted
from rig.control.belief.pressure import MOST_LOSS, NO_TYRE_KPA, gun_kpa
from rig.control.belief.residuals import AT_RELIEF, SHORT_KPA, calm
from rig.control.belief.state import Alarms, FillState
from rig.control.belief.suspects import Evidence, Sign
from rig.control.belief.unasked import NOISE_KPA
from rig.control.belief.witness import PLAY_STEPS, contradiction
from rig.control.words.changed import changed
from rig.control.words.values import Meter, Setup
from rig.plan.physics import head_kpa, line_loss_kpa

_RUNS_S = 1.0
"""A pump that has run for less has shown nothing yet: five times its usual start lag."""


def with_evidence(setup: Setup, state: FillState, facts: Facts) -> Alarms:
    """The alarms with what is seen of the first one: as it comes, and since everything is off."""
    alarms = state.alarms
    if alarms.first_out is None:
        return alarms
    seen = _later(setup, state, facts, alarms.evidence or _first(setup, state, facts, alarms.first_out))
    return alarms if seen is alarms.evidence else changed(alarms, evidence=seen)


def _first(setup: Setup, state: FillState, facts: Facts, alarm: str) -> Evidence:
    return Evidence(
        alarm, vents=setup.method == "vent", metered=not state.measure,
        push=_push(setup, state, facts), count=_count(setup, state, facts), tote=_tote(setup, state, facts),
        tyre=_tyre(setup, facts), gauge=_gauge(setup, state, facts), high=_high(setup, facts),
        still=_still(facts), empty=_empty(setup, facts),
    )  # fmt: skip


def _later(setup: Setup, state: FillState, facts: Facts, seen: Evidence) -> Evidence:
    line_kpa = facts.reading.line_kpa
    if not _all_off(setup, facts) or line_kpa is None:
        return seen
    passed_l = state.tally.passed_forward_l(setup.meter) - state.tally.passed_back_l(setup.meter)
    if seen.calm_kpa is None:
        return changed(seen, calm_kpa=line_kpa, calm_l=passed_l, calm_tote_l=facts.reading.tote_l)
    later = changed(
        seen,
        creep=_sign(line_kpa - seen.calm_kpa, NOISE_KPA + facts.wavers_kpa),
        runs=_sign(passed_l - seen.calm_l, 1.5 * setup.meter.litres_per_pulse),
        draws=_draws(setup, facts, seen),
        tyre=_tyre(setup, facts),
        gauge=_gauge(setup, state, facts),
        high=_high(setup, facts),
        still=seen.still if _still(facts) == "+" else "0",
    )
    return seen if later == seen else later


def _sign(value: float, beyond: float) -> Sign:
    return "+" if value > beyond else "-" if value < -beyond else "0"


def _spread_kpa(setup: Setup, facts: Facts) -> float:
    """Of the difference of two readings of the gauge, at 95 %, noise included."""
    return math.sqrt(2) * setup.line_gauge.u_kpa + facts.wavers_kpa


def _push(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """What the pump moves the gauge by, against the loss of its flow; more than that only where a rest measured it."""
    line_kpa, line = facts.reading.line_kpa, setup.line
    tyre_kpa = facts.gas.best if facts.gas is not None else state.gas.rest_kpa
    liquid = facts.wet if facts.forward else state.tally.hose_l > line.hose_l / 2
    shows = liquid and facts.run_s >= _RUNS_S + setup.line_gauge.behind_s
    if not shows or line_kpa is None or tyre_kpa is None:
        return "?"
    pushed_kpa = line_kpa - head_kpa(line, facts.covered_m) - tyre_kpa
    if facts.reverse:
        return "-" if -pushed_kpa < 2 * _spread_kpa(setup, facts) else "0"
    if pushed_kpa < 2 * _spread_kpa(setup, facts):
        return "-"
    loses_kpa = min(facts.loss_gain * line_loss_kpa(line, line.pump_lps), max(line.relief_kpa - tyre_kpa, 0.0))
    return "+" if facts.loss_known and pushed_kpa > MOST_LOSS * loses_kpa + _spread_kpa(setup, facts) else "0"


def _count(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """By the pulses while the pump runs or last ran; too many by its time, within the uncertainty of that."""
    counts = not setup.meter.estimated and (facts.last_way > 0 or setup.meter.reverse != "none")
    if not counts or not facts.valve_open or not facts.last_way:
        return "?"
    ran_s, silent_s = facts.run_s or _RUNS_S + STILL_S, facts.pulse_age_s - facts.off_s
    if ran_s < STILL_S or passes_uncounted(setup, state):
        return "?"
    if silent_s > STILL_S:
        return "-"
    if facts.last_way < 0:
        return "0"
    at = next((at for at, meter in enumerate(setup.beside, 1) if meter.by_time), None)
    if at is None or not state.counts or not state.mark.counts:
        return "0"
    by_time = setup.beside[at - 1]
    counted_l, timed_l = _since_rest_l(setup, state, state.measure), _since_rest_l(setup, state, at)
    least_l = 2 * (by_time.litres_per_pulse + setup.meter.litres_per_pulse)
    if timed_l < least_l:
        counted_l = state.tally.passed_forward_l(setup.meter)
        timed_l = state.counts[at].forward * by_time.litres_per_pulse
    return "+" if counted_l > (1 + 2 * by_time.uncertainty) * timed_l + least_l else "0"


def _tote(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """What left the tote against the meter: over the whole fill where a witness contradicts, else since the rest."""
    against = contradiction(setup, state) if facts.contradicted else None
    if against is not None:
        return _sign(against.reference_l - against.meter_l, 0.0)
    at = next((at for at, meter in enumerate(setup.beside, 1) if meter.of_tote), None)
    if at is None or at == state.measure or not state.mark.counts:
        return "?"
    witness, sees_l = setup.beside[at - 1], _since_rest_l(setup, state, at)
    metered_l = _liquid_l(setup, state)
    spread_l = math.hypot(witness.uncertainty * sees_l, setup.meter.uncertainty * metered_l)
    return _sign(sees_l - metered_l, spread_l + PLAY_STEPS * witness.litres_per_pulse)


def _liquid_l(setup: Setup, state: FillState) -> float:
    """Liquid that passed the meter since the last rest, less the air that displaced some in the suction line."""
    now, then, meter, air_kpa_abs = state.tally, state.mark.tally, setup.meter, setup.line.atmosphere_kpa_abs
    forward_l = now.forward_l(meter) - then.forward_l(meter)
    back_l = now.returned_l(meter) - then.returned_l(meter)
    return forward_l - back_l - (now.suction_air_kpa_l - then.suction_air_kpa_l) / air_kpa_abs


def _since_rest_l(setup: Setup, state: FillState, measure: int) -> float:
    """What a measure has counted since the last rest; ``setup`` has the acting one in the meter's place."""
    meter: Meter = setup.meter if measure == state.measure else setup.beside[measure - 1]
    now, then = state.counts[measure], state.mark.counts[measure]
    return (now.forward - now.back - then.forward + then.back) * meter.litres_per_pulse


def _tyre(setup: Setup, facts: Facts) -> Sign:
    """In flow by the gauge less the line's loss, with all off by the gauge less the hose's column."""
    line_kpa, gas = facts.reading.line_kpa, facts.gas
    if line_kpa is None or gas is None:
        return "?"
    if facts.forward and facts.line is not None:
        shown_low, shown_high = facts.line.low, facts.line.high
    elif _all_off(setup, facts):
        shown_low = shown_high = line_kpa - head_kpa(setup.line, facts.covered_m)
    else:
        return "?"
    beyond_kpa = SHORT_KPA + facts.wavers_kpa
    return "+" if gas.beyond(shown_low) > beyond_kpa else "-" if gas.beyond(shown_high) < -beyond_kpa else "0"


def _all_off(setup: Setup, facts: Facts) -> bool:
    """Everything is commanded off, and the line's loss has dropped off the gauge."""
    return not facts.outputs.moving and calm(setup, facts)


def _gauge(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """The pressure behind the gun by the line gauge, with all off: below ambient, that of no tyre, or a tyre's."""
    behind_kpa = gun_kpa(setup, facts.reading.line_kpa, state.tally.hose_l)
    if behind_kpa is None or not _all_off(setup, facts):
        return "?"
    return _sign(behind_kpa, NO_TYRE_KPA + setup.line_gauge.beyond_kpa)


def _still(facts: Facts) -> Sign:
    """Unmoved since the pump started or stopped, or since the vent opened; unknown where nothing was read."""
    if not facts.reading.fresh:
        return "?"
    since_s = facts.stroke_s if facts.venting else max(facts.run_s, facts.off_s)
    began_s = facts.reading.now_s - facts.stroke.began_s
    return "+" if facts.gauge_age_s > min(since_s, began_s) > _RUNS_S else "0"


def _high(setup: Setup, facts: Facts) -> Sign:
    line_kpa = facts.reading.line_kpa
    return "?" if line_kpa is None else "+" if line_kpa > AT_RELIEF * setup.line.relief_kpa else "0"


def _empty(setup: Setup, facts: Facts) -> Sign:
    level_l = facts.reading.tote_l
    return "?" if level_l is None else "+" if level_l <= setup.heel_l else "0"


def _draws(setup: Setup, facts: Facts, seen: Evidence) -> Sign:
    """By at least half of the step in which a level is read."""
    level_l, of_tote = facts.reading.tote_l, [meter for meter in (*setup.beside, setup.meter) if meter.of_tote]
    if level_l is None or seen.calm_tote_l is None or not of_tote:
        return "?"
    return _sign(seen.calm_tote_l - level_l, of_tote[0].litres_per_pulse / 2)
