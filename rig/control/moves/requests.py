"""What a person requests of a fill, and why a request is refused."""

from __future__ import annotations

from collections.abc import Callable

from rig.control.belief.flow import Flow
from rig.control.belief.measures import next_best, take_over
from rig.control.belief.pressure import at_rest
from rig.control.belief.state import Alarms, in_force, way_out
from rig.control.moves.stopping import break_off, hold, last_rest
from rig.control.moves.turn import Turn
from rig.control.safety.alarms import cleared, standing_trips
from rig.control.safety.guards import GUARD_NAMED, GUARDS
from rig.control.safety.permissives import Missing, asked_by_gauge, missing, open_checks
from rig.control.safety.unconfirmed import in_doubt, in_the_way
from rig.control.words.changed import changed
from rig.control.words.flags import End, Flag
from rig.control.words.procedure import State
from rig.control.words.values import Confirmation, Request
from rig.meter_kind import KINDS
from rig.sentence import Wording

_REMEMBERED = 512
"""Number of request ids that a fill remembers: many times what one takes, and a bound for a faulty screen."""
_LEVER = {"lever_forward": 1, "lever_back": -1}
"""The person's statement of direction where the meter counts up either way."""
_NO_MEASURE = Wording(
    "missing.measure", "No other measure counts here: mend the meter, or end the fill with what was counted."
)
_NOT_STANDING = Wording("missing.standing", "Wait until the liquid stands; then the next measure counts.")
STAND_S = 20.0
"""Time-out for the liquid to come to rest when a fill is held or stopped. An assumption."""


def handle(turn: Turn, request: Request) -> tuple[Missing, ...]:
    """Carry a request out, unless it was before; what is missing for it, where it is refused."""
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
    unseen = tuple(Missing(name, GUARD_NAMED[name].text) for name in raised(turn))
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


def stop(turn: Turn, request: Request) -> tuple[Missing, ...]:
    """End the fill as it is."""
    if turn.state.state in (State.IDLE, State.RUNNING, State.HOLDING, State.HELD, State.RESTARTING):
        break_off(turn)
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
    turn.set(alarms=cleared(turn.state.alarms, raised(turn)), stroke=stroke)
    turn.state_trigger("reset", request.by)
    return ()


def raised(turn: Turn) -> tuple[str, ...]:
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
        last_rest(turn)
        turn.state_trigger("end", request.by)
    elif turn.state.state is State.HELD:
        turn.state_trigger("stop", request.by)
    return ()


def _next_measure(turn: Turn, request: Request) -> tuple[Missing, ...]:
    """Give the meter up and continue by the next best measure from the last rest; the person resumes separately."""
    if turn.state.state not in (State.HELD, State.ABORTED):
        return ()
    measure = next_best(turn.setup, turn.state, turn.facts.reading)
    if measure is None:
        return _refused(turn, "next_measure", Missing("measure", _NO_MEASURE()))
    if not turn.facts.still and turn.facts.stroke_s < STAND_S:
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
    "stop": stop,
    "reset": _reset,
    "end": _end,
    "next_measure": _next_measure,
    "supply_cut": _supply_cut,
}
