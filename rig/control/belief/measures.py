"""Parallel measures: which one takes over when the meter fails.

The meter counts; scale, tote level, a second meter and the pump's run time count in parallel as witnesses.
"""

from __future__ import annotations

from rig.control.belief.accounting import Count, book, carried
from rig.control.belief.flow import Flow
from rig.control.belief.level import entering
from rig.control.belief.state import FillState, Mark
from rig.control.belief.witness import contradiction
from rig.control.words.changed import changed
from rig.control.words.values import Reading, Setup

_MISSED = frozenset({"meter_jumped", "no_flow", "reading_untrusted"})
"""Alarms after which the meter may have missed litres. The measure that takes over has counted them: this doubt
ends; doubt about where liquid went does not."""


def next_best(setup: Setup, state: FillState, reading: Reading) -> int | None:
    """The measure that would take over from the one in force: the next one that counts now."""
    for measure in range(state.measure + 1, 1 + len(setup.beside)):
        # A measure in the tote cannot follow a pump that draws air out of the tyre.
        blind = setup.method == "draw-down" and setup.beside[measure - 1].of_tote
        if not blind and measure < len(reading.counts) and reading.counts[measure] is not None:
            return measure
    return None


def take_over(setup: Setup, state: FillState, reading: Reading, measure: int) -> FillState:
    """Continue by another measure: the old one's count up to the last rest, the new one's from there on."""
    mark = state.mark
    seen = state.counts[measure]
    then = mark.counts[measure] if mark.counts else Count(seen.register)
    forward, back = seen.forward - then.forward, seen.back - then.back
    new = setup.beside[measure - 1]
    line_kpa = reading.line_kpa if reading.line_kpa is not None else 0.0
    # It could not count a draw since the last rest: there the old count is kept, and the hose is in doubt.
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
    tally = changed(tally, unattended_l=state.tally.unattended_l, doubts=(mark if missed else state).tally.doubts)
    if drawn:
        tally = tally.doubting("draw not counted", less_l=setup.line.hose_l, more_l=setup.line.hose_l)
    if new.by_time:
        # Possibly the pump itself had stopped.
        tally = tally.doubting("pump's time", less_l=forward * new.litres_per_pulse)
    if not missed:
        # What the old measure has counted beyond the new one may be in the tyre all the same.
        counted_l = state.tally.net_l(setup.meter) - tally.net_l(new)
        tally = tally.doubting("counted before", more_l=counted_l)
    against = contradiction(setup, state)
    if against is not None and not missed:
        # There is no evidence which of the two is right.
        tally = tally.doubting("measures differ", less_l=against.apart_l, more_l=against.apart_l)
    # The next rest may settle what is put in doubt here. Vent time depends on an air space that the new measure may
    # give differently: the next one is conservative.
    mark = Mark(changed(tally, doubts=mark.tally.doubts), state.counts)
    return changed(state, tally=tally, mark=mark, measure=measure, flow=Flow(), unmoved_s=0.0, vent_known=False)
