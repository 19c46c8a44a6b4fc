"""Interlocks and trips: one table, each row a named condition with its delay, its consequence and its texts.

A condition is a pure function of the fill's setup and this scan's facts, evaluated only in its row's states and phases.
An interlock holds the fill until a person resumes it. A trip latches: its cause must be gone and a person must reset
it. Rows are in order of urgency: of several in one scan the first is the first-out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

from rig.control import agreement, unasked, wires
from rig.control.alarm_words import OVER_RELIEF_KPA, alarm_said
from rig.control.flags import End, Flag
from rig.control.observe import Facts
from rig.control.passing import MOST_FLOW
from rig.control.pressure import AIR_DRAWN_KPA, NO_TYRE_KPA, least_kpa
from rig.control.procedure import Phase, State
from rig.control.state import Alarms
from rig.control.unconfirmed import ANOTHER, CANNOT, FIND_IT, FIRST, REPORTED_AFTER_S
from rig.control.values import Setup
from rig.plan.physics import air_loss_kpa
from rig.sentence import Sentence
from rig.units import KPA_PER_PSI

Condition = Callable[[Setup, Facts], bool]
Action = Literal["hold", "trip"]
Scope = frozenset[tuple[State, Phase]]
"""In which states and phases a row is watched."""

_SLOWEST_LPS = 0.03
SEATED_L = 0.2
"""Limit of what a reverse against a shut valve brings back."""
_ALWAYS: Scope = frozenset(product(State, Phase))
_LIVE: Scope = frozenset(product(set(State) - {State.IDLE, State.STOPPED, State.COMPLETE}, Phase))


def _running(*phases: Phase) -> Scope:
    """While the fill runs, in these phases or in every one."""
    return frozenset(product((State.RUNNING,), phases or Phase))


_RUNNING = _running()
_ATTACHED = _ALWAYS - _running(Phase.UNCOUPLE)
_PUMPING = _running(Phase.FILL, Phase.TOP_UP)


@dataclass(frozen=True, slots=True)
class Guard:
    """One row."""

    name: str
    action: Action
    delay_s: float
    condition: Condition
    words: str
    """Meaning, in the trade's words."""
    first_words: str
    """The person's first action."""
    scope: Scope = _ALWAYS
    blind: bool = False
    """Evaluated even in a scan without new data: it concerns the controller itself or missing data."""
    may_accept: bool = False
    """A judgement, not a limit: a person may inspect and override it for this fill."""
    idle: bool = False
    """Reported before the start, too, where nothing is held or tripped yet."""

    @property
    def text(self) -> Sentence:
        """Its meaning."""
        return alarm_said(self.name, "text", self.words)

    @property
    def first(self) -> Sentence:
        """The person's first action."""
        return alarm_said(self.name, "first", self.first_words)


def _pressure_high(setup: Setup, facts: Facts) -> bool:
    return facts.valve_open and facts.tyre_kpa is not None and facts.tyre_kpa >= setup.trip_kpa


def _line_high(setup: Setup, facts: Facts) -> bool:
    # The raw value: no smoothing between a pressure and its limit.
    raw, line = facts.reading.raw_line_kpa, facts.reading.line_kpa
    line = line if raw is None else raw
    return line is not None and line >= setup.line.relief_kpa + OVER_RELIEF_KPA


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
    least = agreement.FLOWING_LPS
    against = facts.flow_lps < -least if facts.forward else facts.reverse and facts.flow_lps > least
    return against and facts.run_s > setup.line.coast_s


def _gauge_stuck(setup: Setup, facts: Facts) -> bool:
    return agreement.stands_through_flow(setup, facts) or agreement.stands_through_draw(setup, facts)


