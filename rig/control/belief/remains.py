"""The pressure a fill leaves in the tyre: the gauge at rest after the last movement with bounds, or unknown.

Bookkeeping only, no decisions. While the valve is open the reading is updated every scan, and cleared by the first
movement; once the valve is shut it is kept. A gauge at rest may also show a hose shut off from the tyre, or a gun in
the air: a reading below what the sealed air space must hold, or far above it, is not taken for the tyre's.
"""

from __future__ import annotations

import math

from rig.control.belief.level import near_level
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import (
    NO_TYRE_KPA,
    Band,
    Remains,
    gun_kpa,
    rest_kpa,
    sealed_band,
    settled_kpa,
    stiffness_kpa_per_l,
)
from rig.control.belief.residuals import APART_KPA
from rig.control.belief.state import FillState, holds_l, offset_l
from rig.control.belief.uncertainty import Within, net_within
from rig.control.words.changed import changed
from rig.control.words.flags import Flag
from rig.control.words.values import Setup
from rig.plan.physics import head_kpa
from rig.units import KPA_PER_PSI

_GAUGE_IN_DOUBT = frozenset({
    "gauge_stuck", "gauge_restless", "air_stays", "estimates_disagree", "valve_blocked", "bead_lost", "no_rise",
})  # fmt: skip
"""Alarms after which the gauge is not used: it is wrong, or sees a blocked bore or a gun in the air."""

_NOTHING_IN_DOUBT = _GAUGE_IN_DOUBT | {"pressure_low"}
"""The same for a gauge at nothing: lower than planned, it may see a hose before a blocked valve."""

_FLOWS = frozenset({"flow_while_stopped", "moves_while_off", "reverse_flow"})
"""While one of these holds nothing is at rest, whatever a coarse meter and a gauge at the relief valve show."""

_HOSE_IN_DOUBT = frozenset({Flag.AIR_PUMPED, Flag.SUCTION_DRY, Flag.REVERSE_FLOW})
"""Alarms after which, even if overridden, the liquid between gauge and tyre is unknown."""

_UNSEEN = _HOSE_IN_DOUBT | {
    "field_lost", "reading_untrusted", "output_not_obeyed", "flow_while_stopped", "off_unconfirmed",
    "moves_while_off", "valve_blocked",
}  # fmt: skip
"""Alarms after which more may have moved than was counted, or less."""
_BY_AIR_KPA = 2 * KPA_PER_PSI
"""Error of the air space's estimate beyond its own band: warmth, growth, a leak. Assumed, no source."""


def follow(setup: Setup, state: FillState, facts: Facts) -> Remains | None:
    """The pressure left in the tyre if the fill ends in this scan; ``None`` without a rest."""
    reading = facts.reading
    if setup.into == "open vessel":
        return None
    if not state.valve_open or (reading.reachable and not reading.fresh):
        return state.remains
    flows = not _FLOWS.isdisjoint(name for name, _ in state.alarms.timers)
    settled = facts.rests and not facts.restless and not facts.venting and reading.reachable and not flows
    # The liquid above the valve of an emptied tyre is not measured: the pressure at the gun is no less than the tyre's.
    kpa = gun_kpa(setup, reading.line_kpa, state.tally.hose_l) if setup.into == "tote" else facts.tyre_kpa
    # A rest re-anchors the air space and agrees with itself from then on: a doubtful one remains so until it moves.
    doubted = state.remains is not None and not state.remains.sure and facts.still and not facts.venting
    if not settled or kpa is None:
        return state.remains if (doubted or _only_creeps(setup, state, facts)) and reading.reachable else None
    # After an interruption too: if the core was put in meanwhile, the hose shows nothing of the tyre.
    sealed = state.gas.sealed or Flag.INTERRUPTED in state.flags
    found = state.gas.found
    largest_l = state.gas.high_l if found is None else max(state.gas.high_l, found.cavity_l)
    foreseen = sealed_band(changed(state.gas, sealed=sealed, high_l=largest_l), setup, facts.offset_l)
    # Far above it the gauge sees a hose behind a shut valve, far below a gun in the air.
    step_kpa = stiffness_kpa_per_l(state.gas, setup, kpa, facts.offset_l) * setup.meter.litres_per_pulse
    settles_kpa, u_kpa = settled_kpa(state.gas, setup, kpa, facts.rest_u_kpa)
    errs_kpa = 2 * setup.rest_gauge.u_kpa + facts.wavers_kpa + step_kpa + u_kpa
    fits = foreseen is None or foreseen.low - errs_kpa <= kpa <= foreseen.shows_high + APART_KPA
    column_kpa_u = _column_kpa_u(setup, state)
    sure = not doubted and fits and column_kpa_u <= 2 * setup.rest_gauge.u_kpa
    remains = Remains(kpa, sure, math.hypot(u_kpa, column_kpa_u), settles_kpa)
    return state.remains if remains == state.remains else remains


