"""One interlock or trip: a named condition with its delay, its consequence and its texts.

A condition is a pure function of the fill's setup and this scan's facts, evaluated only in its row's states and phases.
An interlock holds the fill until a person resumes it. A trip latches: its cause must be gone and a person must reset
it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product
from typing import Literal

from rig.control.belief.observe import Facts
from rig.control.words.alarm_words import alarm_said
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.sentence import Sentence

Condition = Callable[[Setup, Facts], bool]
Action = Literal["hold", "trip"]
Scope = frozenset[tuple[State, Phase]]
"""In which states and phases a row is watched."""

ALWAYS: Scope = frozenset(product(State, Phase))
LIVE: Scope = frozenset(product(set(State) - {State.IDLE, State.STOPPED, State.COMPLETE}, Phase))


def running(*phases: Phase) -> Scope:
    """While the fill runs, in these phases or in every one."""
    return frozenset(product((State.RUNNING,), phases or Phase))


RUNNING = running()
PUMPING = running(Phase.FILL, Phase.TOP_UP)


@dataclass(frozen=True, slots=True)
class Guard:
    """One row."""

    name: str
    action: Action
    delay_s: float
    condition: Condition
    words: str
    """Meaning, in the trade's words."""
    first_words: str
    """The person's first action."""
    scope: Scope = ALWAYS
    blind: bool = False
    """Evaluated even in a scan without new data: it concerns the controller itself or missing data."""
    may_accept: bool = False
    """A judgement, not a limit: a person may inspect and override it for this fill."""
    idle: bool = False
    """Reported before the start, too, where nothing is held or tripped yet."""

    @property
    def text(self) -> Sentence:
        """Its meaning."""
        return alarm_said(self.name, "text", self.words)

    @property
    def first(self) -> Sentence:
        """The person's first action."""
        return alarm_said(self.name, "first", self.first_words)
