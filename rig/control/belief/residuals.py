"""Residuals: how far gauge, meter and air space are apart, in flow and at rest, and what is too far.

A pressure is compared with what the sealed air space may show (:func:`against_gas`), after the losses and columns that
explain a part of it; a flow with the line loss that it causes; a gauge that should move with its age. Checks only; the
guards decide what follows.
"""

from __future__ import annotations

from rig.control.belief.acting import SURE_LOSS
from rig.control.belief.flow import FLOWING_LPS
from rig.control.belief.observe import Facts
from rig.control.belief.passing import MOST_FLOW
from rig.control.belief.pressure import LEAST_LOSS
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.plan.physics import air_loss_kpa, bore_loss_kpa, head_kpa, hose_loss_kpa, line_loss_kpa
from rig.units import KPA_PER_PSI

APART_KPA = 3 * KPA_PER_PSI
"""Estimates further apart than this are not explained by gauge error. An assumption."""
SHORT_KPA, _SHORT = KPA_PER_PSI, 0.4
"""A shortfall at rest must exceed both this pressure and this share of the rise: meters slip a little, gauges err."""
_STANDS_KPA = 1.5 * KPA_PER_PSI
"""No gauge is so coarse that it does not show this change. An assumption."""
_LOSS_DOUBT = 0.03
"""Share of the line's loss that is not significant: it is quadratic in a flow that is known to 1.5 %."""
_SHUT_SHARE = 0.4
"""A pressure change of more than this share of the line loss is too large for an error of the measured flow."""
_GIVEN_BACK_S = 2.0
"""Time after coasting until the gauge no longer shows any line loss."""
_STARVES_S, _STARVED = 5.0, 0.01
"""A pump that has drawn no more than this share of its flow for this long is starved."""
_VACUUM_KPA = -50.0
"""A short reverse draws the smallest tyre's air no lower than half of this."""
_COLLAPSED = 0.8
"""Share of an even flow below which it has collapsed: air at the pump is compressed to less."""
_FELL_KPA = 1.0
"""Least fall of gauge and hose together: as much as a usual gauge's uncertainty."""
_FITTINGS_KPA = 3 * KPA_PER_PSI
"""What gun, strainer and meter usually lose at most at the pump's flow: common practice, no source."""
AT_RELIEF = 0.95
"""Share of its setting at which the relief valve begins to pass, as for the count by the pump's time."""
_LEAST_LOSS_KPA = KPA_PER_PSI
"""A smaller loss is no usable indication of what flows."""
LOST_ON_AIR = 0.3
"""Share of the liquid's loss that air never reaches: loss scales with density, and air's is a few thousandths of it."""


def against_gas(facts: Facts, kpa: float | None) -> float:
    """The residual of a gauge pressure against the sealed air space, kPa outside what a gauge may show of its band.

    Positive above the band, negative below, 0 within or where one of the two is unknown.
    """
    return 0.0 if facts.gas is None or kpa is None else facts.gas.beyond(kpa)


def air_stays_on_gauge(facts: Facts) -> bool:
    """Detect a gauge that does not follow counted air out of the sealed tyre: stuck, drifting, or on something else."""
    return facts.reverse and facts.air_at_pump and against_gas(facts, facts.reading.line_kpa) > APART_KPA


