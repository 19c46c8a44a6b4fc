"""Report data of a fill: one line of its trace, and the record when it has ended."""

from __future__ import annotations

import math

from rig.control.belief.accounting import Count
from rig.control.belief.observe import Facts
from rig.control.belief.remains import final_band, final_static_kpa
from rig.control.belief.state import FillState, in_force, in_tyre_l
from rig.control.belief.uncertainty import account, combined, estimated, unattended_uncertainty_l
from rig.control.belief.unread import unseen_l
from rig.control.belief.unsafe import tyre_shown
from rig.control.belief.witness import comparisons
from rig.control.safety.alarms import outcome_of
from rig.control.words.flags import Flag
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.meter_kind import KINDS
from rig.record.delivery import statement
from rig.record.work import Compared, Counted, Doubted
from rig.units import rounded

_LEAST_PART_L = 0.001
"""Smaller parts of the uncertainty are left out of the record."""


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or math.isinf(value) else rounded(value, digits)


def progress(setup: Setup, state: FillState, facts: Facts) -> dict[str, object]:
    """One line of the trace."""
    shown = tyre_shown(setup, state, facts)
    return {
        "t_s": rounded(state.now_s, 3),
        "state": state.state.value,
        "phase": state.phase.value,
        "in_tyre_l": rounded(in_tyre_l(setup, state), 4),
        "flow_lps": rounded(facts.flow_lps, 4),
        "tyre_kpa": _rounded(shown.kpa, 2),
        "tyre_age_s": rounded(shown.age_s, 1),
        "line_kpa": _rounded(facts.reading.line_kpa, 2),
        "pulses": state.tally.pulses_forward - state.tally.pulses_returned,
    }


def moved_l(setup: Setup, state: FillState) -> float:
    """What counts towards the target: litres into the tyre or vessel, or out of a tyre that is emptied."""
    return -in_tyre_l(setup, state) if setup.into == "tote" else in_tyre_l(setup, state)


def seconds_left(setup: Setup, state: FillState) -> float:
    """Time that the rest of the fill takes at the planned rate."""
    share = max(0.0, 1 - moved_l(setup, state) / setup.target_l) if setup.target_l > 0 else 0.0
    return share * setup.expected_s


def cools(state: FillState) -> bool:
    """Whether a running fill rests until the pump, which has run dry, may draw again."""
    return state.state is State.RUNNING and state.phase is Phase.SETTLE and state.stroke.cools


def cooling_s(setup: Setup, state: FillState) -> float | None:
    """Remaining rest of a pump that has run dry before it draws again; None: nothing waits for it."""
    return max(0.0, state.dry_ended_s + setup.dry_rest_s - state.now_s) if cools(state) else None


def fill_record(setup: Setup, state: FillState) -> Counted:
    """The finished fill as recorded in this room: litres, pulses, pressures (gauge, kPa), flags."""
    parts, compared = account(setup, state), comparisons(setup, state)
    within = combined(state.tally.doubts, parts)
    own, meter, tally, gas = setup.meter, in_force(setup, state).meter, state.tally, state.gas
    counted = state.counts[0] if state.counts else Count()
    net_l, final = tally.net_l(meter), final_band(setup, state)
    known = statement(rounded(net_l, 3), rounded(within.u_l, 3), meter.least_l)
    return Counted(
        fill_id=setup.fill_id,
        outcome=outcome_of(state),
        first_out=state.alarms.first_out,
        target_l=rounded(setup.target_l, 3),
        net_l=rounded(net_l, 3),
        forward_l=rounded(tally.forward_l(meter), 3),
        returned_l=rounded(tally.returned_l(meter), 3),
        hose_change_l=rounded(tally.hose_change_l(), 3),
        net_basis="estimated" if estimated(setup, state) else "counted",
        net_u_l=rounded(within.u_l, 3),
        net_less_l=rounded(within.less_l, 3),
        net_more_l=rounded(within.more_l, 3),
        doubts=tuple(
            Doubted(each.reason, rounded(each.less_l, 3), rounded(each.more_l, 3))
            for each in (*tally.doubts, *parts)
            if max(each.less_l, each.more_l) >= _LEAST_PART_L
        ),
        delivery=known.delivery,
        billable=known.billable,
        not_billable_because=known.not_billable_because,
        measured_by=meter.kind,
        comparisons=tuple(
            Compared(each.reference, rounded(each.meter_l, 3), rounded(each.reference_l, 3), rounded(each.u_l, 3))
            for each in compared
        ),
        strokes=state.fills + state.top_ups,
        peak_pressure_kpa=_rounded(state.peak_kpa, 2),
        lowest_pressure_kpa=_rounded(state.lowest_kpa, 2),
        final_static_kpa=_rounded(final_static_kpa(state), 2),
        final_low_kpa=_rounded(final.low if final else None, 2),
        final_high_kpa=_rounded(final.high if final else None, 2),
        unattended_l=rounded(tally.unattended_l, 3),
        unattended_u_l=rounded(unattended_uncertainty_l(setup, state), 3),
        unseen_l=rounded(unseen_l(setup, state), 3),
        pulses=counted.forward - counted.back,
        k_per_l=own.k_per_l,
        meter_factor=own.factor,
        existing_l=rounded(setup.existing_l, 3),
        cavity_low_l=rounded(setup.cavity.low_l, 2),
        cavity_high_l=rounded(setup.cavity.high_l, 2),
        measured_cavity_l=_rounded(gas.found.cavity_l if gas.found else None, 2),
        measured_cavity_u_l=_rounded(gas.found.u_l if gas.found else None, 2),
        measured_cavity_shared_u_l=_rounded(2 * gas.found.common_l if gas.found else None, 2),
        cavity_agrees=None if gas.found is None else gas.verdict == "agrees",
        atm_kpa=setup.line.atmosphere_kpa_abs,
        overruns_s={str(step): rounded(learned_s, 3) for step, learned_s in state.overruns},
        flags=tuple(sorted(state.flags | _late_flags(in_force(setup, state), state))),
    )


def _late_flags(setup: Setup, state: FillState) -> set[str]:
    flags = set[str]()
    if not setup.meter.proven:
        flags.add(Flag.METER_NOT_PROVEN)
    if setup.meter.estimated:
        flags.add(f"volume by {KINDS[setup.meter.kind].basis}")
    if setup.target_l < setup.meter.least_l:
        flags.add(Flag.BELOW_LEAST)
    if abs(state.tally.unattended_l) > setup.meter.litres_per_pulse:
        flags.add(Flag.MOVED_UNATTENDED)
    return flags
