"""The one decision of the rig: what this scan means, what the person requests, what the relays do next.

``decide`` is pure. Its steps run in order of priority: bookkeeping, guards, requests, the procedure, outputs.
An assertion or a broken table inside is a defect; the loop turns it into everything off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.control.accounting import through_hose
from rig.control.agreement import unconfirmed_stop
from rig.control.alarms import cleared, raise_alarm, standing_trips, watch
from rig.control.changed import changed
from rig.control.doubt import rebooked_dry, with_accepted, with_doubt, with_drawn_liquid, with_last_rest, with_more_room
from rig.control.evidence import with_evidence
from rig.control.flags import End, Flag
from rig.control.flow import Flow
from rig.control.guards import GUARD_NAMED, GUARDS, Guard, conditions
from rig.control.learning import book_unseen, stopped
from rig.control.measures import next_best, take_over
from rig.control.observe import Facts, observe
from rig.control.outputs import outputs_for, remember
from rig.control.permissives import Missing, asked_by_gauge, missing, open_checks
from rig.control.phases import ACT
from rig.control.pressure import at_rest
from rig.control.procedure import ENDED, Phase, State
from rig.control.remains import follow
from rig.control.snapshot import progress
from rig.control.state import Alarms, Confirmation, FillState, in_force, way_out
from rig.control.turn import Turn
from rig.control.unconfirmed import followed, in_doubt, in_the_way
from rig.control.values import Entry, Outputs, Prompt, Reading, Request, Setup
from rig.control.witness import contradiction
from rig.meter_kind import KINDS
from rig.sentence import Wording

_REMEMBERED = 512
"""Number of request ids that a fill remembers: many times what one takes, and a bound for a faulty screen."""
_NOTE_S = 1.0
_LOST = "output_timeout_lost"
"""The time-out is rewritten when this is reported, then only with a request: its memory may wear out."""
_LEVER = {"lever_forward": 1, "lever_back": -1}
"""The person's statement of direction where the meter counts up either way."""
_NOT_LIVE = (*ENDED, State.IDLE)
_NO_MEASURE = Wording(
    "missing.measure", "No other measure counts here: mend the meter, or end the fill with what was counted."
)
_NOT_STANDING = Wording("missing.standing", "Wait until the liquid stands; then the next measure counts.")
_STAND_S = 20.0
"""Time-out for the liquid to come to rest when a fill is held or stopped."""


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
    doubted_l = state.tally.either_l
    state, facts = observe(setup, state, reading)
    state = followed(setup, state, facts)
    turn = Turn(in_force(setup, state), state, facts)
    _guard(turn)
    remains = follow(turn.setup, turn.state, facts)
    if remains is not turn.state.remains:
        turn.set(remains=remains)
    if reading.stop_pressed and turn.state.state is not State.IDLE:
        _stop(turn, Request("", "stop", by="stop button"))
    refused: tuple[Missing, ...] = ()
    for request in requests:
        refused = _handle(turn, request) or refused
    setup = in_force(setup, turn.state)
    _act(turn)
    outputs = outputs_for(setup, turn.state, facts)
    remember(turn, outputs)
    _doubt_hose(turn, turn.state.tally.either_l - doubted_l)
    _note_progress(turn)
    assert not outputs.moving or turn.state.state is State.RUNNING, "only a running fill moves anything"
    lost = not setup.armed(reading.output_timeout_s)
    arm = lost and not outputs.moving and (bool(requests) or _LOST in _raised(turn))
    return Decision(turn.state, outputs, facts, tuple(turn.entries), turn.prompt, refused, arm)


def _doubt_hose(turn: Turn, more_l: float) -> None:
    """What this scan put in doubt may be in the hose or have left it: its column presses on the gauge."""
    if more_l > 0:
        turn.set(tally=through_hose(turn.state.tally, turn.setup.line.hose_l, 0.0, more_l))


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
            _break_off(turn)
            turn.state_trigger("trip", guard.name)
    elif state in (State.RUNNING, State.RESTARTING):
        # While the fill is held anyway, the alarm is only reported.
        hold(turn, guard.name)


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
    _break_off(turn)
    again = turn.state.phase is Phase.UNCOUPLE and why == "insert_not_seated"
    turn.phase_trigger("reopen" if again else way_out(turn.setup, turn.state.phase))
    turn.state_trigger("hold", why)


