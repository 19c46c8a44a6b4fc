"""What puts litres of a fill's account in doubt: alarms, rests that do not confirm the count, flow that nobody counted.

Bookkeeping only, no decisions. A doubt is booked when it arises (``Tally.doubts``), so that it stays with its litres
whatever the person does next.
"""

from __future__ import annotations

import math

from rig.control.belief.accounting import Tally
from rig.control.belief.airspace import cavity_of_rise, rest_after_kpa
from rig.control.belief.doubts import less_of, more_of, since
from rig.control.belief.level import entering, near_level
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import AIR_DRAWN_KPA, NO_TYRE_KPA, at_rest, sealed_band
from rig.control.belief.state import FillState, pump_way
from rig.control.belief.unread import by_way
from rig.control.words.changed import changed
from rig.control.words.flags import Flag
from rig.control.words.values import Setup
from rig.plan.physics import air_loss_kpa, bore_loss_kpa
from rig.units import KPA_PER_PSI

_ASTRAY = frozenset({"estimates_disagree", "no_rise", "bead_lost", "air_pumped", "gauge_restless"})
"""Alarms after which the litres since the last rest may not be in the tyre."""
_EITHER = frozenset({"estimates_disagree", "insert_not_seated"})
"""Alarms after which as much more may be in the tyre: a meter that counts too little; a reverse that brought back the
hose's liquid where the account has the tyre's."""
_UNSEEN = frozenset({
    "meter_jumped", "insert_not_seated", "liquid_in_vent", "reverse_flow", "flow_while_stopped",
    "liquid_drawn", "field_lost", "reading_untrusted", "output_not_obeyed", "moves_while_off",
})  # fmt: skip
"""Alarms before which the pump may have moved liquid unobserved for a few seconds."""
_DRAWN = frozenset({"liquid_in_vent", "liquid_drawn"})
"""Of these, those of liquid that left the tyre."""
_WITH_AIR = frozenset({"no_rise", "air_pumped", "gauge_restless", "liquid_in_vent"})
"""Alarms that air among the liquid sets off: the hose holds less liquid than the account has, and the tyre more."""
_AIR_IN_HOSE = 1 / 3
"""The most of the hose that such air takes, as a share: an assumption, no source."""
_UNSEEN_S = 5.0
"""For which flow may go uncounted before an alarm: more than any guard's delay and reaction. An assumption."""
_SHOWN_BY_ROOM = frozenset({
    "counted at rest", "beyond the pump's flow", "unread", "pump runs on", "pump's time", "not counted", "no_flow",
    "meter_jumped", "reverse_flow", "flow_while_stopped", "field_lost", "reading_untrusted", "output_not_obeyed",
    "moves_while_off", "not moved",
})  # fmt: skip
"""Doubts of litres that may not have flowed, or flowed uncounted."""
_RUNS_ON = frozenset({"pressure_high", "flow_while_stopped", "moves_while_off"})
"""Alarms of a pump that does not stop."""
_FOULED = 2.0
"""A loss this many times larger is not scatter: the count was 1.4 times too high, or the bore is fouled."""
_VACUUM_LOST_KPA = 2 * KPA_PER_PSI
"""A hose behind a shut valve keeps the pump's vacuum within this. An assumption."""


def with_doubt(setup: Setup, state: FillState, alarm: str) -> Tally:
    """Update the account after ``alarm``; the doubt is limited to what passed the pump, observed or not."""
    tally, line = state.tally, setup.line
    most_l = tally.passed_forward_l(setup.meter) + line.hose_l + line.most_lps * _UNSEEN_S
    less_l, more_l = _doubted_l(setup, state, alarm)
    if alarm in _WITH_AIR and setup.into == "tyre":
        more_l = max(more_l, _AIR_IN_HOSE * line.hose_l)
    return _up_to(most_l, tally, alarm, less_l, more_l)


