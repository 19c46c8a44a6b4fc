"""First-out logic: which guard was first, which followed, and how long each condition has held."""

from __future__ import annotations

from rig.control.belief.state import Alarms, FillState
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.changed import changed
from rig.control.words.procedure import State
from rig.record.work import Outcome


def watch(alarms: Alarms, standing: tuple[Guard, ...], now_s: float) -> tuple[Alarms, tuple[Guard, ...]]:
    """Run the delays of the ``standing`` guards; also return those whose delay is over."""
    if not standing and not alarms.timers:
        return alarms, ()
    since = dict(alarms.timers)
    timers = tuple((guard.name, since.get(guard.name, now_s)) for guard in standing)
    began = dict(timers)
    due = tuple(
        guard for guard in standing if now_s - began[guard.name] >= guard.delay_s and guard.name not in alarms.accepted
    )
    return (alarms if timers == alarms.timers else changed(alarms, timers=timers)), due


def raise_alarm(alarms: Alarms, guard: Guard) -> Alarms:
    """Keep ``guard`` as first-out, or as a follower once each."""
    if alarms.first_out is None:
        return changed(alarms, first_out=guard.name)
    if guard.name == alarms.first_out or guard.name in alarms.followers:
        return alarms
    return changed(alarms, followers=(*alarms.followers, guard.name))


def standing_trips(alarms: Alarms) -> tuple[str, ...]:
    """Trips whose condition still holds: while there is one, a reset is refused."""
    return tuple(name for name, _ in alarms.timers if GUARD_NAMED[name].action == "trip")


def pending(alarms: Alarms) -> bool:
    """Whether a condition holds that is about to break the fill off."""
    return any(name not in alarms.accepted for name, _ in alarms.timers)


def cleared(alarms: Alarms, but: tuple[str, ...] = ()) -> Alarms:
    """After a reset or a resume: no first-out any more, except ``but``, which nobody can have seen yet."""
    return changed(alarms, first_out=next(iter(but), None), followers=but[1:], evidence=None)


def outcome_of(state: FillState) -> Outcome:
    """How the fill ended, for the record."""
    if state.state is State.COMPLETE:
        return "complete"
    first = state.alarms.first_out
    tripped = first is not None and GUARD_NAMED[first].action == "trip"
    return "aborted" if tripped else "stopped"
