"""Interlocks and trips in one table: which of them are watched now, and whose conditions hold.

Trips come before interlocks, and limits before conclusions, which they often explain: of several in one scan the first
is the first-out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rig.control.belief.observe import Facts
from rig.control.belief.state import Alarms
from rig.control.safety.conclusions import CONCLUSIONS
from rig.control.safety.guard import ALWAYS, Guard
from rig.control.safety.limits import LIMITS
from rig.control.words.flags import Flag
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup

GUARDS = tuple(sorted((*LIMITS, *CONCLUSIONS), key=lambda guard: guard.action != "trip"))

AIR_SPACE_GUARDS = frozenset({Flag.CAVITY_DIFFERS, Flag.ESTIMATES_DISAGREE})
"""Guards that unreported liquid sets off; accepted beforehand where a fill is made to find it."""
GUARD_NAMED = {guard.name: guard for guard in GUARDS}


def by_scope(guards: Iterable[Guard]) -> Mapping[tuple[State, Phase], tuple[Guard, ...]]:
    """The rows that are watched in each state and phase, in the table's order."""
    rows = tuple(guards)
    return {where: tuple(guard for guard in rows if where in guard.scope) for where in ALWAYS}


WATCHED = by_scope(GUARDS)


def conditions(setup: Setup, facts: Facts, alarms: Alarms) -> tuple[Guard, ...]:
    """The guards whose conditions hold in this scan, most urgent first, delays not counted.

    Without new data a condition that held before still holds.
    """
    watched = WATCHED[facts.state, facts.phase]
    if facts.reading.fresh:
        return tuple([guard for guard in watched if guard.condition(setup, facts)])
    held = {name for name, _ in alarms.timers}
    return tuple(g for g in GUARDS if (g in watched and g.condition(setup, facts) if g.blind else g.name in held))
