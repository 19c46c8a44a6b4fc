"""Limits that need no inference: by a reading, a count, a time or a configured limit.

They hold whatever is estimated: an estimate may tighten one, never relax it.
"""

from __future__ import annotations

from rig.control.belief.accounting import HOSE_STRETCH_PER_KPA
from rig.control.belief.flow import FLOWING_LPS
from rig.control.belief.observe import Facts
from rig.control.belief.passing import MOST_FLOW
from rig.control.safety import wires
from rig.control.safety.guard import LIVE, PUMPING, RUNNING, Guard, running
from rig.control.safety.unconfirmed import ANOTHER, CANNOT, FIND_IT, FIRST, REPORTED_AFTER_S
from rig.control.words.alarm_words import OVER_RELIEF_KPA
from rig.control.words.flags import End
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup

_SWITCH_L, _WETS_S = 0.02, 2.0
"""Liquid that a switch in the vent detects, and for how long a little more keeps it wet: assumptions."""


def _pressure_high(setup: Setup, facts: Facts) -> bool:
    return facts.valve_open and facts.tyre_kpa is not None and facts.tyre_kpa >= setup.trip_kpa


def _line_high(setup: Setup, facts: Facts) -> bool:
    # No smoothing between a pressure and its limit.
    line = facts.reading.unsmoothed_line_kpa
    return line is not None and line >= setup.line.relief_kpa + OVER_RELIEF_KPA + setup.line_gauge.beyond_kpa


def _overfill(setup: Setup, facts: Facts) -> bool:
    # A level shows a step at once, and its target is reduced by one.
    allowance = max(0.02 * setup.target_l, 0.5) + setup.meter.litres_per_pulse
    brim = setup.brim_l
    if facts.verdict == "less" and facts.found is not None:
        # Whatever takes up the room (liquid, a smaller tyre, a tube), a tenth of the cavity stays air.
        brim = min(brim, facts.found.cavity_l + facts.found.u_l - 0.1 * setup.cavity.volume_l)
    brim = max(brim, setup.existing_l + 0.5)
    return facts.in_tyre_l > setup.target_l + allowance or facts.filled_l > brim


def _reverse_flow(setup: Setup, facts: Facts) -> bool:
    least = FLOWING_LPS
    against = facts.flow_lps < -least if facts.forward else facts.reverse and facts.flow_lps > least
    return against and facts.run_s > setup.line.coast_s


def _dry(setup: Setup, facts: Facts) -> bool:
    # A draw-down ends by itself at the limit; this row catches unplanned air at the pump.
    return facts.dry_s > setup.dry_run_s + 2.0


def _arrival_high(setup: Setup, facts: Facts) -> bool:
    # Where the gauge sees the tyre before the start, no fill begins above it.
    came = facts.first_look and facts.rests and setup.into == "tyre"
    return came and facts.tyre_kpa is not None and facts.tyre_kpa > setup.arrival_kpa


def _liquid_in_vent(setup: Setup, facts: Facts) -> bool:
    if facts.reading.liquid_in_vent is not True:
        return False
    stroke, line = facts.stroke, setup.line
    if HOSE_STRETCH_PER_KPA * line.hose_l * stroke.from_kpa <= _SWITCH_L:
        return facts.venting
    # A long hose gives some of its liquid back as the vent relieves it. What still comes then is the tyre's.
    vented = facts.phase is Phase.SETTLE and stroke.ended_by is End.TIME and facts.stroke_s < _WETS_S
    since_s = facts.stroke_s + (0.0 if facts.venting else stroke.open_s)
    return (facts.venting or vented) and since_s >= _WETS_S


def _flow_too_high(setup: Setup, facts: Facts) -> bool:
    return facts.steady and facts.slow_lps > MOST_FLOW * setup.line.pump_lps


def _strainer(setup: Setup, facts: Facts) -> bool:
    lost = facts.reading.strainer_kpa
    return facts.forward and lost is not None and lost >= setup.strainer_limit_kpa


def _tote_empty(setup: Setup, facts: Facts) -> bool:
    level = facts.reading.tote_l
    return facts.reading.tote_low is True or (level is not None and level <= setup.heel_l)


def _tote_full(setup: Setup, facts: Facts) -> bool:
    return facts.reverse and facts.reading.tote_full is True


def _run_over(setup: Setup, facts: Facts) -> bool:
    moving = facts.forward or facts.reverse or facts.venting
    return not setup.by_hand and moving and facts.stroke_s > 2 * setup.stroke_s + 60.0


