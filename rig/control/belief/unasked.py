"""Detect movement that nothing commanded: by the count, and by the gauge where the count cannot detect it.

Detection only; the guards decide what follows.
"""

from __future__ import annotations

from rig.control.belief.gauges import FOLLOWS_S, HANDS_KPA, PUMP_SHARE
from rig.control.belief.observe import Facts
from rig.control.belief.passing import MOST_FLOW
from rig.control.belief.residuals import APART_KPA, against_gas, calm
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.plan.physics import head_kpa

_STRAY_L = 0.03
"""More than a hose yields on a pressure change, or than a meter counts when knocked."""
_GIVEN_BACK = 0.5
"""Least share of the line loss by which the gauge drops once the pump has stopped."""
NOISE_KPA = 1.0
"""Noise band of a steady gauge: as much as a usual gauge's uncertainty."""
_RISES_KPA = 1.5
"""The gas warms up again after a draw, but raises the pressure by less than this. An assumption."""
_HANGS_KPA = 15.0
"""Vacuum of a full hose that hangs 1.5 m below its gauge."""
_BEHIND_S = 0.5
"""Of a stop on the gauge: the 0.3 s that every gauge may lag, and 0.2 s of a relay. Common practice, no source."""


def flows(setup: Setup, facts: Facts) -> bool:
    """Detect liquid that flows with the pump off."""
    # A level or run time counts litres too late, and a shut hose takes none: here the gauge detects it.
    unasked = _goes_on_rising(setup, facts) or _pressed(setup, facts)
    return unasked or facts.stray_l > max(_STRAY_L, 2.5 * setup.meter.litres_per_pulse)


def moves(setup: Setup, facts: Facts) -> bool:
    """Detect pressure movement faster than gas creep with all outputs off, where the meter cannot see the pump do it.

    Without a count where the meter would see the pump, it is a leak, open vent or gauge drift: another guard's matter.
    """
    blind_back = setup.meter.reverse == "none" or setup.meter.estimated
    falls = facts.moves_kpa_s < 0 and blind_back
    # From below the tyre's pressure the reading also rises as the hose's liquid is drawn off and the loss drops.
    below = blind_back and against_gas(facts, facts.reading.line_kpa or 0.0) < -APART_KPA / 2
    rises = facts.moves_kpa_s > 0 and facts.valve_open and (setup.meter.estimated or below)
    return falls or rises or _drawn(setup, facts, blind_back=blind_back)


def _drawn(setup: Setup, facts: Facts, *, blind_back: bool) -> bool:
    """Detect a vacuum after a forward run, or one left by a draw that grows deeper.

    No leak, vent or lost gun goes below ambient; behind a blocked valve the vacuum remains as the pump left it.
    """
    line, left_kpa = facts.reading.line_kpa, facts.stroke.stop_gauge_kpa
    lever = setup.by_hand and facts.state is State.RUNNING
    if line is None or lever or facts.off_s <= setup.line.coast_s + FOLLOWS_S:
        return False
    lowest_kpa = -_HANGS_KPA
    if facts.last_way < 0:
        if not blind_back or left_kpa is None or not facts.valve_open:
            return False
        lowest_kpa = min(lowest_kpa, left_kpa - _coasts_kpa(setup, facts, left_kpa, setup.line.back_lps) - NOISE_KPA)
        if facts.gas is not None and _came_until_the_stop(setup, facts):
            # So the line's loss must have dropped off the gauge.
            rises_kpa = _GIVEN_BACK * (facts.gas.shows_low + min(head_kpa(setup.line), 0.0) - left_kpa)
            lowest_kpa = min(-_HANGS_KPA, left_kpa + rises_kpa)
    return line < lowest_kpa - facts.wavers_kpa


def _came_until_the_stop(setup: Setup, facts: Facts) -> bool:
    """Whether the meter counted in the last reverse stroke at least what a worn pump moves: no blocked valve."""
    stroke = facts.stroke
    ran_s = facts.reading.now_s - facts.off_s - stroke.began_s
    counted = setup.meter.reverse != "none" and not setup.meter.by_time
    return counted and stroke.start_l - stroke.stop_l > PUMP_SHARE * setup.line.back_lps * ran_s > 0


