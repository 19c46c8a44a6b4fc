"""Measures side by side: which one takes over when the meter fails.

The meter counts; scale, tote level, a second meter and the pump's run time count along as witnesses.
"""

from __future__ import annotations

from rig.control.accounting import Count, book, carried
from rig.control.changed import changed
from rig.control.flow import Flow
from rig.control.state import FillState, Mark, entering
from rig.control.values import Reading, Setup
from rig.control.witness import IN_TOTE, contradiction

_MISSED = frozenset({"meter_jumped", "no_flow", "reading_untrusted"})
"""Alarms whose doubt is what the meter did not see: the measure that takes over did.

Where liquid went stays in doubt."""


def next_best(setup: Setup, state: FillState, reading: Reading) -> int | None:
    """The measure that would take over from the one in force: the next one that counts now."""
    for measure in range(state.measure + 1, 1 + len(setup.beside)):
        # A measure in the tote cannot follow a pump that draws air out of the tyre.
        blind = setup.method == "draw-down" and setup.beside[measure - 1].kind in IN_TOTE
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
        changed(setup, meter=new),
        forward,
        back,
        0.0,
        line_kpa,
        entering(setup, state),
    )
    missed = state.alarms.first_out in _MISSED
    either_l = (mark if missed else state).tally.either_l + (setup.line.hose_l if drawn else 0.0)
    if new.kind == "run time":
        # Perhaps it was the pump that stood.
        either_l += forward * new.litres_per_pulse
    against = contradiction(setup, state)
    if against is not None and not missed:
        # Nothing tells which of the two is right.
        either_l += against.apart_l
    tally = changed(tally, unattended_l=state.tally.unattended_l, either_l=either_l)
    # How long a vent takes goes with an air space that the new measure may see otherwise: the next one is careful.
    mark = Mark(tally, state.counts)
    return changed(state, tally=tally, mark=mark, measure=measure, flow=Flow(), unmoved_s=0.0, vent_known=False)