LIMITS: tuple[Guard, ...] = (
    Guard("emergency_stop", "trip", 0.0, wires.estop, "Emergency stop is pressed, or its wire is broken.",
          "Make the place safe; release the stop only when you know why it was pressed."),
    Guard("field_lost", "trip", 0.0, wires.field_lost, "The relay and sensor modules do not answer.",
          "See that the pump stands still; then check power and cable of the modules.", blind=True),
    Guard("both_directions", "trip", 0.0, wires.both_on, "Run and reverse relays read on together.",
          "Cut the pump supply; a relay or its wiring is at fault."),
    Guard("pressure_high", "trip", 0.3, _pressure_high, "Pressure in the tyre passed the trip limit.",
          "Stand clear of the sidewall; let the tyre down at the valve before anything else."),
    Guard("line_high", "trip", 0.3, _line_high, "Line pressure is {over:pressure} over the relief setting.",
          "The relief did not open: cut the pump supply and have it checked first."),
    Guard("overfill", "trip", 0.0, _overfill, "More went in than was meant to.",
          "Leave the valve at the top; check the level; draw back what is too much.", LIVE),
    Guard("another_controller", "trip", 0.0, wires.elsewhere, ANOTHER, FIND_IT),
    Guard("off_unconfirmed", "trip", REPORTED_AFTER_S, wires.off_unconfirmed, CANNOT, FIRST, blind=True),
    Guard("output_not_obeyed", "trip", 1.0, wires.not_obeyed, "An output does not follow its command.",
          "Cut the pump supply; check the relay module, and whether another controller works this rig."),
    Guard("reverse_flow", "trip", 1.0, _reverse_flow, "Liquid runs against the pump's commanded direction.",
          "Shut the gun; check the pump's turning direction, the meter's, and their wiring."),
    Guard("reading_untrusted", "trip", 0.0, wires.untrusted, "Meter or pressure reading is too old or out of range.",
          "Check the sensor, its cable and its supply.", LIVE, blind=True),
    Guard("meter_jumped", "hold", 0.0, lambda _, now: now.meter_restarted, "The meter's counter restarted or jumped.",
          "Check the counter's supply; the count so far is kept, what was missed is not known.", LIVE),
    Guard("arrival_high", "hold", 0.0, _arrival_high, "The tyre came with more pressure than a fill may begin at.",
          "Let it down at the valve first, then go on.", running(Phase.SETTLE)),
    Guard("dry_run", "hold", 0.0, _dry, "The pump runs on air.",
          "Check the tote and the suction hose; let the pump cool."),
    Guard("liquid_in_vent", "hold", 0.0, _liquid_in_vent, "Liquid comes out of the vent.",
          "Turn the valve to the top, or finish at this level."),
    Guard("flow_too_high", "hold", 3.0, _flow_too_high, "The meter counts more than the pump can give.",
          "Air in the suction line, stray pulses, or wrong pulses per litre? Look before you go on.",
          PUMPING, may_accept=True),
    Guard("strainer_fouled", "hold", 2.0, _strainer, "The strainer is nearly blocked.",
          "Shut the gun, clean the strainer, go on.", RUNNING, may_accept=True),
    Guard("tote_empty", "hold", 0.5, _tote_empty, "The tote is empty.",
          "Change or fill the tote, then go on.", PUMPING),
    Guard("tote_full", "hold", 0.5, _tote_full, "The tote is full: what is drawn out runs over.",
          "Make room in the tote, or lead the hose elsewhere, then go on.", RUNNING),
    Guard("run_over", "hold", 0.0, _run_over, "This step takes far longer than planned.",
          "Look for a blocked valve, a slipping pump or a leak.", RUNNING, may_accept=True),
    # At once: a restarted module would not switch off renewed outputs if the bus failed now.
    Guard("output_timeout_lost", "hold", 0.0, wires.timeout_lost, "The relay module's own time-out is not armed now.",
          "The module may have restarted: look at its supply. Its time-out is written anew before you go on.",
          RUNNING),
    Guard("bus_late", "hold", 0.0, wires.bus_late, "The bus was too slow for a moment.",
          "Termination, ground, a unit that does not answer? If always: more baud, fewer points, or the link's `late`.",
          blind=True),
    Guard("loop_late", "hold", 0.0, wires.late, "The controller was too slow for a moment.",
          "Close other programs on this computer; go on when it is steady.", blind=True),
    Guard("journal_behind", "hold", 0.0, wires.journal_behind, "The record cannot be written fast enough.",
          "Check the disk: full, failing or write-protected?", RUNNING, blind=True),
)  # fmt: skip
"""In order of urgency."""