def _goes_on_rising(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge above what a pump that coasts to rest leaves, or one that keeps rising after the stop."""
    stroke, line = facts.stroke, facts.reading.line_kpa
    if line is None:
        return False
    if setup.meter.estimated and stroke.lets_out and calm(setup, facts) and line > _before_kpa(setup, facts):
        # However little air has left: a reading above the starting pressure means that a pump runs.
        return True
    rises_kpa = _may_rise_kpa(setup, facts)
    if rises_kpa is None:
        return False
    if setup.meter.estimated and stroke.calm_gauge_kpa is not None and line > stroke.calm_gauge_kpa + rises_kpa:
        # With a real meter that counts nothing it would be gauge drift.
        return True
    forward = stroke.pushed and facts.last_way >= 0
    if not forward or facts.gas is None or stroke.stop_gauge_kpa is None or not calm(setup, facts):
        return False
    coasts_kpa = _coasts_kpa(setup, facts, facts.gas.high, setup.line.most_lps)
    # A hose that was not full as the stroke began may still fill.
    fills_kpa = max(head_kpa(setup.line), 0.0) if stroke.start_hose_l < setup.line.hose_l else 0.0
    most_kpa = stroke.stop_gauge_kpa + coasts_kpa + fills_kpa + NOISE_KPA + facts.wavers_kpa
    if setup.meter.estimated:
        # A level or run time detects flow late; a line loss that has not dropped off the gauge indicates it at once.
        # Their flow rate is inaccurate too, and the loss cannot exceed the gauge's excess over the air space.
        most_kpa -= _GIVEN_BACK * max(min(stroke.stop_loss_kpa, stroke.stop_gauge_kpa - facts.gas.high), 0.0)
        # The stroke cannot have brought more than the pump moves in its time, however little of it was counted.
        moved_l = MOST_FLOW * setup.line.most_lps * (facts.reading.now_s - stroke.began_s)
        air_l = _air_l(setup, facts)
        if moved_l < air_l / 2:
            rises_kpa = (facts.gas.high + setup.line.atmosphere_kpa_abs) * moved_l / (air_l - moved_l)
            most_kpa = min(most_kpa, facts.gas.shows_high + rises_kpa + APART_KPA + max(head_kpa(setup.line), 0.0))
    return line > most_kpa


def _coasts_kpa(setup: Setup, facts: Facts, kpa: float, flow_lps: float) -> float:
    """How far a pump that coasts to rest moves the tyre's pressure at most, by Boyle's law, from what a gauge shows."""
    runs_s = setup.line.coast_s + _BEHIND_S
    return (kpa + setup.line.atmosphere_kpa_abs) / _air_l(setup, facts) * flow_lps * runs_s


def _air_l(setup: Setup, facts: Facts) -> float:
    return max(setup.cavity.volume_l - facts.offset_l, 0.02 * setup.cavity.volume_l)


def _may_rise_kpa(setup: Setup, facts: Facts) -> float | None:
    """Permitted rise of the gauge above its reading when the line was calm; None before it was calm once."""
    if facts.stroke.over or (facts.phase is Phase.BACK_FLUSH and facts.valve_open):
        # A hose that is reversed off an open valve draws air as a stroke does.
        return _RISES_KPA + facts.wavers_kpa
    if facts.phase is Phase.SHUT and facts.valve_open and setup.into == "tyre":
        return HANDS_KPA + facts.wavers_kpa
    return None


def _pressed(setup: Setup, facts: Facts) -> bool:
    """Detect a hose that was reversed off behind a shut valve and now exceeds any tyre pressure of this fill."""
    line = facts.reading.line_kpa
    explained = facts.valve_open or facts.forward or facts.reverse or setup.by_hand
    # After a reset the hose's state is unknown until it has been reversed off again.
    at_rest = facts.stroke.calm_gauge_kpa is not None and calm(setup, facts)
    if facts.state is not State.RUNNING or explained or not at_rest or line is None:
        return False
    return line > setup.trip_kpa + max(head_kpa(setup.line), 0.0)


def _before_kpa(setup: Setup, facts: Facts) -> float:
    """The highest plausible gauge reading after a stroke that let air out."""
    return facts.stroke.from_kpa + head_kpa(setup.line, facts.covered_m) + APART_KPA
