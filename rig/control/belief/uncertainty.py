"""Uncertainty of a fill's account: what was counted reliably, what was estimated, and what is in doubt.

Bookkeeping only, no decisions. The one place where the parts of the uncertainty are put together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.control.belief.accounting import FRONT, FRONT_NEAR_LEVEL, GUESS, HOSE_STRETCH_PER_KPA, Tally
from rig.control.belief.doubts import Doubt, Doubts, less_of, more_of
from rig.control.belief.state import FillState, in_force, in_tyre_l
from rig.control.belief.unread import by_way, unseen_l
from rig.control.belief.witness import DOUBTED, at_relief, changed_ratio, comparisons, contradiction
from rig.control.words.flags import Flag
from rig.control.words.values import Setup

_METER_DOUBTS = frozenset({Flag.FLOW_TOO_HIGH, Flag.ESTIMATES_DISAGREE, Flag.AIR_PUMPED, Flag.MEASURES_DIFFER})
"""Alarms that a person may override, and that indicate a meter error."""
_REFILLED = 0.01
"""Systematic error of each refilling of the hose, as a share. An assumption."""
_PART_OF_AIR = 0.75
"""A meter that counts part of the air does not locate the end of the air in the suction line: this share of it may be
taken for liquid."""
_COMPRESSED_U = 0.03
"""Share of that air for each refilling, of a meter that counts all of it: 0.3 s that a gauge lags, of some 150 kPa that
the pump raises by 15 kPa/s (simulated)."""
_UNWITNESSED = 0.3
"""Share of the count in doubt without a witness: flow this far above the pump's is detected."""
_NO_WITNESS = Doubt("witness")


def estimated(setup: Setup, state: FillState) -> bool:
    """Whether the net volume rests on more than a count."""
    tally = state.tally
    guessed = tally.estimated_returned_l > 0 or Flag.NEAR_LEVEL in state.flags or state.unseen_s > 0
    other = state.measure > 0 or in_force(setup, state).meter.estimated
    return guessed or other or bool(tally.doubts) or _by_witness(setup, state) != _NO_WITNESS


@dataclass(frozen=True, slots=True)
class Within:
    """How far the net volume may be off at 95 %: litres that may be missing from the tyre, and in it besides."""

    less_l: float
    more_l: float

    @property
    def u_l(self) -> float:
        """The wider side."""
        return max(self.less_l, self.more_l)


def net_within(setup: Setup, state: FillState) -> Within:
    """Expanded uncertainty (95 %) of the net volume to either side, by all its parts."""
    return combined(state.tally.doubts, account(setup, state))


def combined(doubts: Doubts, parts: Doubts) -> Within:
    """Doubts, which add up, and the other parts in quadrature."""
    less_l = math.hypot(less_of(doubts), *[each.less_l for each in parts])
    return Within(less_l, math.hypot(more_of(doubts), *[each.more_l for each in parts]))


def account(setup: Setup, state: FillState) -> Doubts:
    """What may make the net volume wrong besides its doubts: meter, pulses, estimates and the air front, each at 95 %.

    They are independent of each other, and of the doubts.
    """
    counting = in_force(setup, state)
    tally, meter, hose_l = state.tally, counting.meter, setup.line.hose_l
    earlier_l = tally.earlier_forward_l - tally.earlier_returned_l
    net_l = tally.net_l(meter) - earlier_l
    # After an air draw the hose is refilled by its own volume, not by the count.
    refilled_l = max(tally.forward_l(meter) - earlier_l - net_l, 0.0) if tally.air_drawn_l > 0 else 0.0
    counted_l = abs(net_l + refilled_l)
    # A hose that stayed wet has no air front; those of a return by time are counted there.
    fronted = tally.air_drawn_l > 0 and not tally.emptied_l
    front = FRONT_NEAR_LEVEL if Flag.NEAR_LEVEL in state.flags else FRONT if fronted else 0.0
    even = (
        ("earlier meter", tally.earlier_u_l),
        ("meter", meter.uncertainty * counted_l),
        ("pulse", 2 * meter.litres_per_pulse),
        ("air front", front * hose_l + _REFILLED * refilled_l),
        ("return by time", GUESS * (tally.unsure_l + tally.draws_l) + FRONT * tally.emptied_l),
        ("air in the suction", _suction_air_u_l(counting, tally, refilled_l)),
    )
    return (
        *[Doubt(reason, litres, litres) for reason, litres in even],
        Doubt("relief valve", math.hypot(_at_relief_l(counting, counted_l), _since_rest_l(counting, state))),
        Doubt("hose stretch", _vented_l(setup, state)),
        _by_witness(setup, state),
        Doubt("ratio to the witness changed", *changed_ratio(setup, state)),
        Doubt("air space", 0.0, _room_gone_l(counting, state)),
        Doubt("unread", *by_way(state, unseen_l(setup, state))),
    )


