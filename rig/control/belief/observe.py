"""Turn a reading into facts: counts booked, air space followed, flow and pressure estimated.

Bookkeeping only, no decisions. ``observe`` returns the state updated by this scan and the facts on which guards and
phases decide.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.control.belief.accounting import MOST_UNREAD_S, Count, Tally, book, counted, still_unread, unwrap
from rig.control.belief.acting import acting_kpa, through_line
from rig.control.belief.airspace import Found, Verdict
from rig.control.belief.flow import STILL_S, Flow, follow, quiet, uncounted_s
from rig.control.belief.gauges import Shown
from rig.control.belief.gauges import follow as follow_gauges
from rig.control.belief.level import air_at_pump, entering, hose_air_l, hose_wet, level, near_level, perhaps_air
from rig.control.belief.passing import (
    MOST_FLOW,
    leapt_l,
    other_on_air,
    passes_uncounted,
    too_fast_l,
    with_uncounted_air,
)
from rig.control.belief.pressure import Band, Gas, sealed_band
from rig.control.belief.state import (
    FillState,
    Stroke,
    gauge_sees,
    in_force,
    in_tyre_l,
    offset_l,
    pump_off_since_s,
    pump_way,
)
from rig.control.belief.warming import crept, followed
from rig.control.belief.witness import contradiction
from rig.control.words.changed import changed
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Outputs, Reading, Setup

_RUN_UP_S = 0.5
"""Time in which a pump's flow is not steady yet after its start lag: common practice, no source."""
_ROUNDING_L = 1e-6
"""Hose and meter litres are summed separately; a smaller difference than this is rounding."""


@dataclass(slots=True)
class Facts:
    """The facts of one scan. Litres and flows in the tyre's sense: positive is into the tyre.

    Built in every scan and never changed; freezing so many fields would cost a tenth of the decision's time.
    """

    reading: Reading
    state: State
    phase: Phase
    dt_s: float
    run_s: float
    """Time since the pump was commanded on, 0 when it is off."""
    off_s: float
    """Time since the pump was commanded off, 0 when it is on."""
    forward: bool
    reverse: bool
    outputs: Outputs
    venting: bool
    flow_lps: float
    slow_lps: float
    slow_u: float
    """One pulse as a share of what the slow flow was counted from."""
    steady: bool
    """Fast and slow flow agree: losses may be computed from them."""
    pulse_age_s: float
    """Time since the meter last moved."""
    unmoved_s: float
    """Pump run time in this direction since then, over any number of strokes."""
    gauge_age_s: float
    """Time since the line gauge last showed another value."""
    in_tyre_l: float
    filled_l: float
    offset_l: float
    still: bool
    """The pump is off and the liquid at rest."""
    rests: bool
    """And the gauge is steady too, or its time-out is over: it shows the tyre's pressure."""
    rest_u_kpa: float
    """Uncertainty of that pressure from gauge noise, at 95 %."""
    restless: bool
    """Still moving after the time-out, or moving as no gas does by itself."""
    moves_kpa_s: float
    """Rate of a line gauge that moves with all off as no gas does by itself; else 0."""
    last_way: int
    """1 forward, -1 back: which way the pump runs or last ran; 0 where it has not run yet."""
    wavers_kpa: float
    """Noise band of the line gauge's displayed value."""
    first_look: bool
    """No tyre pressure is known yet: the gauge was cut off from it."""
    covered_m: float
    wet: bool
    """Liquid fills the whole path from tote to valve."""
    loss_known: bool
    loss_gain: float
    """Measured line loss per computed loss."""
    loss_kpa: float
    """Liquid's loss between gauge and tyre at this flow, as far as it is known."""
    air_at_pump: bool
    dry_s: float
    valve_open: bool
    gas: Band | None
    line: Band | None
    tyre_kpa: float | None
    """The acting estimate: rest reading, or the larger best estimate while liquid flows."""
    flushed_l: float
    """What the last reverse brought back."""
    flush_air_l: float
    """Air that the hose may have held when it began."""
    stray_l: float
    """Counted in either direction since all should be at rest; within the last 20 s."""
    meter_restarted: bool
    found: Found | None
    """The cavity as the sealed strokes of this fill measured it."""
    verdict: Verdict
    """Whether that fits the size."""
    contradicted: bool
    """At rest: a witness parallel to the meter gives other litres, and both cannot be right."""
    stroke: Stroke
    stroke_s: float
    """Time since this phase began."""