def _air_stays(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.air_stayed if facts.phase is Phase.SETTLE else agreement.air_stays_on_gauge(setup, facts)


def _air_gone(setup: Setup, facts: Facts) -> bool:
    if facts.phase is Phase.DRAW_DOWN:
        return agreement.falls_too_far(setup, facts)
    # Evaluated before the rest re-anchors the air space. In a tyre that is emptied the fall measures it.
    return setup.into == "tyre" and facts.rests and facts.stroke.drew and agreement.fell_too_far(facts)


def _restless(setup: Setup, facts: Facts) -> bool:
    return facts.restless and facts.valve_open and setup.into != "open vessel"


def _no_progress(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.barren >= 3


def _cavity_differs(setup: Setup, facts: Facts) -> bool:
    return facts.verdict != "agrees"


def _bead_lost(setup: Setup, facts: Facts) -> bool:
    # Whatever the tyre held, a lost bead leaves it at ambient, far from where the sealed gas should be.
    if not facts.valve_open or facts.tyre_kpa is None or facts.forward or facts.venting:
        return False
    if not (facts.rests or (facts.reverse and facts.air_at_pump)):
        return False
    # At rest a hose that was drawn empty behind a blocked valve may show less than zero.
    off = max(facts.tyre_kpa, 0.0) if facts.rests else abs(facts.tyre_kpa)
    # While air is drawn, a narrow bore may lose all of the tyre's pressure.
    least = facts.gas.low if facts.gas else facts.stroke.held_kpa
    sealed = least - (air_loss_kpa(setup.line, facts.flow_lps, least) if facts.reverse else 0.0)
    above = sealed > (1.2 if off < 0.35 * KPA_PER_PSI else 2.5) * KPA_PER_PSI
    below = facts.gas is not None and abs(facts.tyre_kpa) < NO_TYRE_KPA and facts.gas.high < -1.5 * KPA_PER_PSI
    return (off < NO_TYRE_KPA and above) or below


def _no_flow(setup: Setup, facts: Facts) -> bool:
    counts_back = setup.meter.reverse != "none"
    pumping = facts.forward or (facts.reverse and counts_back and facts.phase in (Phase.DRAW_DOWN, Phase.EMPTY))
    # Time-out for a few pulses at the slowest flow worth pumping at, or at half the last stroke's: with a stuck level
    # in steps of litres not too much may pass uncounted until then.
    steps = 2 if setup.meter.estimated else 4
    slowest_lps = max(_SLOWEST_LPS, 0.5 * facts.stroke.stop_flow_lps)
    patience_s = max(2.0, steps * setup.meter.litres_per_pulse / slowest_lps)
    barren = facts.phase is Phase.EMPTY and facts.stroke.barren >= 2
    silent = pumping and facts.unmoved_s > patience_s
    unseen = agreement.blocked_ahead(setup, facts) or agreement.rose_uncounted(setup, facts)
    return silent or barren or unseen


def _no_rise(setup: Setup, facts: Facts) -> bool:
    return (
        agreement.below_tyre(setup, facts)
        or agreement.rises_too_little(setup, facts)
        or agreement.rose_too_little(setup, facts)
    )


def _disagree(setup: Setup, facts: Facts) -> bool:
    return agreement.counts_too_much(setup, facts) or agreement.apart(facts)


def _dry(setup: Setup, facts: Facts) -> bool:
    # A draw-down ends by itself at the limit; this row catches unplanned air at the pump.
    return facts.dry_s > setup.dry_run_s + 2.0


def _pressure_low(setup: Setup, facts: Facts) -> bool:
    if facts.phase is Phase.SHUT:
        return facts.stroke.drawn_out
    if not (facts.valve_open and facts.tyre_kpa is not None):
        return False
    if facts.phase is Phase.SETTLE:
        lowered = facts.rests and facts.stroke.ended_by in (End.TIME, End.FLOOR, End.UNSURE)
    else:
        lowered = facts.reverse and not (facts.phase is Phase.DRAW_DOWN and _liquid_drawn(setup, facts))
    return lowered and facts.tyre_kpa < least_kpa(setup, facts.stroke.goal_kpa)


def _not_seated(setup: Setup, facts: Facts) -> bool:
    proving = facts.phase is Phase.BACK_FLUSH or setup.by_hand
    if not proving or facts.valve_open:
        return False
    line = facts.reading.line_kpa
    settled = facts.phase is Phase.BACK_FLUSH and facts.rests and facts.stroke_s > setup.flush_s + setup.settle_s - 1.0
    # An emptied tyre may have left air in the hose, which the reverse brings back along with any leakage.
    hose_l = setup.line.hose_l if setup.into == "tote" else 0.0
    return facts.flushed_l > SEATED_L + hose_l or (settled and line is not None and line > KPA_PER_PSI)


def _arrival_high(setup: Setup, facts: Facts) -> bool:
    # Where the gauge sees the tyre before the start, no fill begins above it.
    came = facts.first_look and facts.rests and setup.into == "tyre"
    return came and facts.tyre_kpa is not None and facts.tyre_kpa > setup.arrival_kpa


def _liquid_in_vent(setup: Setup, facts: Facts) -> bool:
    return facts.venting and facts.reading.liquid_in_vent is True


def _liquid_drawn(setup: Setup, facts: Facts) -> bool:
    # Air loses little in the bore, liquid much: a gauge far below the air space's pressure indicates liquid.
    if facts.phase is Phase.SETTLE:
        return facts.stroke.liquid_came
    flows = -facts.flow_lps > 0.3 * setup.line.back_lps
    drawing = facts.reverse and facts.air_at_pump and flows
    line = facts.reading.line_kpa
    if not drawing or facts.gas is None or line is None:
        return False
    return line < facts.gas.shows_low - AIR_DRAWN_KPA - air_loss_kpa(setup.line, facts.flow_lps, facts.gas.low)


def _valve_covered(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.wants_air


def _flow_too_high(setup: Setup, facts: Facts) -> bool:
    return facts.steady and facts.slow_lps > MOST_FLOW * setup.line.pump_lps


def _measures_differ(setup: Setup, facts: Facts) -> bool:
    # Into a known can the meter itself is under test.
    return facts.contradicted and setup.into != "open vessel"


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


GUARDS: tuple[Guard, ...] = (
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
          "Leave the valve at the top; check the level; draw back what is too much.", _LIVE),
    Guard("another_controller", "trip", 0.0, wires.elsewhere, ANOTHER, FIND_IT),
    Guard("off_unconfirmed", "trip", REPORTED_AFTER_S, wires.off_unconfirmed, CANNOT, FIRST, blind=True),
    Guard("output_not_obeyed", "trip", 1.0, wires.not_obeyed, "An output does not follow its command.",
          "Cut the pump supply; check the relay module, and whether another controller works this rig."),
    Guard("flow_while_stopped", "trip", 0.0, unasked.flows, "Liquid flows though the pump is off.",
          "Cut the pump supply and shut the gun: a contactor may be welded, or the hose siphons.", _LIVE),
    Guard("moves_while_off", "trip", 0.0, unasked.moves, "The pressure moves though everything is off.",
          "Cut the pump's supply and shut the gun: a contactor is welded, a vent open, or it leaks.", idle=True),
    Guard("reverse_flow", "trip", 1.0, _reverse_flow, "Liquid runs against the pump's commanded direction.",
          "Shut the gun; check the pump's turning direction, the meter's, and their wiring."),
    Guard("bead_lost", "trip", 1.0, _bead_lost, "The gauge shows no tyre: the bead may have let go, or the gun is off.",
          "Stop. Reseat the bead by licensed practice, off load, never above {seating:pressure}; the count is kept.",
          _ATTACHED),
    Guard("reading_untrusted", "trip", 0.0, wires.untrusted, "Meter or pressure reading is too old or out of range.",
          "Check the sensor, its cable and its supply.", _LIVE, blind=True),
    Guard("gauge_stuck", "trip", 0.0, _gauge_stuck, "The pressure gauge did not move when the pump started or stopped.",
          "Check the gauge and its line for a blockage before the pump runs again.", _RUNNING),
    Guard("meter_jumped", "hold", 0.0, lambda _, now: now.meter_restarted, "The meter's counter restarted or jumped.",
          "Check the counter's supply; the count so far is kept, what was missed is not known.", _LIVE),
    Guard("no_flow", "hold", 0.0, _no_flow, "The pump runs and nothing is counted.",
          "Is the core or insert out, the plunger down, the tote full, the strainer clean? Does the meter count?",
          _RUNNING),
    Guard("no_rise", "hold", 1.0, _no_rise, "Liquid goes out but the tyre's pressure does not rise.",
          "Is the gun on the valve? Look for liquid on the ground and a leak at bead, valve or hose.",
          _running(Phase.FILL, Phase.TOP_UP, Phase.SETTLE)),
    Guard("estimates_disagree", "hold", 2.0, _disagree, "The gauge and the air space indicate different pressures.",
          "Check the size entered, liquid already inside, the gauge, and for a leak.", _PUMPING, may_accept=True),
    Guard("suction_dry", "hold", 1.5, agreement.starves, "Flow and pressure collapse: tote or suction runs dry.",
          "Look at the tote, its vent, the suction hose and strainer; does the pump turn at its speed?", _PUMPING),
    Guard("air_pumped", "hold", 3.0, agreement.loses_nothing, "No liquid shows on the gauge: the pump moves air.",
          "Is the tote empty, the suction hose tight and under the liquid? Then: gun on the valve, plunger down?",
          _PUMPING, may_accept=True),
    Guard("cavity_differs", "hold", 0.0, _cavity_differs, "The air space inside does not fit this tyre size.",
          "Wrong size? Liquid inside already? Tube, foam, a leak? To be sure: valve to the bottom, crack it.",
          _RUNNING, may_accept=True),
    Guard("air_stays", "hold", 0.0, _air_stays, "Air was let out or drawn, but the pressure did not fall.",
          "Is the vent valve working, the gun's plunger down, the core out? Does the gauge stick?",
          _running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("air_gone", "hold", 0.0, _air_gone, "The pressure fell further than by the air that was drawn.",
          "Is the plunger down, the core out? Does the meter count? Look for a leak at bead, valve and hose.",
          _running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("arrival_high", "hold", 0.0, _arrival_high, "The tyre came with more pressure than a fill may begin at.",
          "Let it down at the valve first, then go on.", _running(Phase.SETTLE)),
    Guard("gauge_restless", "hold", 0.0, _restless, "Everything stands, and the pressure goes on moving.",
          "A leak, an open vent, or a gauge that drifts? Put a hand gauge on before you go on.",
          _running(Phase.SETTLE)),
    Guard("no_progress", "hold", 0.0, _no_progress, "Strokes end at the ceiling without bringing liquid into the tyre.",
          "Is the air getting out? A long hose full of air is too much for a small tyre: use a vent at the gun.",
          _PUMPING),
    Guard("dry_run", "hold", 0.0, _dry, "The pump runs on air.",
          "Check the tote and the suction hose; let the pump cool."),
    Guard("liquid_drawn", "hold", 1.5, _liquid_drawn, "The pump draws liquid out of the tyre, not air.",
          "The valve is covered: turn it higher and go on, or finish at this level.",
          _running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("pressure_low", "hold", 0.5, _pressure_low, "The tyre is lower than planned: the bead may let go.",
          "Look at the bead all round; air the tyre up to the floor before going on.",
          _running(Phase.SETTLE, Phase.DRAW_DOWN, Phase.BY_HAND, Phase.SHUT)),
    Guard("liquid_in_vent", "hold", 0.0, _liquid_in_vent, "Liquid comes out of the vent.",
          "Turn the valve to the top, or finish at this level."),
    Guard("valve_covered", "hold", 0.0, _valve_covered, "The liquid stands at the valve: no more air can leave there.",
          "Turn the valve higher and go on, or finish at this level.", _running(Phase.SETTLE)),
    Guard("nothing_drawn", "hold", 0.0, lambda _, now: now.stroke.nothing_came,
          "The pump drew, and no liquid came out of the tyre that could be measured.",
          "Does it hold any? Is the core out, the valve at the bottom? Turn it down and go on, or end it as it is.",
          _running(Phase.SETTLE)),
    Guard("flow_too_high", "hold", 3.0, _flow_too_high, "The meter counts more than the pump can give.",
          "Air in the suction line, stray pulses, or wrong pulses per litre? Look before you go on.",
          _PUMPING, may_accept=True),
    Guard("measures_differ", "hold", 0.0, _measures_differ, "The tote (or a second meter) shows other litres.",
          "Air in the suction line, stray pulses, a leak before the meter? Or did somebody draw from the tote?",
          _RUNNING, may_accept=True),
    Guard("strainer_fouled", "hold", 2.0, _strainer, "The strainer is nearly blocked.",
          "Shut the gun, clean the strainer, go on.", _RUNNING, may_accept=True),
    Guard("tote_empty", "hold", 0.5, _tote_empty, "The tote is empty.",
          "Change or fill the tote, then go on.", _PUMPING),
    Guard("tote_full", "hold", 0.5, _tote_full, "The tote is full: what is drawn out runs over.",
          "Make room in the tote, or lead the hose elsewhere, then go on.", _RUNNING),
    Guard("insert_not_seated", "hold", 0.0, _not_seated, "The core or insert does not hold: the tyre is still open.",
          "Keep the gun on; seat the core or insert again.", _running(Phase.BACK_FLUSH, Phase.UNCOUPLE)),
    Guard("valve_blocked", "hold", 0.0, agreement.drew_against_shut, "The valve or its bore is blocked.",
          "Keep the gun on: pressure may stand behind it. Clear the bore; see a hand gauge fall before it comes off.",
          _running(Phase.DRAW_DOWN, Phase.BACK_FLUSH, Phase.UNCOUPLE)),
    Guard("run_over", "hold", 0.0, _run_over, "This step takes far longer than planned.",
          "Look for a blocked valve, a slipping pump or a leak.", _RUNNING, may_accept=True),
    # At once: a restarted module would not switch off renewed outputs if the bus failed now.
    Guard("output_timeout_lost", "hold", 0.0, wires.timeout_lost, "The relay module's own time-out is not armed now.",
          "The module may have restarted: look at its supply. Its time-out is written anew before you go on.",
          _RUNNING),
    Guard("bus_late", "hold", 0.0, wires.bus_late, "The bus was too slow for a moment.",
          "Termination, ground, a unit that does not answer? If always: more baud, fewer points, or the link's `late`.",
          blind=True),
    Guard("loop_late", "hold", 0.0, wires.late, "The controller was too slow for a moment.",
          "Close other programs on this computer; go on when it is steady.", blind=True),
    Guard("journal_behind", "hold", 0.0, wires.journal_behind, "The record cannot be written fast enough.",
          "Check the disk: full, failing or write-protected?", _RUNNING, blind=True),
)  # fmt: skip

AIR_SPACE_GUARDS = frozenset({Flag.CAVITY_DIFFERS, Flag.ESTIMATES_DISAGREE})
"""Guards that unreported liquid sets off; accepted beforehand where a fill is made to find it."""
GUARD_NAMED = {guard.name: guard for guard in GUARDS}


def by_scope(guards: Iterable[Guard]) -> Mapping[tuple[State, Phase], tuple[Guard, ...]]:
    """The rows that are watched in each state and phase, in the table's order."""
    rows = tuple(guards)
    return {where: tuple(guard for guard in rows if where in guard.scope) for where in _ALWAYS}


WATCHED = by_scope(GUARDS)


def conditions(setup: Setup, facts: Facts, alarms: Alarms) -> tuple[Guard, ...]:
    """The guards whose conditions hold in this scan, most urgent first, delays not counted.

    Without new data a condition that held before still holds.
    """
    watched = WATCHED[facts.state, facts.phase]
    if facts.reading.fresh:
        return tuple([guard for guard in watched if guard.condition(setup, facts)])
    held = {name for name, _ in alarms.timers}
    return tuple(g for g in GUARDS if (g in watched and g.condition(setup, facts) if g.blind else g.name in held))