def _vented_l(setup: Setup, state: FillState) -> float:
    """Liquid that the hose gives back into the vent as it is relieved, which fills it again with the next stroke."""
    if setup.method != "vent":
        return 0.0
    falls_kpa = setup.window.ceiling_kpa - setup.window.floor_kpa
    return HOSE_STRETCH_PER_KPA * falls_kpa * setup.line.hose_l * state.fills


def _suction_air_u_l(setup: Setup, tally: Tally, refilled_l: float) -> float:
    """What may be taken for air, or for liquid, while the air of the suction line passes the meter."""
    meter, line = setup.meter, setup.line
    if tally.air_drawn_l <= 0 or meter.on_air == "blind":
        return 0.0
    if meter.on_air == "part":
        return _PART_OF_AIR * line.suction_l
    return _COMPRESSED_U * line.suction_l * (refilled_l / line.hose_l if line.hose_l else 1.0)


def unattended_uncertainty_l(setup: Setup, state: FillState) -> float:
    """Uncertainty of what moved while no controller ran: meter, pulses at both ends, and its doubt."""
    tally, meter = state.tally, in_force(setup, state).meter
    if not tally.unattended_l and not tally.unattended_doubt_l:
        return 0.0
    return math.hypot(meter.uncertainty * tally.unattended_l, 2 * meter.litres_per_pulse, tally.unattended_doubt_l)


def _at_relief_l(setup: Setup, counted_l: float) -> float:
    """By run time: what may be missing where the relief valve takes what the bore does not."""
    return at_relief(setup) * counted_l if setup.meter.by_time else 0.0


def _since_rest_l(setup: Setup, state: FillState) -> float:
    """By run time: what came since the last rest may have returned through the relief; only the next rest shows it."""
    if not setup.meter.by_time:
        return 0.0
    return abs(state.tally.net_l(setup.meter) - state.mark.tally.net_l(setup.meter))


def _room_gone_l(setup: Setup, state: FillState) -> float:
    """Missing air space: with an estimated measure, liquid may have come in unseen."""
    gas = state.gas
    if gas.found is None or gas.verdict != "less" or not setup.meter.estimated:
        return 0.0
    return max(setup.cavity.volume_l - gas.found.cavity_l, 0.0) + gas.found.u_l


def _by_witness(setup: Setup, state: FillState) -> Doubt:
    """Possible count error (95 %) from the witnesses parallel to the meter; nothing where none contradicts it.

    Towards the witness it is the difference plus the witness's own uncertainty. Where a person overrode a doubt of the
    meter, every witness is used; a gauge that disagreed may itself be wrong, so then the witness must contradict too.
    """
    against = contradiction(setup, state, DOUBTED)
    doubts = _METER_DOUBTS & state.flags
    if against is None and doubts and not state.measure:
        against = min(comparisons(setup, state), key=lambda each: each.bias_u_l, default=None)
        if against is None:
            return Doubt("flow too high", _UNWITNESSED * in_tyre_l(setup, state) * ("flow_too_high" in doubts))
        if "flow_too_high" not in doubts and against.apart_l <= against.bias_u_l:
            return _NO_WITNESS
    if against is None:
        return _NO_WITNESS
    off_l = against.apart_l + against.bias_u_l
    more = against.reference_l > against.meter_l
    return Doubt("witness", 0.0 if more else off_l, off_l if more else 0.0)