def _up_to(most_l: float, tally: Tally, reason: str, less_l: float, more_l: float) -> Tally:
    """The account with a further doubt, but with no more than so many litres in doubt to either side by it."""
    left_less_l, left_more_l = most_l - less_of(tally.doubts), most_l - more_of(tally.doubts)
    return tally.doubting(reason, less_l=min(less_l, left_less_l), more_l=min(more_l, left_more_l))


def with_accepted(setup: Setup, state: FillState, facts: Facts) -> Tally:
    """Update the account while an overridden alarm persists: the flow meanwhile remains in doubt.

    So does uncounted flow: a pump that runs on by run time, a stroke by level alone after a gauge that never settled.
    """
    standing = {name for name, _ in state.alarms.timers}
    runs_on = _RUNS_ON & standing
    back_unseen = setup.meter.reverse == "none" and "moves_while_off" in runs_on and facts.flow_lps <= 0
    if runs_on and (setup.meter.by_time or back_unseen):
        # No count covers a pump that does not stop: run time in neither direction, a forward-only meter not in reverse.
        moved_l = setup.line.most_lps * facts.dt_s
        return _up_to(setup.cavity.volume_l, state.tally, "pump runs on", moved_l, moved_l)
    waved_on = state.alarms.accepted & _ASTRAY & standing
    # Without a meter, a gauge that never settled confirms for no later stroke that it went into the tyre.
    astray = waved_on or (state.measure > 0 and Flag.GAUGE_RESTLESS in state.flags)
    if facts.flow_lps <= 0 or not astray:
        return state.tally
    moved_l = facts.flow_lps * facts.dt_s
    return state.tally.doubting("after an alarm", less_l=moved_l, more_l=moved_l * bool(waved_on & _EITHER))


def with_last_rest(setup: Setup, state: FillState, facts: Facts, rest_kpa: float) -> Tally:
    """Update the account of a fill ended between two rests: what was counted since is not confirmed by pressure.

    A gauge at zero does not confirm a tyre, even if the rest before was at zero too. After an interruption the tyre is
    assumed tight: whether liquid or air is missing was not observed.
    """
    sealed = state.gas.sealed or Flag.INTERRUPTED in state.flags
    foreseen = sealed_band(changed(state.gas, sealed=sealed), setup, facts.offset_l)
    if setup.into == "open vessel" or foreseen is None:
        return state.tally
    shows_none = rest_kpa <= NO_TYRE_KPA
    if not shows_none and rest_kpa >= foreseen.low - 2 * setup.rest_gauge.u_kpa:
        return state.tally
    air_kpa = setup.line.atmosphere_kpa_abs
    room_l = max(state.gas.cavity_l - facts.filled_l, 0.0)
    missing_l = room_l * ((foreseen.low + air_kpa) / (max(rest_kpa, 0.0) + air_kpa) - 1)
    if setup.into == "tote":
        # With the valve below the liquid, all that left the tyre uncounted may have been liquid.
        doubted_l = min(missing_l, max(facts.filled_l, 0.0))
    else:
        since_l = max(facts.in_tyre_l - state.mark.tally.net_l(setup.meter), 0.0)
        doubted_l = since_l if shows_none else min(since_l, missing_l)
    return state.tally.doubting_at_least("last rest", less_l=doubted_l)


def with_more_room(setup: Setup, state: FillState, facts: Facts, rest_kpa: float) -> Tally:
    """Update the account of a fill ended at a rest before its look: no more is certain than the size's air space gives.

    No later rest will distinguish a larger wheel from a meter that counted too much.
    """
    gas, cavity = state.gas, setup.cavity
    if setup.into != "tyre" or gas.looked:
        return state.tally
    last = at_rest(gas, setup, rest_kpa, facts.offset_l, facts.rest_u_kpa, pumped=state.stroke.pushed)
    larger_l = [f.cavity_l for f in (gas.found, last.found) if f is not None and f.cavity_l - f.u_l > cavity.high_l]
    if not larger_l:
        return state.tally
    doubted_l = abs(state.tally.net_l(setup.meter)) * (1 - cavity.volume_l / max(larger_l))
    return state.tally.doubting_at_least("more room", less_l=doubted_l)


