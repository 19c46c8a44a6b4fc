"""Collect the evidence on an alarm: signs of the residuals as it comes, and in the seconds after everything is off."""

from __future__ import annotations

from collections.abc import Callable
from operator import attrgetter

from rig.control.belief.agreement import calm
from rig.control.belief.observe import Facts
from rig.control.belief.passing import MOST_FLOW
from rig.control.belief.pressure import NO_TYRE_KPA
from rig.control.belief.state import Alarms, FillState
from rig.control.belief.suspects import Evidence, Sign, Way
from rig.control.belief.witness import PLAY_STEPS, contradiction
from rig.control.words.changed import changed
from rig.control.words.values import Meter, Setup
from rig.plan.physics import head_kpa, line_loss_kpa

_RUNS_S = 1.0
"""A pump that has run for less has shown nothing yet."""
_PUSH_KPA, _LOW_KPA, _CREEP_KPA, _FAST_KPA = 8.0, 3.0, 1.5, 8.0
"""Differences of pressure that are no noise, and in some seconds no drift: assumed, no source."""
_NOT_PUSHED, _PUSHED = 0.3, 1.5
"""Shares of the loss of the pump's flow below which hardly anything flows, and above which the way is narrowed."""
_LITTLE = 0.3
"""Share of what the pump moves in its time below which a meter counts too little: assumed, no source."""
_SILENT_S, _LEAST_L = 1.2, 0.5
"""Time without a pulse, and litres, that say something of a meter: assumed, no source."""
_TOTE_SHARE = 0.07
"""Share by which a tote may differ from the meter: the usual uncertainty of a level with some more, assumed."""


def with_evidence(setup: Setup, state: FillState, facts: Facts) -> Alarms:
    """The alarms with what is seen of the first one: as it comes, and since everything is off."""
    alarms = state.alarms
    if alarms.first_out is None:
        return alarms
    seen = _later(setup, state, facts, alarms.evidence or _first(setup, state, facts, alarms.first_out))
    return alarms if seen is alarms.evidence else changed(alarms, evidence=seen)


def _first(setup: Setup, state: FillState, facts: Facts, alarm: str) -> Evidence:
    return Evidence(
        alarm, _way(facts), _push(setup, state, facts), _count(setup, state, facts), _tote(setup, state, facts),
        _tyre(setup, state, facts), _none(facts), _still(facts), setup.method == "vent",
    )  # fmt: skip


def _later(setup: Setup, state: FillState, facts: Facts, seen: Evidence) -> Evidence:
    line_kpa = facts.reading.line_kpa
    if facts.forward or facts.reverse or not calm(setup, facts) or line_kpa is None:
        return seen
    passed_l = state.tally.passed_forward_l(setup.meter) - state.tally.passed_back_l(setup.meter)
    if seen.calm_kpa is None:
        return changed(seen, calm_kpa=line_kpa, calm_l=passed_l)
    later = changed(
        seen,
        creep=_sign(line_kpa - seen.calm_kpa, _CREEP_KPA + 2 * facts.wavers_kpa),
        runs=_sign(passed_l - seen.calm_l, _LEAST_L + setup.meter.litres_per_pulse),
        fast=abs(line_kpa - seen.calm_kpa) > _FAST_KPA + 2 * facts.wavers_kpa,
        tyre=_tyre(setup, state, facts),
        none=_none(facts),
        still=seen.still and _still(facts),
    )
    return seen if later == seen else later


def _sign(value: float, beyond: float) -> Sign:
    return "+" if value > beyond else "-" if value < -beyond else "0"


def _way(facts: Facts) -> Way:
    return "in" if facts.forward else "out" if facts.reverse else "vent" if facts.venting else "off"