def _break_off(turn: Turn) -> None:
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
    either = tally.either_l + abs(rebooked.net_l(setup.meter) - tally.net_l(setup.meter))
    # The room it left is as uncertain: the cavity from the strokes is discarded.
    gas = changed(turn.state.gas, stroke_u_l=None)
    turn.set(tally=changed(tally if denied else rebooked, either_l=either), gas=gas)


def _handle(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if request.id in turn.state.handled:
        return ()
    turn.set(handled=(*turn.state.handled, request.id)[-_REMEMBERED:])
    return _HANDLERS[request.kind](turn, request)


def _confirm(turn: Turn, request: Request) -> tuple[Missing, ...]:
    check = next((check for check in open_checks(turn.setup, turn.state) if check.name == request.name), None)
    if check is None or turn.state.state is not State.IDLE:
        return ()
    now_s = turn.facts.reading.now_s
    turn.set(confirmed=(*turn.state.confirmed, Confirmation(request.name, request.by, now_s)))
    if request.name == "valve_open":
        turn.set(valve_open=True)
    turn.note("confirmed", name=check.name, scope=check.scope, text=check.text, by=request.by)
    return ()


def _start(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if turn.state.state is not State.IDLE:
        return ()
    found = missing(turn.setup, turn.state, turn.facts)
    if not found:
        turn.set(asked=asked_by_gauge(turn.setup, turn.state, turn.facts))
    unasked = tuple(Missing(check.name, check.text) for check in open_checks(turn.setup, turn.state))
    if found or unasked:
        return _refused(turn, "start", *found, *unasked)
    # What the hose gave when the gun was put on is not flow of this fill.
    now_s = turn.facts.reading.now_s
    turn.set(opened_s=now_s, regime_s=now_s, flow=Flow(), alarms=cleared(turn.state.alarms))
    if turn.setup.into == "tyre" and turn.state.valve_open and turn.facts.tyre_kpa is not None:
        # Until the first rest: the pressure when the gun was put on serves to detect one that comes off before it.
        turn.set(
            gas=at_rest(
                turn.state.gas,
                turn.setup,
                turn.facts.tyre_kpa,
                turn.facts.offset_l,
                turn.facts.rest_u_kpa,
                pumped=False,
            )
        )
    turn.state_trigger("start", request.by)
    return ()


def _answer(turn: Turn, request: Request) -> tuple[Missing, ...]:
    way = _LEVER.get(request.name)
    if way and turn.setup.by_hand:
        turn.set(direction=way)
    elif turn.state.state is State.RUNNING:
        turn.set(answered=turn.state.answered | {request.name})
        turn.note("answered", name=request.name, by=request.by)
    return ()


def _hold_request(turn: Turn, request: Request) -> tuple[Missing, ...]:
    # Also right after a resume in the same scan: the later request applies.
    if turn.state.state in (State.RUNNING, State.RESTARTING):
        hold(turn, f"asked by {request.by}")
    return ()


def _resume(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if turn.state.state is not State.HELD:
        return ()
    # The person could not yet see an alarm raised in this very scan.
    unseen = tuple(Missing(name, GUARD_NAMED[name].text) for name in _raised(turn))
    found = (*unseen, *missing(turn.setup, turn.state, turn.facts))
    if found:
        return _refused(turn, "resume", *found)
    if turn.state.alarms.first_out == "valve_covered":
        turn.set(valve_raised=True)
    # The person is assumed to have fixed the cause of a failed stroke or a silent meter: the next one will show.
    stroke = changed(turn.state.stroke, air_stayed=False, liquid_came=False, wants_air=False)
    stroke = changed(stroke, nothing_came=False, drawn_out=False)
    unmoved_s = 0.0 if turn.state.alarms.first_out == "no_flow" else turn.state.unmoved_s
    turn.set(alarms=_accept(turn.state.alarms), stroke=stroke, unmoved_s=unmoved_s)
    turn.state_trigger("resume", request.by)
    return ()


def _accept(alarms: Alarms) -> Alarms:
    """Resuming past a judgement that a person may overrule silences it for this fill; the flag stays in the record."""
    overruled = {alarms.first_out} & {guard.name for guard in GUARDS if guard.may_accept}
    return changed(cleared(alarms), accepted=alarms.accepted | {name for name in overruled if name})


def _stop(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if turn.state.state in (State.IDLE, State.RUNNING, State.HOLDING, State.HELD, State.RESTARTING):
        _break_off(turn)
        turn.state_trigger("stop", request.by)
    return ()


def _reset(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if turn.state.state is not State.ABORTED:
        return ()
    standing = standing_trips(turn.state.alarms)
    if standing:
        return _refused(turn, "reset", *(Missing(name, GUARD_NAMED[name].first) for name in standing))
    turn.phase_trigger(way_out(turn.setup, turn.state.phase))
    stroke = changed(turn.state.stroke, ended_by=End.NOT_YET, calm_gauge_kpa=None)
    turn.set(alarms=cleared(turn.state.alarms, _raised(turn)), stroke=stroke)
    turn.state_trigger("reset", request.by)
    return ()


def _raised(turn: Turn) -> tuple[str, ...]:
    """Alarms raised in this scan."""
    return tuple(str(entry.data["name"]) for entry in turn.entries if entry.kind == "alarm")


def _supply_cut(turn: Turn, request: Request) -> tuple[Missing, ...]:
    """Record that a person has cut the pump's supply, for outputs that cannot be switched off from here."""
    if in_doubt(turn.state):
        turn.set(supply_cut=True)
        turn.flag(Flag.SUPPLY_CUT)
        turn.note("supply_cut", by=request.by, outputs=sorted(turn.facts.reading.unconfirmed))
    return ()


def _end(turn: Turn, request: Request) -> tuple[Missing, ...]:
    if turn.state.state in (State.ABORTED, State.HELD) and in_doubt(turn.state):
        return _refused(turn, "end", *in_the_way(turn.state))
    if turn.state.state is State.ABORTED:
        _last_rest(turn)
        turn.state_trigger("end", request.by)
    elif turn.state.state is State.HELD:
        turn.state_trigger("stop", request.by)
    return ()


def _last_rest(turn: Turn) -> None:
    """Take the final rest: what the pressure shows beyond the count, more or less, is booked in doubt."""
    facts = turn.facts
    if not facts.rests or facts.tyre_kpa is None or not facts.reading.reachable:
        return
    book_unseen(turn, facts.tyre_kpa)
    turn.set(tally=with_last_rest(turn.setup, turn.state, facts, facts.tyre_kpa))
    turn.set(tally=with_more_room(turn.setup, turn.state, facts, facts.tyre_kpa))


def _next_measure(turn: Turn, request: Request) -> tuple[Missing, ...]:
    """Give the meter up and continue by the next best measure from the last rest; the person resumes separately."""
    if turn.state.state not in (State.HELD, State.ABORTED):
        return ()
    measure = next_best(turn.setup, turn.state, turn.facts.reading)
    if measure is None:
        return _refused(turn, "next_measure", Missing("measure", _NO_MEASURE()))
    if not turn.facts.still and turn.facts.stroke_s < _STAND_S:
        # What the meter still shows may be a pump that does not stop: a coarser measure would detect it late.
        return _refused(turn, "next_measure", Missing("standing", _NOT_STANDING()))
    was = turn.setup.meter.kind
    turn.state = take_over(turn.setup, turn.state, turn.facts.reading, measure)
    turn.setup = in_force(turn.setup, turn.state)
    turn.flag(f"meter given up: went on by {KINDS[turn.setup.meter.kind].basis}")
    turn.note("next_measure", was=was, now=turn.setup.meter.kind, by=request.by)
    return ()


def _refused(turn: Turn, what: str, *why: Missing) -> tuple[Missing, ...]:
    """Record that a request was refused, and answer what blocks it."""
    turn.note("refused", what=what, missing=[each.name for each in why])
    return why


_HANDLERS: dict[str, Callable[[Turn, Request], tuple[Missing, ...]]] = {
    "confirm": _confirm,
    "start": _start,
    "answer": _answer,
    "hold": _hold_request,
    "resume": _resume,
    "stop": _stop,
    "reset": _reset,
    "end": _end,
    "next_measure": _next_measure,
    "supply_cut": _supply_cut,
}


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
                _last_rest(turn)
            if (settled or waited_s >= _STAND_S) and not (over and in_doubt(state)):
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