def with_drawn_liquid(setup: Setup, state: FillState, facts: Facts) -> Tally:
    """Update the account while air is drawn near the level: liquid drawn with it shows as bore loss."""
    gas, line_kpa, line = facts.gas, facts.reading.line_kpa, setup.line
    air = facts.reverse and facts.valve_open and entering(setup, state) == "air"
    if setup.into != "tyre" or not air or not near_level(setup, state) or gas is None or line_kpa is None:
        return state.tally
    drawn_lps = line.back_lps if setup.meter.reverse == "none" else -facts.flow_lps
    if drawn_lps <= 0:
        return state.tally
    missing_kpa = gas.low - air_loss_kpa(line, drawn_lps, gas.low) - line_kpa
    of_liquid = max(bore_loss_kpa(line, drawn_lps) * state.loss_gain, AIR_DRAWN_KPA)
    share = min(missing_kpa / of_liquid, 1.0)
    if share <= 0:
        return state.tally
    return state.tally.doubting("liquid near the level", less_l=share * drawn_lps * facts.dt_s)


def with_counted_double(setup: Setup, state: FillState, narrowed: float) -> Tally:
    """Update the account once the line loss is ``narrowed`` times that of earlier strokes at the counted flow.

    Either the bore is fouled, or the meter overcounted until now: the loss is quadratic in the flow.
    """
    if narrowed < _FOULED or setup.meter.estimated:
        return state.tally
    doubted_l = abs(state.mark.tally.net_l(setup.meter)) * (1 - 1 / math.sqrt(narrowed))
    return state.tally.doubting_at_least("counted double", less_l=doubted_l)


def rebooked_dry(setup: Setup, state: FillState) -> Tally:
    """Rebook the count since the suction ran dry as air, now in hose and suction line.

    That air has pushed as much of the hose's liquid into the tyre, so the net is unchanged; the amount is in doubt, and
    with it what the suction line is taken to have lost.
    """
    tally, line = state.tally, setup.line
    air_l = min(max(tally.passed_forward_l(setup.meter) - state.stroke.even_passed_l, 0.0), tally.hose_l)
    doubted_l = air_l + line.suction_l + line.pump_lps * line.coast_s
    return changed(
        tally,
        air_forward_l=tally.air_forward_l + air_l,
        hose_l=tally.hose_l - air_l,
        suction_air_kpa_l=line.suction_l * line.atmosphere_kpa_abs,
    ).doubting("suction dry", less_l=doubted_l, more_l=doubted_l)


def with_late_rise(setup: Setup, state: FillState) -> Tally:
    """Update the account once the gauge has risen more than the litres explain: they may have gone elsewhere before."""
    doubted_l = abs(state.tally.net_l(setup.meter) - _sure_l(setup, state))
    return state.tally.doubting_at_least("late rise", less_l=doubted_l)


def with_vacuum_lost(setup: Setup, state: FillState, facts: Facts) -> Tally:
    """Update the account once a hose reversed off behind a reportedly shut valve loses its vacuum.

    Until then the pump may have drawn from the tyre. Only a meter that counts both ways has counted that.
    """
    line_kpa, lowest_kpa = facts.reading.line_kpa, state.stroke.lowest_kpa
    counted = setup.meter.reverse != "none" and not setup.meter.estimated
    if counted or line_kpa is None or lowest_kpa is None or line_kpa < lowest_kpa + _VACUUM_LOST_KPA:
        return state.tally
    drew_s = min(facts.stroke_s, facts.stroke_s - facts.off_s + setup.line.coast_s)
    doubted_l = less_of(state.mark.tally.doubts) + setup.line.back_lps * drew_s
    return state.tally.doubting_at_least("vacuum lost", less_l=doubted_l)