def observe(setup: Setup, state: FillState, reading: Reading) -> tuple[FillState, Facts]:
    """Process one reading. Time must not go back."""
    assert reading.now_s >= state.now_s or state.now_s == 0.0, "the controller's clock went back"
    dt = max(0.0, reading.now_s - state.now_s) if state.now_s else 0.0
    before_restarts = restarts(state)
    state, reading, shown = follow_gauges(setup, state, reading)
    state, forward, back = count_pulses(setup, state, reading, 3 * setup.line.most_lps * dt, dt)
    setup = in_force(setup, state)
    if reading.fresh and (mark := other_on_air(setup, state, reading)):
        state = changed(state, flags=state.flags | {mark})
        setup = in_force(setup, state)
    before = hose_wet(setup, state), state.tally.hose_l > 0
    state = followed(setup, state, _book(setup, state, reading, forward, back, dt), reading, dt)
    if pump_way(setup, state) and (hose_wet(setup, state), state.tally.hose_l > 0) != before:
        # Only for commanded movement: uncommanded flow must be detected, however it changes.
        state = changed(state, regime_s=reading.now_s)
    if not reading.fresh:
        # No new data is not standstill: the ages are held until the field answers again, or is declared lost.
        state = changed(state, pulse_s=state.pulse_s + dt, gauge_s=state.gauge_s + dt)
    elif forward or back or not state.pulse_s:
        state = changed(state, pulse_s=reading.now_s)
    if setup.by_hand:
        state = _lever(state, reading, forward, back)
    flow, unmoved_s = state.flow, state.unmoved_s
    if reading.fresh:
        flow_lps = abs(flow.slow_pps) * setup.meter.litres_per_pulse
        if flow.fine and pump_way(setup, state) and leapt_l(setup, forward, dt, flow_lps) > 0:
            # The clock stalled: the relay module may have stopped the pump meanwhile, which then starts anew.
            state = changed(state, regime_s=reading.now_s)
        flow = _flow(setup, state, reading.now_s)
        runs = reading.now_s - state.changed_s > setup.line.start_lag_s
        seen = forward or back or passes_uncounted(setup, state)
        unmoved_s = 0.0 if seen else uncounted_s(unmoved_s, pump_way(setup, state) if runs else 0, dt)
    state = changed(state, flow=flow, unmoved_s=unmoved_s, now_s=reading.now_s)
    state = _dry(setup, state, dt)
    facts = _facts(setup, state, reading, dt, restarts(state) > before_restarts, shown)
    if facts.rests and facts.tyre_kpa is not None:
        state = changed(state, told_s=reading.now_s, gas=crept(setup, state, facts.tyre_kpa, shown))
    return _extremes(state, facts), facts


def _lever(state: FillState, reading: Reading, forward: int, back: int) -> FillState:
    """By hand only the meter shows whether the pump runs, and which way."""
    silent = reading.now_s - state.pulse_s >= STILL_S
    way = 1 if forward else -1 if back else 0 if silent else state.by_lever
    if way == state.by_lever:
        return state
    changed_s = reading.now_s if way else state.pulse_s
    return changed(state, by_lever=way, direction=way or state.direction, changed_s=changed_s, regime_s=changed_s)


def _flow(setup: Setup, state: FillState, now_s: float) -> Flow:
    """Follow the flow; restart it while the pump runs up or air gives way to liquid, when it is not steady."""
    moving = pump_way(setup, state) or state.outputs.vent_valve
    changing = moving and now_s - state.regime_s < setup.line.start_lag_s + _RUN_UP_S
    pulses = state.tally.pulses_forward - state.tally.pulses_returned
    return follow(Flow() if changing else state.flow, now_s, pulses)


def restarts(state: FillState) -> int:
    """How often the registers in force restarted or jumped."""
    counts = state.counts[state.measure].register.restarts if state.counts else 0
    return counts + state.reverse_register.restarts


