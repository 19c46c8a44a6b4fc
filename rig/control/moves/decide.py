"""The one decision of the rig: what this scan means, what the person requests, what the relays do next.

``decide`` is pure. Its steps run in order of priority: bookkeeping, guards, requests, the procedure, outputs.
An assertion or a broken table inside is a defect; the loop turns it into everything off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.control.belief.accounting import through_hose
from rig.control.belief.doubt import (
    with_accepted,
    with_doubt,
    with_drawn_liquid,
)
from rig.control.belief.doubts import Doubts, less_of, more_of
from rig.control.belief.evidence import with_evidence
from rig.control.belief.observe import Facts, observe
from rig.control.belief.remains import follow
from rig.control.belief.residuals import unconfirmed_stop
from rig.control.belief.state import FillState, in_force
from rig.control.moves.outputs import outputs_for, remember
from rig.control.moves.phases import ACT
from rig.control.moves.requests import STAND_S, handle, raised, stop
from rig.control.moves.snapshot import progress
from rig.control.moves.stopping import break_off, hold, last_rest
from rig.control.moves.turn import Turn
from rig.control.safety.alarms import raise_alarm, watch
from rig.control.safety.guard import Guard
from rig.control.safety.guards import conditions
from rig.control.safety.permissives import Missing
from rig.control.safety.unconfirmed import followed, in_doubt
from rig.control.words.procedure import ENDED, State
from rig.control.words.values import Entry, Outputs, Prompt, Reading, Request, Setup

_NOTE_S = 1.0
"""Longest time between two entries of a fill under way in the journal: a power cut loses no more."""
_LOST = "output_timeout_lost"
"""The time-out is rewritten when this is reported, then only with a request: its memory may wear out."""
_NOT_LIVE = (*ENDED, State.IDLE)


@dataclass(frozen=True, slots=True)
class Decision:
    """Result of one scan."""

    state: FillState
    outputs: Outputs
    facts: Facts
    entries: tuple[Entry, ...] = ()
    prompt: Prompt | None = None
    missing: tuple[Missing, ...] = ()
    """Permissives that block a requested start or resume, when it was refused."""
    arm: bool = False
    """The relay module has lost its time-out, which must be rewritten."""


def decide(setup: Setup, state: FillState, reading: Reading, requests: Sequence[Request] = ()) -> Decision:
    """Decide one scan. Pure: the same arguments give the same decision."""
    doubts = state.tally.doubts
    state, facts = observe(setup, state, reading)
    state = followed(setup, state, facts)
    turn = Turn(in_force(setup, state), state, facts)
    _guard(turn)
    remains = follow(turn.setup, turn.state, facts)
    if remains is not turn.state.remains:
        turn.set(remains=remains)
    if reading.stop_pressed and turn.state.state is not State.IDLE:
        stop(turn, Request("", "stop", by="stop button"))
    refused: tuple[Missing, ...] = ()
    for request in requests:
        refused = handle(turn, request) or refused
    setup = in_force(setup, turn.state)
    _act(turn)
    outputs = outputs_for(setup, turn.state, facts)
    remember(turn, outputs)
    _doubt_hose(turn, doubts)
    _note_progress(turn)
    assert not outputs.moving or turn.state.state is State.RUNNING, "only a running fill moves anything"
    lost = not setup.armed(reading.output_timeout_s)
    arm = lost and not outputs.moving and (bool(requests) or _LOST in raised(turn))
    return Decision(turn.state, outputs, facts, tuple(turn.entries), turn.prompt, refused, arm)


def _doubt_hose(turn: Turn, before: Doubts) -> None:
    """What this scan put in doubt may be in the hose or have left it: its column presses on the gauge."""
    now = turn.state.tally.doubts
    if now is before:
        return
    grown_l = max(less_of(now) - less_of(before), more_of(now) - more_of(before))
    if grown_l > 0:
        turn.set(tally=through_hose(turn.state.tally, turn.setup.line.hose_l, 0.0, grown_l))


def _guard(turn: Turn) -> None:
    standing = conditions(turn.setup, turn.facts, turn.state.alarms)
    alarms, due = watch(turn.state.alarms, standing, turn.facts.reading.now_s)
    if alarms is not turn.state.alarms:
        turn.set(alarms=alarms)
    for doubted in (with_drawn_liquid, with_accepted):
        tally = doubted(turn.setup, turn.state, turn.facts)
        if tally is not turn.state.tally:
            turn.set(tally=tally)
    for guard in due:
        _break(turn, guard)
    if turn.state.alarms.first_out:
        turn.set(alarms=with_evidence(turn.setup, turn.state, turn.facts))


def _break(turn: Turn, guard: Guard) -> None:
    state = turn.state.state
    if state in ENDED or (state is State.IDLE and not guard.idle):
        return
    before = turn.state.alarms
    turn.set(alarms=raise_alarm(before, guard))
    if turn.state.alarms != before:
        turn.note("alarm", name=guard.name, action=guard.action, text=guard.text, do=guard.first)
        turn.flag(guard.name)
        turn.set(tally=with_doubt(turn.setup, turn.state, guard.name))
    if state is State.IDLE:
        # Nothing runs that could be stopped; a permissive blocks the start.
        return
    if guard.action == "trip":
        if state not in (State.ABORTING, State.ABORTED):
            break_off(turn)
            turn.state_trigger("trip", guard.name)
    elif state in (State.RUNNING, State.RESTARTING):
        # While the fill is held anyway, the alarm is only reported.
        hold(turn, guard.name)


def _act(turn: Turn) -> None:
    state, facts = turn.state, turn.facts
    waited_s = facts.reading.now_s - state.since_s
    match state.state:
        case State.RUNNING if facts.state is State.RUNNING and not facts.reading.unconfirmed:
            # Not in the scan that started it: the first rest is read when the gauge has settled. And no step follows
            # while an off command is unconfirmed.
            ACT[state.phase](turn)
        case State.HOLDING | State.STOPPING | State.ABORTING:
            # A fill that ends here waits for the gauge too: no later rest shows where its liquid went.
            over = state.state is State.STOPPING
            calm = facts.rests if over else facts.still
            settled = calm and waited_s >= turn.setup.settle_s and not unconfirmed_stop(turn.setup, facts)
            if settled and over:
                last_rest(turn)
            if (settled or waited_s >= STAND_S) and not (over and in_doubt(state)):
                turn.state_trigger("stand")
        case State.RESTARTING:
            turn.state_trigger("go")
        case _:
            pass


def _note_progress(turn: Turn) -> None:
    now_s, state = turn.facts.reading.now_s, turn.state
    live = state.state not in _NOT_LIVE
    moved = bool(turn.entries) or (live and now_s - state.last_note_s >= _NOTE_S)
    if moved and state.state is not State.IDLE:
        turn.set(last_note_s=now_s)
        turn.entries.append(Entry("progress", progress(turn.setup, turn.state, turn.facts)))
