"""Outputs that should be off but are unconfirmed: since when, what may have moved, and who may end the fill then.

Nothing is assumed about a module that does not answer. Until it is confirmed, a fill ends only after a person has
stated that the pump's supply is cut.
"""

from __future__ import annotations

from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState
from rig.control.belief.unread import with_unread
from rig.control.safety.permissives import Missing
from rig.control.words.alarm_words import alarm_said
from rig.control.words.changed import changed
from rig.control.words.values import Setup
from rig.sentence import Wording

CANNOT = "CANNOT BE SWITCHED OFF FROM HERE: cut the pump's supply."
CANNOT_SAID = alarm_said("off_unconfirmed", "text", CANNOT)
FIRST = "Emergency stop, breaker or plug; see that the pump stands and the valves are shut. Then say that it is cut."
ANOTHER = "Another controller works this rig: an output is switched that nobody here switched."
FIND_IT = "Cut the pump's supply; find the other controller, or the hand at the relay board, before you go on."
_IN_THE_WAY = Wording("missing.off_unconfirmed", "{cannot} {first}")
REPORTED_AFTER_S = 1.0
"""Hold-off: a lost answer, or a module that reports its outputs late, raises no alarm."""
_FRESH_S = 1.0
"""A scan or two without new values is tolerated before the figures count as stale. An assumption."""


def followed(setup: Setup, state: FillState, facts: Facts) -> FillState:
    """Update the state with this scan's knowledge of the outputs."""
    reading = facts.reading
    if not reading.unconfirmed:
        since_s, supply_cut = None, False
    else:
        since_s = reading.now_s if state.unconfirmed_s is None else state.unconfirmed_s
        supply_cut = state.supply_cut
    state = changed(state, unconfirmed_s=since_s, supply_cut=supply_cut)
    if reading.fresh:
        state = changed(state, fresh_s=reading.now_s)
    return with_unread(setup, state, facts)


def in_doubt(state: FillState) -> bool:
    """Whether the fill may not end yet: an output may be on, and the supply has not been reported as cut."""
    return state.unconfirmed_s is not None and not state.supply_cut


def is_reported(state: FillState) -> bool:
    """Whether outputs have been unconfirmed for long enough to report it on every screen."""
    return unconfirmed_for_s(state) >= REPORTED_AFTER_S


def unconfirmed_for_s(state: FillState) -> float:
    """How long outputs have been unconfirmed, 0 when all are known to be off."""
    return 0.0 if state.unconfirmed_s is None else state.now_s - state.unconfirmed_s


def figures_age_s(state: FillState) -> float:
    """Age of the figures, 0 while every scan refreshes them."""
    age_s = state.now_s - state.fresh_s
    return age_s if age_s > _FRESH_S else 0.0


def in_the_way(state: FillState) -> tuple[Missing, ...]:
    """What blocks the end of a fill while outputs may be on."""
    if not in_doubt(state):
        return ()
    name = "off_unconfirmed"
    return (Missing(name, _IN_THE_WAY(cannot=CANNOT_SAID, first=alarm_said(name, "first", FIRST))),)