def _push(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """Against what the pump's flow loses, as measured by a rest of this fill; of more than that only then."""
    line_kpa, line = facts.reading.line_kpa, setup.line
    tyre_kpa = facts.gas.best if facts.gas is not None else state.gas.rest_kpa
    if not facts.forward or not facts.wet or facts.run_s < _RUNS_S or line_kpa is None or tyre_kpa is None:
        return "?"
    pushed_kpa = line_kpa - head_kpa(line, facts.covered_m) - tyre_kpa
    loses_kpa = min(facts.loss_gain * line_loss_kpa(line, line.pump_lps), max(line.relief_kpa - tyre_kpa, 0.0))
    if pushed_kpa < _NOT_PUSHED * loses_kpa:
        return "-"
    return "+" if facts.loss_known and pushed_kpa > _PUSHED * loses_kpa + _PUSH_KPA else "0"


def _count(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """By flow while the pump fills, and by its time since the last rest."""
    if facts.reverse or setup.meter.estimated:
        return "?"
    if facts.forward and facts.run_s > _SILENT_S:
        if facts.pulse_age_s > _SILENT_S:
            return "-"
        if facts.flow_lps > MOST_FLOW * setup.line.pump_lps:
            return "+"
    timed = _beside(setup, state, attrgetter("by_time"))
    if timed is None:
        return "?"
    by_time_l = _since_rest_l(setup, state, timed)
    if by_time_l < 2 * _LEAST_L:
        return "?"
    share = _since_rest_l(setup, state, 0) / by_time_l
    return "+" if share > MOST_FLOW else "-" if share < _LITTLE else "0"


def _tote(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """Over the whole fill where a witness contradicts the meter, else since the last rest."""
    against = contradiction(setup, state) if facts.contradicted else None
    if against is not None:
        return _sign(against.reference_l - against.meter_l, 0.0)
    sees = _beside(setup, state, attrgetter("of_tote"))
    if sees is None:
        return "?"
    metered_l = _since_rest_l(setup, state, 0)
    beyond_l = PLAY_STEPS * setup.beside[sees - 1].litres_per_pulse + _TOTE_SHARE * abs(metered_l)
    return _sign(_since_rest_l(setup, state, sees) - metered_l, beyond_l)


def _beside(setup: Setup, state: FillState, has: Callable[[Meter], bool]) -> int | None:
    """The first such measure beside the meter; None without one, or before a rest."""
    if not state.counts or not state.mark.counts:
        return None
    return next((at for at, meter in enumerate(setup.beside, 1) if has(meter)), None)


def _since_rest_l(setup: Setup, state: FillState, measure: int) -> float:
    """What a measure has counted since the last rest."""
    meter = setup.beside[measure - 1] if measure else setup.meter
    now, then = state.counts[measure], state.mark.counts[measure]
    return (now.forward - now.back - then.forward + then.back) * meter.litres_per_pulse


def _tyre(setup: Setup, state: FillState, facts: Facts) -> Sign:
    """In flow by the gauge less the line's loss, with all off by the gauge less the hose's column."""
    line_kpa, low, high = facts.reading.line_kpa, state.gas.rest_kpa, state.gas.rest_kpa
    if facts.gas is not None:
        low, high = facts.gas.shows_low, facts.gas.shows_high
    if low is None or high is None or line_kpa is None:
        return "?"
    if facts.forward or facts.reverse:
        if facts.line is None:
            return "?"
        shown_low, shown_high = facts.line.low, facts.line.high
    else:
        shown_low = shown_high = line_kpa - head_kpa(setup.line, facts.covered_m)
    # A few litres that a silent meter missed raise it by less.
    return "+" if shown_low > high + _PUSH_KPA else "-" if shown_high < low - _LOW_KPA else "0"


def _none(facts: Facts) -> bool:
    return facts.reading.line_kpa is not None and abs(facts.reading.line_kpa) < NO_TYRE_KPA


def _still(facts: Facts) -> bool:
    return facts.gauge_age_s > max(facts.run_s, facts.off_s) > _RUNS_S