def count_pulses(
    setup: Setup, state: FillState, reading: Reading, most_l: float, dt: float
) -> tuple[FillState, int, int]:
    """Take every measure's register in; also return the pulses forward and back of the acting one.

    ``setup`` is the fill's own, with its meter. Plausible are at most ``most_l``, plus what the pump may have moved
    while a register was not read.
    """
    meters = (setup.meter, *setup.beside)
    before = state.counts or (Count(),) * len(meters)
    raws = (*reading.counts, *(None,) * (len(meters) - len(reading.counts)))
    at_rest = _at_rest(setup, state, reading.now_s)
    flows = state.outputs.pump_run and state.flow.fast_pps > 0
    unread_s = state.unread_s or (0.0,) * len(meters)
    stalled_s = _may_have_stalled_s(setup, state)
    unread_l = [MOST_FLOW * setup.line.most_lps * max(each_s, stalled_s) for each_s in unread_s]
    after = tuple(
        [
            counted(count, raw, meter, state.direction, most_l, missed_l, at_rest=at_rest, flows=flows)
            for count, raw, meter, missed_l in zip(before, raws, meters, unread_l, strict=True)
        ]
    )
    reverse = state.reverse_register
    if reading.reverse_raw is not None:
        most = int((most_l + unread_l[0]) / setup.meter.litres_per_pulse) + 50
        reverse, back = unwrap(reverse, reading.reverse_raw, setup.meter, most)
        after = (changed(after[0], back=after[0].back + back), *after[1:])
    was, now = before[state.measure], after[state.measure]
    state = changed(state, counts=after, reverse_register=reverse, unread_s=still_unread(unread_s, raws, dt))
    return state, now.forward - was.forward, now.back - was.back


def _may_have_stalled_s(setup: Setup, state: FillState) -> float:
    """How long controller and clock may have stalled, unnoticed, while the pump ran: to its module's time-out."""
    if not pump_way(setup, state):
        return 0.0
    return (setup.timeout_s if setup.has_timeout else MOST_UNREAD_S) + setup.line.coast_s


def _book(setup: Setup, state: FillState, reading: Reading, forward: int, back: int, dt: float) -> FillState:
    guess = 0.0
    if setup.meter.reverse == "none" and pump_way(setup, state) < 0 and state.valve_open:
        # The meter cannot measure reverse flow: the pump's displacement is the best estimate. Against a shut valve it
        # moves nothing.
        guess = setup.line.back_lps * dt
    before = state.tally
    carried = with_uncounted_air(setup, state, before, reading, dt, counted=bool(forward or back))
    if not forward and not back and not guess and carried is before:
        return state
    # Smoothing lags while the pump compresses air, and noise averages out.
    shown_kpa = reading.unsmoothed_line_kpa
    line_kpa = shown_kpa if shown_kpa is not None else (state.gas.rest_kpa or 0.0)
    curve = setup.meter.relative_factor(state.flow.slow_pps * setup.meter.litres_per_pulse)
    enters = entering(setup, state) if back or guess else "air"
    tally = book(carried, setup, forward, back, guess, line_kpa, enters, curve)
    uncommanded = _at_rest(setup, state, reading.now_s) and not setup.by_hand and not reading.unconfirmed
    if uncommanded:
        each_l = setup.meter.litres_per_pulse
        tally = tally.doubting("counted at rest", less_l=forward * each_l, more_l=back * each_l)
    elif (fast_l := max(too_fast_l(setup, state, dt), leapt_l(setup, forward, dt, setup.line.most_lps))) > 0:
        ahead = state.direction >= 0
        tally = tally.doubting("beyond the pump's flow", less_l=fast_l * ahead, more_l=fast_l * (not ahead))
    if setup.into == "tyre" and (back or guess) and enters == "liquid" and near_level(setup, state):
        # Booked as liquid out of the tyre: it may have been air.
        out_l = before.net_l(setup.meter) - tally.net_l(setup.meter)
        tally = tally.doubting("air near the level", more_l=out_l if out_l > _ROUNDING_L else 0.0)
    gas = _follow_gas(setup, state, before, tally, line_kpa, guessed=guess > 0 or carried is not before)
    return changed(state, tally=tally, gas=gas)


def _at_rest(setup: Setup, state: FillState, now_s: float) -> bool:
    """Whether pump and vent have been off for long enough that everything should be at rest."""
    commanded = pump_way(setup, state) or state.outputs.vent_valve
    return not commanded and now_s - state.changed_s > setup.line.coast_s + STILL_S


def _follow_gas(setup: Setup, state: FillState, before: Tally, after: Tally, line_kpa: float, *, guessed: bool) -> Gas:
    gas = state.gas
    if not state.valve_open:
        return gas
    line_abs = line_kpa + setup.line.atmosphere_kpa_abs
    pushed = max(0.0, before.suction_air_kpa_l - after.suction_air_kpa_l)
    counted = setup.meter.air_going(-1) == "counts"
    drawn_l = after.air_returned_l - before.air_returned_l if counted else after.air_untold_l - before.air_untold_l
    drawn = drawn_l * line_abs
    doubtful = gas.guessed_kpa_l + (drawn if guessed else 0.0)
    return changed(gas, added_kpa_l=gas.added_kpa_l + pushed - drawn, guessed_kpa_l=doubtful)