def with_unforeseen(setup: Setup, state: FillState, facts: Facts, rest_kpa: float, air_l: float) -> Tally:
    """Update the account at a rest outside the air space's estimate.

    An estimated measure may have stuck while liquid came in, or counted on while the pump moved less: by so much the
    room differs. By a meter, a tyre that was below plan no longer is: a vent was open, and liquid was lost there.
    """
    tally, then, foreseen = state.tally, state.mark.tally, facts.gas
    if foreseen is None:
        return tally
    margin_kpa, air_kpa = 2 * setup.rest_gauge.u_kpa, setup.line.atmosphere_kpa_abs
    # What an alarm has put in doubt since the rest before is the same liquid.
    if rest_kpa > foreseen.high + margin_kpa:
        if setup.meter.estimated:
            unseen_l = air_l * (1 - (foreseen.best + air_kpa) / (rest_kpa + air_kpa))
            return tally.doubting_at_least("not counted", more_l=more_of(then.doubts) + unseen_l)
        if state.when_low_l is not None:
            return tally.doubting("lost by the vent", less_l=abs(tally.net_l(setup.meter) - state.when_low_l))
    elif rest_kpa < foreseen.low - margin_kpa and setup.meter.estimated:
        counted_l = facts.in_tyre_l - facts.stroke.start_l
        missing_l = min(air_l * ((foreseen.best + air_kpa) / (max(rest_kpa, 0.0) + air_kpa) - 1), counted_l)
        return tally.doubting_at_least("not moved", less_l=less_of(then.doubts) + missing_l)
    return tally


def with_rest(setup: Setup, state: FillState, facts: Facts, rest_kpa: float) -> Tally:
    """Settle at a rest what was put in doubt since the rest before: liquid takes up room in the sealed air space.

    Only litres that may not have flowed, or flowed uncounted: not where air may have taken their room or left it, or
    the gauge itself was in doubt.
    """
    tally, then, gas = state.tally, state.mark.tally, facts.gas
    grown = since(tally.doubts, then.doubts)
    if not grown or gas is None or setup.into != "tyre" or not _SHOWN_BY_ROOM.issuperset(each.reason for each in grown):
        return tally
    air_kpa, u_kpa = setup.line.atmosphere_kpa_abs, math.hypot(setup.rest_gauge.u_kpa, facts.rest_u_kpa)
    room_l = max(state.gas.high_l - facts.offset_l, 0.0)
    # Boyle's law, as the air space has it: by so much the room may be larger or smaller than by the account.
    least_kpa, most_kpa = rest_kpa + air_kpa - u_kpa, rest_kpa + air_kpa + u_kpa
    less_l = room_l * ((gas.high + air_kpa) / least_kpa - 1) if least_kpa > 0 else math.inf
    more_l = room_l * (1 - (gas.low + air_kpa) / most_kpa)
    return tally.settling(then, less_l=max(less_l, 0.0), more_l=max(more_l, 0.0))