def stands_through_flow(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge that does not respond when liquid starts or stops flowing: it always should."""
    changed_s = facts.run_s or facts.off_s
    way, flows = -1 if setup.into == "tote" else 1, abs(facts.flow_lps) > FLOWING_LPS
    # A pump stopped before anything flowed has moved no gauge either.
    moved_l = way * (facts.in_tyre_l - facts.stroke.start_l)
    flowed = facts.forward or moved_l > max(0.2, 5 * setup.meter.litres_per_pulse)
    shows = facts.wet and flowed and flows is (facts.forward or (facts.reverse and way < 0))
    follows_s = 1.5 + setup.line_gauge.behind_s
    return facts.valve_open and shows and follows_s < changed_s < min(facts.gauge_age_s, 60.0)


def stands_through_draw(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge unchanged since a draw began, though the sealed-gas estimate has dropped, upper bound too."""
    draws = (facts.phase is Phase.DRAW_DOWN and facts.air_at_pump) or facts.phase is Phase.EMPTY
    stands = facts.gauge_age_s > facts.run_s > setup.blank_s
    return draws and stands and against_gas(facts, facts.stroke.from_kpa) > _STANDS_KPA


def fell_too_far(facts: Facts) -> bool:
    """Detect, at rest, a gauge far below what the counted draw leaves in the sealed tyre."""
    return against_gas(facts, facts.tyre_kpa) < -APART_KPA


def falls_too_far(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge further below the air space than the loss of the whole path, while the hose's liquid comes back.

    The less liquid is left in the hose, the smaller the loss: the excess is uncounted air. A vacuum is excluded: it has
    other causes, a blocked valve or a covered one.
    """
    returns = facts.phase is Phase.DRAW_DOWN and facts.reverse and not facts.air_at_pump and facts.run_s > setup.blank_s
    line = facts.reading.line_kpa
    if not returns or facts.gas is None or line is None or line < -APART_KPA:
        return False
    most_lps = MOST_FLOW * setup.line.back_lps
    takes_kpa = hose_loss_kpa(setup.line, most_lps) + air_loss_kpa(setup.line, most_lps, facts.gas.low)
    takes_kpa += _in_fittings_kpa(setup, facts)
    return against_gas(facts, line + takes_kpa - min(head_kpa(setup.line), 0.0)) < -APART_KPA


def _in_fittings_kpa(setup: Setup, facts: Facts) -> float:
    """Largest loss of gun, strainer and meter in reverse: the measured loss less those of the hose and of the bore, the
    bore's at its lowest; a usual one before a rest has shown it."""
    if not facts.loss_known:
        return _FITTINGS_KPA
    line, flow_lps = setup.line, setup.line.back_lps
    bore_kpa = LEAST_LOSS * bore_loss_kpa(line, flow_lps)
    return max(0.0, facts.loss_gain * line_loss_kpa(line, flow_lps) - bore_kpa - hose_loss_kpa(line, flow_lps))


def stays_too_high(facts: Facts) -> bool:
    """Detect, at rest, a gauge far above what the counted draw leaves in the sealed tyre."""
    return against_gas(facts, facts.tyre_kpa) > APART_KPA


def calm(setup: Setup, facts: Facts) -> bool:
    """The pump has coasted to rest, and the line loss has dropped off the gauge."""
    return facts.off_s > setup.line.coast_s + _GIVEN_BACK_S + setup.line_gauge.behind_s


def unconfirmed_stop(setup: Setup, facts: Facts) -> bool:
    """The pump's stop is not confirmed yet: a level or run time reports it late, and the gauge has not settled."""
    return setup.meter.estimated and not calm(setup, facts)


def drew_against_shut(setup: Setup, facts: Facts) -> bool:
    """Detect a hose emptied by the reverse to a vacuum that an open tyre would not allow: the path is blocked."""
    line = facts.reading.line_kpa
    if not facts.valve_open or line is None or line >= _VACUUM_KPA:
        return False
    # Thick liquid also makes a vacuum while it is drawn, but it flows; behind an emptied hose the vacuum is the tyre's.
    draws = facts.reverse and facts.run_s > _STARVES_S and setup.meter.reverse != "none" and not facts.air_at_pump
    return facts.rests or (draws and abs(facts.flow_lps) < _STARVED * setup.line.back_lps)


def blocked_ahead(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge above what an open path would need even for liquid, while the hose is still being filled."""
    line = facts.reading.line_kpa
    if facts.wet or not (facts.loss_known and facts.loss_kpa) or line is None:
        return False
    most_kpa = max(head_kpa(setup.line, facts.covered_m), 0.0) + facts.loss_kpa / SURE_LOSS
    return against_gas(facts, line - most_kpa) > APART_KPA


def below_tyre(setup: Setup, facts: Facts) -> bool:
    """Detect a second outlet: while filling, a gauge below tyre pressure plus line loss: liquid leaves elsewhere."""
    fills = facts.forward and facts.wet and facts.run_s > setup.blank_s
    line = facts.reading.line_kpa
    if not fills or line is None:
        return False
    # The hose loss is reliable except for the flow, which has only just been measured; the bore loss is not used.
    surely_lps = max(facts.flow_lps - setup.meter.litres_per_pulse, 0.0)
    least = head_kpa(setup.line, facts.covered_m) + 0.7 * hose_loss_kpa(setup.line, surely_lps)
    return against_gas(facts, line - least) < -APART_KPA


def rises_too_little(setup: Setup, facts: Facts) -> bool:
    """Detect a gauge that, less the line loss, rises less than the counted litres must have raised it."""
    if not (facts.line and facts.gas and facts.steady) or facts.stroke.watch_l is None:
        return False
    gone_in = facts.in_tyre_l - facts.stroke.watch_l
    headspace = max(setup.cavity.volume_l - facts.offset_l, 0.0)
    if gone_in < max(5.0, 0.05 * headspace):
        return False
    # The lower sealed rise that the cavity's band allows: a large tyre must not look like a leak.
    expected = facts.gas.shows_low - facts.stroke.watch_gas_kpa
    # The flow lags, in whole pulses, and the loss is quadratic in it: a few per cent of the loss are not significant.
    doubt = 0.5 + max(_LOSS_DOUBT, 4 * facts.slow_u) * facts.loss_kpa
    return facts.line.best - facts.stroke.watch_line_kpa < 0.5 * expected - doubt


def rises_too_much(facts: Facts) -> bool:
    """Detect, in a steady flow, a gauge less line loss that has risen far above what the counted litres can cause.

    A leak path parallel to the tyre has shut: until then not all that was counted went in, and the line loss was lower.
    """
    if not (facts.line and facts.gas and facts.steady) or facts.stroke.watch_l is None:
        return False
    followed_kpa = facts.gas.shows_high - facts.stroke.watch_gas_kpa
    unasked_kpa = facts.line.best - facts.stroke.watch_line_kpa - followed_kpa
    return unasked_kpa > max(APART_KPA / 2, _SHUT_SHARE * facts.loss_kpa)


def rose_too_little(setup: Setup, facts: Facts) -> bool:
    """Detect, at rest after a stroke of liquid, a tyre well below what the counted litres should have reached."""
    stroke, gas = facts.stroke, facts.gas
    if not (facts.rests and stroke.pumped and gas) or facts.tyre_kpa is None or setup.meter.by_time:
        return False
    # The low bound already allows for the cavity's band: a further shortfall went elsewhere, or never passed.
    least_kpa = _a_step_off(setup, facts, gas.shows_low, -1)
    return least_kpa - facts.tyre_kpa > max(SHORT_KPA, _SHORT * (least_kpa - stroke.from_kpa))


def rose_uncounted(setup: Setup, facts: Facts) -> bool:
    """Detect, at rest after a stroke of liquid, a tyre above what the litres by a level can cause: a stuck level."""
    # Run time counts all pump operation, though inaccurately.
    level = setup.meter.estimated and not setup.meter.by_time
    # A gauge that has not settled indicates a pump that still runs.
    if not (level and calm(setup, facts) and facts.rests and facts.stroke.pumped and facts.gas):
        return False
    most_kpa = _a_step_off(setup, facts, facts.gas.shows_high, 1) + SHORT_KPA
    return facts.tyre_kpa is not None and facts.tyre_kpa > most_kpa


def _a_step_off(setup: Setup, facts: Facts, sealed_kpa: float, steps: int) -> float:
    """The air space's pressure if the meter is ``steps`` of its resolution behind; one step of a level is litres."""
    step_l, atmosphere_kpa = steps * setup.meter.litres_per_pulse, setup.line.atmosphere_kpa_abs
    air_l = max(setup.cavity.volume_l - facts.offset_l, 3 * abs(step_l))
    return (sealed_kpa + atmosphere_kpa) * air_l / (air_l - step_l) - atmosphere_kpa


def apart(facts: Facts) -> bool:
    """Detect, in a steady flow, pressure bands of gauge and air space that do not overlap."""
    if not facts.steady or facts.line is None:
        return False
    # Until a rest has measured the line loss, a gauge below the air space only indicates a bore wider than that of the
    # valve entered; a leak shows in the rise.
    below = facts.loss_known and against_gas(facts, facts.line.high) < -APART_KPA
    return below or against_gas(facts, facts.line.low) > APART_KPA


def counts_too_much(setup: Setup, facts: Facts) -> bool:
    """Detect a counted flow whose line loss would exceed what the gauge shows: the meter overcounts."""
    line = facts.reading.line_kpa
    if not (facts.wet and facts.loss_known and facts.loss_kpa) or line is None or setup.meter.estimated:
        return False
    # The fast flow is known to one pulse; within that band the slow one is more accurate, outside it lags.
    quick_lps, pulse_lps = facts.flow_lps, setup.meter.litres_per_pulse
    surely_lps = min(max(facts.slow_lps * (1 - 2 * facts.slow_u), quick_lps - pulse_lps), quick_lps + pulse_lps)
    least = head_kpa(setup.line, facts.covered_m) + SURE_LOSS * facts.loss_kpa * (surely_lps / facts.slow_lps) ** 2
    return against_gas(facts, line - least) < -APART_KPA


def starves(setup: Setup, facts: Facts) -> bool:
    """Detect a sudden fall of flow and gauge together: the suction source gives no liquid any more.

    A closing valve raises the gauge, a leaking hose or vent the flow; a slipping meter leaves the gauge alone. A pump
    that holds the line at the relief valve does not starve.
    """
    stroke, line = facts.stroke, facts.reading.line_kpa
    flows = facts.forward and facts.wet and facts.run_s > setup.line.start_lag_s + setup.blank_s
    if not flows or not stroke.even_lps or line is None or facts.gas is None or not setup.meter.in_line:
        return False
    fell_lps, least_lps = stroke.even_lps - facts.flow_lps, _COLLAPSED * stroke.even_lps
    if not 0 < facts.flow_lps < least_lps or fell_lps < 2 * setup.meter.litres_per_pulse:
        return False
    if line > AT_RELIEF * setup.line.relief_kpa:
        return False
    # Part of the drop in hose loss alone must show; an unknown bore only adds to it.
    less_kpa = hose_loss_kpa(setup.line, stroke.even_lps) - hose_loss_kpa(setup.line, facts.flow_lps)
    return stroke.even_over_kpa - (line - facts.gas.best) > max(0.5 * less_kpa, _FELL_KPA) + facts.wavers_kpa


def loses_nothing(setup: Setup, facts: Facts) -> bool:
    """Detect a known line loss missing on the gauge though the meter counts: it counts air."""
    line = facts.reading.line_kpa
    lost_kpa = SURE_LOSS * facts.loss_kpa
    if not (facts.wet and facts.loss_known and facts.steady) or line is None or lost_kpa < _LEAST_LOSS_KPA:
        return False
    return against_gas(facts, line - head_kpa(setup.line, facts.covered_m) - LOST_ON_AIR * lost_kpa) < 0