def _dry(setup: Setup, state: FillState, dt: float) -> FillState:
    if pump_way(setup, state) and (air_at_pump(setup, state) or perhaps_air(setup, state)):
        return changed(state, dry_s=state.dry_s + dt, dry_ended_s=state.now_s)
    rested = state.now_s - state.dry_ended_s >= setup.dry_rest_s
    return changed(state, dry_s=0.0) if rested and state.dry_s else state


def _facts(setup: Setup, state: FillState, reading: Reading, dt: float, restarted: bool, shown: Shown) -> Facts:
    way, since, each_l = pump_way(setup, state), reading.now_s - state.changed_s, setup.meter.litres_per_pulse
    flow, slow = state.flow.fast_pps * each_l, state.flow.slow_pps * each_l
    filled = setup.existing_l + (inside := in_tyre_l(setup, state))
    offset, covered = offset_l(setup, state, filled), setup.cavity.covered(level(setup, state))
    still = not way and since >= setup.line.coast_s and quiet(state.flow, reading.now_s)
    seen_still = still and gauge_sees(setup, state, reading)
    rests = seen_still and shown.rests
    gas = sealed_band(state.gas, setup, offset) if state.valve_open else None
    line, loss = through_line(setup, state, reading, (flow, slow), covered) if way > 0 else (None, 0.0)
    return Facts(
        reading=reading,
        state=state.state,
        phase=state.phase,
        dt_s=dt,
        run_s=since if way else 0.0,
        off_s=0.0 if way else since,
        forward=way > 0,
        reverse=way < 0,
        outputs=state.outputs,
        venting=state.outputs.vent_valve,
        flow_lps=flow,
        slow_lps=slow,
        slow_u=state.flow.slow_u,
        steady=abs(flow - slow) <= 0.25 * abs(slow),
        pulse_age_s=reading.now_s - state.pulse_s,
        unmoved_s=max(0.0, way * state.unmoved_s),
        gauge_age_s=reading.now_s - state.gauge_s,
        in_tyre_l=inside,
        filled_l=filled,
        offset_l=offset,
        still=still,
        rests=rests,
        rest_u_kpa=shown.rest.u_kpa if shown.rest is not None and rests else 0.0,
        restless=seen_still and shown.restless,
        moves_kpa_s=state.moves_kpa_s or state.drops_kpa_s,
        wavers_kpa=state.line.wavers_kpa,
        last_way=state.direction,
        first_look=setup.cuts_gauge_off and state.gas.rest_kpa is None and not state.fills,
        covered_m=covered,
        wet=hose_wet(setup, state),
        loss_known=state.loss_known,
        loss_gain=state.loss_gain,
        loss_kpa=loss,
        air_at_pump=air_at_pump(setup, state),
        dry_s=state.dry_s,
        valve_open=state.valve_open,
        gas=gas,
        line=line,
        tyre_kpa=acting_kpa(setup, state, reading, gas, line, covered, rests=rests or (seen_still and setup.by_hand)),
        flushed_l=(flushed := state.tally.returned_l(setup.meter) - state.flush_start_l),
        flush_air_l=flush_air_l if (flush_air_l := hose_air_l(setup, state) - flushed) > _ROUNDING_L else 0.0,
        stray_l=_stray_l(setup, state),
        meter_restarted=restarted,
        found=state.gas.found,
        verdict=state.gas.verdict,
        contradicted=still and contradiction(setup, state) is not None,
        stroke=state.stroke,
        stroke_s=reading.now_s - state.since_s,
    )


def _stray_l(setup: Setup, state: FillState) -> float:
    if (off_s := pump_off_since_s(setup, state)) is None:
        return 0.0
    still_s = off_s + setup.line.coast_s + 1.0
    counts = [count for at_s, count in state.flow.samples if at_s >= still_s]
    return abs(counts[-1] - counts[0]) * setup.meter.litres_per_pulse if counts else 0.0


def _extremes(state: FillState, facts: Facts) -> FillState:
    # Before the line loss was measured once, the gauge indicates little of the tyre while liquid flows.
    guessed = facts.line is not None and not facts.loss_known
    tyre = facts.gas.best if guessed and facts.gas is not None else facts.tyre_kpa
    if tyre is None or tyre == float("inf"):
        return state
    peak = tyre if state.peak_kpa is None else max(state.peak_kpa, tyre)
    lowest = tyre if state.lowest_kpa is None else min(state.lowest_kpa, tyre)
    if peak == state.peak_kpa and lowest == state.lowest_kpa:
        return state
    return changed(state, peak_kpa=peak, lowest_kpa=lowest)