def _doubted_l(setup: Setup, state: FillState, alarm: str) -> tuple[float, float]:
    """How many litres less, and more, may be in the tyre by this alarm."""
    pump_lps, net_l = setup.line.moves_lps(state.direction), state.tally.net_l(setup.meter)
    if alarm == "cavity_differs":
        # More room than the size has may be a leak or missing liquid. Less room gives no cause for doubt, except after
        # a gauge that never settled, or a rise that began late: until then liquid went elsewhere.
        astray = state.gas.verdict == "more" or Flag.GAUGE_RESTLESS in state.flags or _rose_late(state)
        return _missing(setup, abs(net_l) if astray else 0.0)
    if alarm == "no_progress" and state.measure:
        # A stuck level counts nothing of what the pump moves.
        beside = zip(setup.beside, state.counts[1:], strict=True)
        moved_l = max(count.forward * meter.litres_per_pulse for meter, count in beside)
        uncounted_l = max(0.0, moved_l - state.tally.passed_forward_l(setup.meter))
        return (uncounted_l if setup.into == "tote" else 0.0), uncounted_l
    if alarm == "air_stays":
        # What was booked as drawn air since the last rest may have been liquid.
        return state.tally.air_drawn_l - state.mark.tally.air_drawn_l, 0.0
    if alarm == "air_gone":
        # The draw did not go as counted: the hose may be full of what the account calls air, or the other way round.
        return setup.line.hose_l, setup.line.hose_l
    # By run time a gauge that does not move may mean a stopped pump; at nothing, a hose that ends elsewhere.
    stuck = alarm == "gauge_stuck" and (setup.meter.by_time or state.gas.rested_at_nothing)
    if alarm in _ASTRAY or stuck:
        # The coasting flow is in doubt as well.
        since_l = abs(net_l - _sure_l(setup, state)) + pump_lps * setup.line.coast_s
        unsure = alarm in _EITHER or (alarm == "gauge_restless" and setup.meter.estimated)
        return (since_l, since_l) if unsure else _missing(setup, since_l)
    if alarm == "no_flow":
        # A coarse measure has a long time-out, and the pump may have run throughout; in a removal with pauses.
        silent_s = state.now_s - state.pulse_s if setup.into == "tote" else abs(state.unmoved_s)
        moved_l = pump_lps * max(_UNSEEN_S, silent_s)
        # A pump that turns the wrong way, which no meter without a reverse count shows, draws on the tyre.
        return (moved_l, moved_l) if setup.meter.reverse == "none" else by_way(state, moved_l)
    return _unseen_l(setup, state, alarm)


def _missing(setup: Setup, litres: float) -> tuple[float, float]:
    """Counted litres that may be elsewhere: not in the tyre, or in a removal still in it."""
    return litres, (litres if setup.into == "tote" else 0.0)


def _unseen_l(setup: Setup, state: FillState, alarm: str) -> tuple[float, float]:
    # Where the uncounted period is known, or an output that is still on is counted, no estimate is added.
    known = state.unseen_s > 0 or state.unconfirmed_s is not None
    moved_l = setup.line.moves_lps(state.direction) * _UNSEEN_S
    if alarm not in _UNSEEN or known:
        return 0.0, 0.0
    if alarm in _DRAWN:
        return _missing(setup, moved_l)
    either = alarm in _EITHER or not pump_way(setup, state)
    return (moved_l, moved_l) if either else by_way(state, moved_l)


def _rose_late(state: FillState) -> bool:
    """Whether the air space given by the rise's end should have shown at the rest on the way, and did not."""
    rise = state.gas.rise
    if rise is None or rise.way_kpa is None:
        # No rest on the way: a gauge that showed no tyre at the start may have shown an open vent.
        return rise is not None and rise.from_kpa <= NO_TYRE_KPA
    way = changed(rise, to_kpa=rise.way_kpa, to_l=rise.way_l, added_kpa_l=rise.way_added_kpa_l, way_kpa=None)
    foreseen_kpa = rest_after_kpa(cavity_of_rise(rise), way)
    return foreseen_kpa - rise.way_kpa > max(2 * rise.gauge_u_kpa, 0.5 * (foreseen_kpa - rise.from_kpa))


def _sure_l(setup: Setup, state: FillState) -> float:
    """Volume inside when a rest last showed a tyre under pressure: without pressure its location is unconfirmed."""
    pressurised = state.gas.rest_kpa is not None and state.gas.rest_kpa > NO_TYRE_KPA
    rested_l = state.mark.tally.net_l(setup.meter) if pressurised else 0.0
    return rested_l if state.when_low_l is None else min(rested_l, state.when_low_l)