def _column_kpa_u(setup: Setup, state: FillState) -> float:
    """Possible error of the column between a gauge at the pump and the tyre, by what the hose may hold.

    Near the level it may have taken liquid for air, and where liquid was drawn that is not where the account has it.
    """
    full_l, tally = setup.line.hose_l, state.tally
    if setup.tyre_gauge is not None or not full_l:
        return 0.0
    unsure = near_level(setup, state) or Flag.LIQUID_DRAWN in state.flags
    more_l = full_l - tally.hose_l if unsure else tally.hose_more_l
    return abs(head_kpa(setup.line)) * max(more_l, tally.hose_less_l) / full_l


def _only_creeps(setup: Setup, state: FillState, facts: Facts) -> bool:
    """Nothing is commanded to move, and the gauge is where noise and the gas's temperature take the last rest."""
    remains = state.remains
    if remains is None or not facts.still or facts.venting or facts.restless or not facts.valve_open:
        return False
    shown_kpa = rest_kpa(setup, facts.reading, state.tally.hose_l, facts.covered_m)
    if shown_kpa is None:
        return False
    low_kpa, high_kpa = remains.span_kpa
    return low_kpa - facts.wavers_kpa <= shown_kpa <= high_kpa + facts.wavers_kpa


def final_static_kpa(state: FillState) -> float | None:
    """Tyre pressure (gauge) at a rest after the last movement; ``None`` without one, or if doubtful."""
    if state.unseen_s > 0 or state.unconfirmed_s is not None:
        # What has moved since was not read.
        return None
    if state.remains is None or not state.remains.sure:
        return None
    doubts = _NOTHING_IN_DOUBT if state.remains.kpa <= NO_TYRE_KPA else _GAUGE_IN_DOUBT
    if not doubts.isdisjoint(_spoken(state)):
        return None
    if not _HOSE_IN_DOUBT.isdisjoint(_spoken(state) | state.flags):
        return None
    return state.remains.kpa


def final_band(setup: Setup, state: FillState) -> Band | None:
    """Bounds of the tyre's final pressure at 95 %; ``None`` where it is unknown."""
    if (read_kpa := final_static_kpa(state)) is not None:
        assert state.remains is not None
        u_kpa = math.hypot(setup.rest_gauge.u_kpa, state.remains.u_kpa)
        low_kpa, high_kpa = state.remains.span_kpa
        return Band(low_kpa - u_kpa, read_kpa, high_kpa + u_kpa)
    if setup.into != "tyre" or not _UNSEEN.isdisjoint(_spoken(state)) or _may_be_no_tyre(state):
        return None
    filled_l = holds_l(setup, state)
    within = _since_rest_within(setup, state, filled_l)
    foreseen, least, most = (
        sealed_band(state.gas, setup, offset_l(setup, state, litres))
        for litres in (filled_l, filled_l - within.less_l, filled_l + within.more_l)
    )
    if foreseen is None or least is None or most is None:
        return None
    shown_kpa = foreseen.best if state.remains is None else state.remains.kpa
    low, high = min(least.low - _BY_AIR_KPA, shown_kpa), max(most.high + _BY_AIR_KPA, shown_kpa)
    return Band(low, foreseen.best, high)


def _since_rest_within(setup: Setup, state: FillState, filled_l: float) -> Within:
    """Uncertainty of the litres since the last rest: the account's, but no more than these litres."""
    since_l, within = abs(offset_l(setup, state, filled_l) - state.gas.rest_offset_l), net_within(setup, state)
    return Within(min(within.less_l, since_l), min(within.more_l, since_l))


def _may_be_no_tyre(state: FillState) -> bool:
    """Whether the last rest may be that of a gun in the air: a gauge at nothing that was in doubt."""
    return state.gas.rested_at_nothing and not _NOTHING_IN_DOUBT.isdisjoint(_spoken(state) | state.flags)


def _spoken(state: FillState) -> frozenset[str | None]:
    return frozenset({state.alarms.first_out, *state.alarms.followers})
