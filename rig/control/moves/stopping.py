"""Break a move off: hold the fill, and take the last rest that shows where its liquid went."""

from __future__ import annotations

from rig.control.belief.doubt import (
    rebooked_dry,
    with_last_rest,
    with_more_room,
    with_rest,
)
from rig.control.belief.state import way_out
from rig.control.belief.witness import contradiction
from rig.control.moves.learning import book_unforeseen, stopped
from rig.control.moves.turn import Turn
from rig.control.words.changed import changed
from rig.control.words.flags import End
from rig.control.words.procedure import Phase


def hold(turn: Turn, why: str) -> None:
    """Break the move off and stop; nothing is learned from it."""
    unproven = turn.state.phase is Phase.BACK_FLUSH or why == "insert_not_seated"
    if unproven and not turn.state.valve_open:
        _reopen(turn)
    if why == "liquid_drawn":
        _rebook_draw(turn)
    if why == "suction_dry":
        turn.set(tally=rebooked_dry(turn.setup, turn.state))
    if why == "pressure_low":
        # A vent that let out too much has given no valid measurement: the next one is conservative again.
        turn.set(vent_known=False, when_low_l=turn.facts.in_tyre_l)
    kept = End.BROKEN_OFF if turn.state.stroke.pushed and not turn.setup.by_hand else End.NOT_YET
    turn.set(stroke=changed(turn.state.stroke, ended_by=kept))
    break_off(turn)
    again = turn.state.phase is Phase.UNCOUPLE and why == "insert_not_seated"
    turn.phase_trigger("reopen" if again else way_out(turn.setup, turn.state.phase))
    turn.state_trigger("hold", why)


def break_off(turn: Turn) -> None:
    """Keep the gauge at the stop command of a pump that fills: the reference for detecting one that does not stop."""
    if turn.facts.forward and not turn.setup.by_hand:
        turn.set(stroke=stopped(turn, End.BROKEN_OFF))


def _reopen(turn: Turn) -> None:
    """The valve is not known to be shut: what the reverse drew may have come out of the tyre."""
    turn.set(valve_open=True)
    tally, setup = turn.state.tally, turn.setup
    if turn.facts.covered_m > 0:
        turn.set(tally=changed(tally, hose_l=min(tally.hose_l + turn.facts.flushed_l, setup.line.hose_l)))


def _rebook_draw(turn: Turn) -> None:
    """Rebook air as liquid from the tyre that still fills the hose, unless the tote did not receive it.

    The difference between the two is booked in doubt.
    """
    tally, setup = turn.state.tally, turn.setup
    air = min(turn.state.stroke.start_air_l, tally.air_returned_l)
    rebooked = changed(tally, air_returned_l=air, suction_air_kpa_l=0.0, hose_l=setup.line.hose_l)
    denied = contradiction(setup, changed(turn.state, tally=rebooked)) is not None
    kept, other = (tally, rebooked) if denied else (rebooked, tally)
    other_l = other.net_l(setup.meter) - kept.net_l(setup.meter)
    # The room it left is as uncertain: the cavity from the strokes is discarded.
    gas = changed(turn.state.gas, stroke_u_l=None)
    turn.set(tally=kept.doubting("liquid drawn", less_l=-other_l, more_l=other_l), gas=gas)


def last_rest(turn: Turn) -> None:
    """Take the final rest: what the pressure shows beyond the count, more or less, is booked in doubt."""
    facts = turn.facts
    if not facts.rests or facts.tyre_kpa is None or not facts.reading.reachable:
        return
    book_unforeseen(turn, facts.tyre_kpa)
    turn.set(tally=with_rest(turn.setup, turn.state, facts, facts.tyre_kpa))
    turn.set(tally=with_last_rest(turn.setup, turn.state, facts, facts.tyre_kpa))
    turn.set(tally=with_more_room(turn.setup, turn.state, facts, facts.tyre_kpa))
