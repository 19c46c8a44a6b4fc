"""What moves though nothing was told to move: by the count, and by the gauge where the count is no witness.

Judgements only; the guards say what follows from them.
"""

from __future__ import annotations

from rig.control.agreement import APART_KPA, calm
from rig.control.gauges import HANDS_KPA
from rig.control.observe import Facts
from rig.control.passing import MOST_FLOW
from rig.control.procedure import Phase, State
from rig.control.values import Setup
from rig.plan.physics import head_kpa

_STRAY_L = 0.03
"""More than a hose gives when its pressure changes, or than a meter counts that is knocked."""
_GIVEN_BACK = 0.5
"""Least share of what the line takes that the gauge falls by once the pump stands."""
_NOISE_KPA = 1.0
"""A gauge that stands may waver by this."""
_RISES_KPA = 1.5
"""After a draw the gas grows warm again, but by less."""
_HANGS_KPA = 15.0
"""The vacuum that a full hose makes which hangs 1.5 m below its gauge."""
_SHOWS_S = 1.0
"""Time after a pump's coasting in which the gauge has followed."""


def flows(setup: Setup, facts: Facts) -> bool:
    """Liquid flows though the pump is off."""
    # Where the level or the time counts, litres show too late, and a shut hose takes none: the gauge tells.
    unasked = _goes_on_rising(setup, facts) or _pressed(setup, facts)
    return unasked or facts.stray_l > max(_STRAY_L, 2.5 * setup.meter.litres_per_pulse)


def moves(setup: Setup, facts: Facts) -> bool:
    """The pressure moves as no gas does by itself, though all is off, and the meter is blind to a pump that does it.

    What a meter would count and does not is a leak, an open vent or a gauge that drifts: another row's matter.
    """
    blind_back = setup.meter.reverse == "none" or setup.meter.estimated
    falls = facts.moves_kpa_s < 0 and blind_back
    # From below the tyre's pressure it rises where the hose's liquid is drawn off, and loses less and less.
    below = blind_back and facts.gas is not None and (facts.reading.line_kpa or 0.0) < facts.gas.low - APART_KPA / 2
    rises = facts.moves_kpa_s > 0 and facts.valve_open and (setup.meter.estimated or below)
    return falls or rises or _drawn(setup, facts, blind_back=blind_back)


def _drawn(setup: Setup, facts: Facts, *, blind_back: bool) -> bool:
    """A vacuum that came after the pump ran forward, or that a draw left and that grows deeper.

    No leak, vent or lost gun goes below the air outside; behind a blocked valve a vacuum stays as the pump left it.
    """
    line, left_kpa = facts.reading.line_kpa, facts.stroke.stop_gauge_kpa
    lever = setup.by_hand and facts.state is State.RUNNING
    if line is None or lever or facts.off_s <= setup.line.coast_s + _SHOWS_S:
        return False
    lowest_kpa = -_HANGS_KPA
    if facts.last_way < 0:
        if not blind_back or left_kpa is None or not facts.valve_open:
            return False
        lowest_kpa = min(lowest_kpa, left_kpa - _NOISE_KPA)
    return line < lowest_kpa - facts.wavers_kpa


def _goes_on_rising(setup: Setup, facts: Facts) -> bool:
    """After the stop the gauge stands above what a pump that coasts to rest leaves, or goes on rising from there."""
    stroke, line = facts.stroke, facts.reading.line_kpa
    if line is None:
        return False
    if setup.meter.estimated and stroke.lets_out and calm(setup, facts) and line > _before_kpa(setup, facts):
        # However little of the air has left: more than before comes from a pump.
        return True
    rises_kpa = _may_rise_kpa(setup, facts)
    if rises_kpa is None:
        return False
    if setup.meter.estimated and stroke.calm_gauge_kpa is not None and line > stroke.calm_gauge_kpa + rises_kpa:
        # With a meter that counts nothing it is the gauge that drifts.
        return True
    forward = stroke.pushed and facts.last_way >= 0
    if not forward or facts.gas is None or stroke.stop_gauge_kpa is None or not calm(setup, facts):
        return False
    air_l = max(setup.cavity.volume_l - facts.offset_l, 0.02 * setup.cavity.volume_l)
    coasts_kpa = (facts.gas.high + setup.line.atmosphere_kpa_abs) / air_l * setup.line.most_lps * setup.line.coast_s
    most_kpa = stroke.stop_gauge_kpa + coasts_kpa + _NOISE_KPA + facts.wavers_kpa
    if setup.meter.estimated:
        # A level or the pump's time tells flow late: that the line has given back nothing of its loss tells it at once.
        # They tell a flow's size badly, too, and no more was lost than the gauge stood above the air space.
        most_kpa -= _GIVEN_BACK * max(min(stroke.stop_loss_kpa, stroke.stop_gauge_kpa - facts.gas.high), 0.0)
        # Nor can the stroke have brought more than the pump moves in its time, however little of it was counted.
        moved_l = MOST_FLOW * setup.line.most_lps * (facts.reading.now_s - stroke.began_s)
        if moved_l < air_l / 2:
            rises_kpa = (facts.gas.high + setup.line.atmosphere_kpa_abs) * moved_l / (air_l - moved_l)
            most_kpa = min(most_kpa, facts.gas.high + rises_kpa + APART_KPA + max(head_kpa(setup.line), 0.0))
    return line > most_kpa


def _may_rise_kpa(setup: Setup, facts: Facts) -> float | None:
    """By how much the gauge may rise above what it showed when the line was calm; None where nothing was calm yet."""
    if facts.stroke.over or (facts.phase is Phase.BACK_FLUSH and facts.valve_open):
        # A hose that is reversed off an open valve draws air as a stroke does.
        return _RISES_KPA + facts.wavers_kpa
    if facts.phase is Phase.SHUT and facts.valve_open and setup.into == "tyre":
        return HANDS_KPA + facts.wavers_kpa
    return None


def _pressed(setup: Setup, facts: Facts) -> bool:
    """The hose was reversed off behind a shut valve, and now stands under more pressure than any tyre of this fill."""
    line = facts.reading.line_kpa
    told = facts.valve_open or facts.forward or facts.reverse or setup.by_hand
    # After a reset nothing is known of the hose until it has been reversed off anew.
    stood = facts.stroke.calm_gauge_kpa is not None and calm(setup, facts)
    if facts.state is not State.RUNNING or told or not stood or line is None:
        return False
    return line > setup.trip_kpa + max(head_kpa(setup.line), 0.0)


def _before_kpa(setup: Setup, facts: Facts) -> float:
    """The most that the gauge may show once a stroke is over that let air out."""
    return facts.stroke.from_kpa + head_kpa(setup.line, facts.covered_m) + APART_KPA
