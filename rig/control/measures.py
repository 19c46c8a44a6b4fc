"""Measures side by side: which one takes over when the meter fails, and what each says of the others.

The meter counts; scale, tote level, a second meter and the pump's run time count along as witnesses. None of this
judges the fill: a difference goes into the record, and the trend over many fills is judged elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from rig.control.accounting import Count, book, carried
from rig.control.flow import Flow
from rig.control.observe import entering
from rig.control.state import FillState, Mark
from rig.control.values import Meter, MeterKind, Reading, Setup

_BLIND_TO_AIR: frozenset[MeterKind] = frozenset({"scale", "tote level"})
"""Measures in the tote cannot follow a pump that draws air out of the tyre."""
_MISSED = frozenset({"meter_jumped", "no_flow", "reading_untrusted"})
"""Alarms whose doubt is what the meter did not see: the measure that takes over did.

Where liquid went stays in doubt."""

Reference = MeterKind | Literal["air space"]
"""A taught wheel's air space is a witness too: its volume is known, and the strokes measure it in meter units."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What the meter and a witness say of the same liquid, litres."""

    reference: Reference
    meter_l: float
    reference_l: float
    u_l: float
    """Of the witness in one fill, one standard deviation; a bias that stays the same is not in it."""
    bias_u_l: float
    """Of the witness at 95 %, with what it may be off in every fill."""


def next_best(setup: Setup, state: FillState, reading: Reading) -> int | None:
    """The measure that would take over from the one in force: the next one that counts now."""
    for measure in range(state.measure + 1, 1 + len(setup.beside)):
        blind = setup.method == "draw-down" and setup.beside[measure - 1].kind in _BLIND_TO_AIR
        if not blind and measure < len(reading.counts) and reading.counts[measure] is not None:
            return measure
    return None


def take_over(setup: Setup, state: FillState, reading: Reading, measure: int) -> FillState:
    """Count by another measure: up to the last rest by the one that is given up, from there by what the new one saw."""
    mark = state.mark
    seen = state.counts[measure]
    then = mark.counts[measure] if mark.counts else Count(seen.register)
    forward, back = seen.forward - then.forward, seen.back - then.back
    new = setup.beside[measure - 1]
    line_kpa = reading.line_kpa if reading.line_kpa is not None else 0.0
    # It saw nothing of a draw since the last rest: there the old one's word stands, and the hose is in doubt.
    drawn = new.reverse == "none" and state.direction < 0
    tally = book(
        carried(state.tally if drawn else mark.tally, setup.meter),
        replace(setup, meter=new),
        forward,
        back,
        0.0,
        line_kpa,
        entering(setup, state),
    )
    missed = state.alarms.first_out in _MISSED
    either_l = (mark if missed else state).tally.either_l + (setup.line.hose_l if drawn else 0.0)
    tally = replace(tally, unattended_l=state.tally.unattended_l, either_l=either_l)
    return replace(state, tally=tally, mark=Mark(tally, state.counts), measure=measure, flow=Flow())


def comparisons(setup: Setup, state: FillState) -> tuple[Comparison, ...]:
    """Each witness against the meter over the whole fill; none after the meter was given up."""
    if state.measure or not state.counts:
        return ()
    found = [_compared(setup, state, meter, count) for meter, count in zip(setup.beside, state.counts[1:], strict=True)]
    space = state.gas.found
    if setup.cavity.taught and space is not None:
        sigma_l = space.sigma_l
        found.append(Comparison("air space", space.cavity_l, setup.cavity.volume_l, sigma_l, 2 * sigma_l))
    return tuple(found)


def _compared(setup: Setup, state: FillState, witness: Meter, count: Count) -> Comparison:
    each_l, tally = witness.litres_per_pulse, state.tally
    if witness.kind == "run time":
        # It knows forward only, and air fills the pump as liquid does.
        meter_l, reference_l = tally.passed_forward_l(setup.meter), count.forward * each_l
    elif witness.kind in _BLIND_TO_AIR:
        meter_l = tally.forward_l(setup.meter) - tally.returned_l(setup.meter)
        reference_l = (count.forward - count.back) * each_l
    else:
        meter_l = tally.passed_forward_l(setup.meter) - tally.passed_back_l(setup.meter)
        reference_l = (count.forward - count.back) * each_l
    # Two readings of a step each, wherever within it they fall.
    step_l = each_l / math.sqrt(6)
    u_l = math.hypot(witness.repeat * reference_l, step_l)
    bias_u_l = math.hypot(witness.uncertainty * reference_l, 2 * step_l)
    return Comparison(witness.kind, meter_l, reference_l, u_l, bias_u_l)
