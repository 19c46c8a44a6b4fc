"""What the instruments together lead to: conditions that compare gauge, meter, tote and air space with each other."""

from __future__ import annotations

from rig.control.belief import residuals, unasked
from rig.control.belief.accounting import FRONT
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import AIR_DRAWN_KPA, NO_TYRE_KPA, least_kpa
from rig.control.belief.state import MOST_BARREN
from rig.control.safety.guard import ALWAYS, LIVE, PUMPING, RUNNING, Guard, running
from rig.control.words.flags import End
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.plan.physics import air_loss_kpa
from rig.units import KPA_PER_PSI

_SLOWEST_LPS = 0.03
"""Slowest flow worth pumping at, 2 L/min: a wheel would take hours. An assumption."""
_SEATED_L = 0.2
"""Limit of what a reverse against a shut valve brings back: a hose that yields. An assumption."""
_ATTACHED = ALWAYS - running(Phase.UNCOUPLE)


def _gauge_stuck(setup: Setup, facts: Facts) -> bool:
    return residuals.stands_through_flow(setup, facts) or residuals.stands_through_draw(setup, facts)


def _air_stays(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.air_stayed if facts.phase is Phase.SETTLE else residuals.air_stays_on_gauge(facts)


def _air_gone(setup: Setup, facts: Facts) -> bool:
    if facts.phase is Phase.DRAW_DOWN:
        return residuals.falls_too_far(setup, facts)
    # Evaluated before the rest re-anchors the air space. In a tyre that is emptied the fall measures it.
    return setup.into == "tyre" and facts.rests and facts.stroke.drew and residuals.fell_too_far(facts)


def _restless(setup: Setup, facts: Facts) -> bool:
    return facts.restless and facts.valve_open and setup.into != "open vessel"


def _no_progress(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.barren >= MOST_BARREN


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
    unseen = residuals.blocked_ahead(setup, facts) or residuals.rose_uncounted(setup, facts)
    return silent or barren or unseen


def _no_rise(setup: Setup, facts: Facts) -> bool:
    return (
        residuals.below_tyre(setup, facts)
        or residuals.rises_too_little(setup, facts)
        or residuals.rose_too_little(setup, facts)
    )


def _disagree(setup: Setup, facts: Facts) -> bool:
    return residuals.counts_too_much(setup, facts) or residuals.apart(facts)


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


def _liquid_drawn(setup: Setup, facts: Facts) -> bool:
    # Air loses little in the bore, liquid much: a gauge far below the air space's pressure indicates liquid.
    if facts.phase is Phase.SETTLE:
        return facts.stroke.liquid_came
    flows = -facts.flow_lps > 0.3 * setup.line.back_lps
    drawing = facts.reverse and facts.air_at_pump and flows
    line = facts.reading.line_kpa
    if not drawing or facts.gas is None or line is None:
        return False
    return facts.gas.beyond(line + air_loss_kpa(setup.line, facts.flow_lps, facts.gas.low)) < -AIR_DRAWN_KPA


def _valve_covered(setup: Setup, facts: Facts) -> bool:
    return facts.stroke.wants_air


def _not_seated(setup: Setup, facts: Facts) -> bool:
    proving = facts.phase is Phase.BACK_FLUSH or setup.by_hand
    if not proving or facts.valve_open:
        return False
    line = facts.reading.line_kpa
    settled = facts.phase is Phase.BACK_FLUSH and facts.rests and facts.stroke_s > setup.flush_s + setup.settle_s - 1.0
    # Air in the hose, of an emptied tyre or known otherwise, expands behind the shut valve: it pushes liquid back, and
    # keeps a pressure, which an open valve would raise to the tyre's.
    airy = setup.into == "tote" or facts.flush_air_l > FRONT * setup.line.hose_l
    half_kpa = (facts.stroke.calm_gauge_kpa or 0.0) / 2 if airy else 0.0
    stays = settled and line is not None and line > max(KPA_PER_PSI, half_kpa)
    return facts.flushed_l > _SEATED_L + (setup.line.hose_l if airy else _bubble_gives_l(setup, facts)) or stays


def _bubble_gives_l(setup: Setup, facts: Facts) -> float:
    """By how much a little air in the hose has expanded since the reverse began, at most; by Boyle's law."""
    before_kpa, line_kpa = facts.stroke.calm_gauge_kpa, facts.reading.line_kpa
    if not facts.flush_air_l or before_kpa is None or line_kpa is None:
        return 0.0
    air_l = facts.flush_air_l + FRONT * setup.line.hose_l
    return air_l * max(before_kpa - line_kpa, 0.0) / max(line_kpa + setup.line.atmosphere_kpa_abs, KPA_PER_PSI)


def _measures_differ(setup: Setup, facts: Facts) -> bool:
    # Into a known can the meter itself is under test.
    return facts.contradicted and setup.into != "open vessel"


CONCLUSIONS: tuple[Guard, ...] = (
    Guard("flow_while_stopped", "trip", 0.0, unasked.flows, "Liquid flows though the pump is off.",
          "Cut the pump supply and shut the gun: a contactor may be welded, or the hose siphons.", LIVE),
    Guard("moves_while_off", "trip", 0.0, unasked.moves, "The pressure moves though everything is off.",
          "Cut the pump's supply and shut the gun: a contactor is welded, a vent open, or it leaks.", idle=True),
    Guard("bead_lost", "trip", 1.0, _bead_lost, "The gauge shows no tyre: the bead may have let go, or the gun is off.",
          "Stop. Reseat the bead by licensed practice, off load, never above {seating:pressure}; the count is kept.",
          _ATTACHED),
    Guard("gauge_stuck", "trip", 0.0, _gauge_stuck, "The pressure gauge did not move when the pump started or stopped.",
          "Check the gauge and its line for a blockage before the pump runs again.", RUNNING),
    Guard("insert_not_seated", "hold", 0.0, _not_seated, "The core or insert does not hold: the tyre is still open.",
          "Keep the gun on; seat the core or insert again.", running(Phase.BACK_FLUSH, Phase.UNCOUPLE)),
    Guard("no_flow", "hold", 0.0, _no_flow, "The pump runs and nothing is counted.",
          "Is the core or insert out, the plunger down, the tote full, the strainer clean? Does the meter count?",
          RUNNING),
    Guard("no_rise", "hold", 1.0, _no_rise, "Liquid goes out but the tyre's pressure does not rise.",
          "Is the gun on the valve? Look for liquid on the ground and a leak at bead, valve or hose.",
          running(Phase.FILL, Phase.TOP_UP, Phase.SETTLE)),
    Guard("estimates_disagree", "hold", 2.0, _disagree, "The gauge and the air space indicate different pressures.",
          "Check the size entered, liquid already inside, the gauge, and for a leak.", PUMPING, may_accept=True),
    Guard("suction_dry", "hold", 1.5, residuals.starves, "Flow and pressure collapse: tote or suction runs dry.",
          "Look at the tote, its vent, the suction hose and strainer; does the pump turn at its speed?", PUMPING),
    Guard("air_pumped", "hold", 3.0, residuals.loses_nothing, "No liquid shows on the gauge: the pump moves air.",
          "Is the tote empty, the suction hose tight and under the liquid? Then: gun on the valve, plunger down?",
          PUMPING, may_accept=True),
    Guard("cavity_differs", "hold", 0.0, _cavity_differs, "The air space inside does not fit this tyre size.",
          "Wrong size? Liquid inside already? Tube, foam, a leak? To be sure: valve to the bottom, crack it.",
          RUNNING, may_accept=True),
    Guard("air_stays", "hold", 0.0, _air_stays, "Air was let out or drawn, but the pressure did not fall.",
          "Is the vent valve working, the gun's plunger down, the core out? Does the gauge stick?",
          running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("air_gone", "hold", 0.0, _air_gone, "The pressure fell further than by the air that was drawn.",
          "Is the plunger down, the core out? Does the meter count? Look for a leak at bead, valve and hose.",
          running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("gauge_restless", "hold", 0.0, _restless, "Everything stands, and the pressure goes on moving.",
          "A leak, an open vent, or a gauge that drifts? Put a hand gauge on before you go on.",
          running(Phase.SETTLE)),
    Guard("no_progress", "hold", 0.0, _no_progress, "Strokes end at the ceiling without bringing liquid into the tyre.",
          "Is the air getting out? A long hose full of air is too much for a small tyre: use a vent at the gun.",
          PUMPING),
    Guard("liquid_drawn", "hold", 1.5, _liquid_drawn, "The pump draws liquid out of the tyre, not air.",
          "The valve is covered: turn it higher and go on, or finish at this level.",
          running(Phase.SETTLE, Phase.DRAW_DOWN)),
    Guard("pressure_low", "hold", 0.5, _pressure_low, "The tyre is lower than planned: the bead may let go.",
          "Look at the bead all round; air the tyre up to the floor before going on.",
          running(Phase.SETTLE, Phase.DRAW_DOWN, Phase.BY_HAND, Phase.SHUT)),
    Guard("valve_covered", "hold", 0.0, _valve_covered, "The liquid stands at the valve: no more air can leave there.",
          "Turn the valve higher and go on, or finish at this level.", running(Phase.SETTLE)),
    Guard("nothing_drawn", "hold", 0.0, lambda _, now: now.stroke.nothing_came,
          "The pump drew, and no liquid came out of the tyre that could be measured.",
          "Does it hold any? Is the core out, the valve at the bottom? Turn it down and go on, or end it as it is.",
          running(Phase.SETTLE)),
    Guard("measures_differ", "hold", 0.0, _measures_differ, "The tote (or a second meter) shows other litres.",
          "Air in the suction line, stray pulses, a leak before the meter? Or did somebody draw from the tote?",
          RUNNING, may_accept=True),
    Guard("valve_blocked", "hold", 0.0, residuals.drew_against_shut, "The valve or its bore is blocked.",
          "Keep the gun on: pressure may stand behind it. Clear the bore; see a hand gauge fall before it comes off.",
          running(Phase.DRAW_DOWN, Phase.BACK_FLUSH, Phase.UNCOUPLE)),
)  # fmt: skip
"""In order of urgency."""
