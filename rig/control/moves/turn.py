"""One turn of the controller: the state being worked on and its journal entries. Lives inside ``decide`` only."""

from __future__ import annotations

from rig.control.belief.observe import Facts
from rig.control.belief.state import FillState, Stroke
from rig.control.safety.alarms import outcome_of
from rig.control.words.changed import changed
from rig.control.words.procedure import ENDED, Phase, State, next_phase, next_state
from rig.control.words.values import Entry, Prompt, Setup
from rig.sentence import Sentence


class Turn:
    """Mutable for the length of one decision: phases and requests move it, ``decide`` freezes the result."""

    def __init__(self, setup: Setup, state: FillState, facts: Facts) -> None:
        self.setup = setup
        self.state = state
        self.facts = facts
        self.entries: list[Entry] = []
        self.prompt: Prompt | None = None

    def note(self, kind: str, *, first: bool = False, **data: object) -> None:
        """Ask for a journal entry."""
        self.entries.append(Entry(kind, data, first))

    def set(self, **changes: object) -> None:
        """Change fields of the state."""
        self.state = changed(self.state, **changes)  # type: ignore[arg-type]

    def state_trigger(self, trigger: str, why: str = "") -> None:
        """Move the state machine."""
        was, now = self.state.state, next_state(self.state.state, trigger)
        self.set(state=now, since_s=self.facts.reading.now_s)
        self.note("state", first=now is State.RUNNING, was=was.value, now=now.value, why=why)
        if now in ENDED:
            self.note("outcome", outcome=outcome_of(self.state))

    def phase_trigger(self, trigger: str, stroke: Stroke | None = None) -> None:
        """Move the phase machine, and begin its stroke where it has one."""
        was, now = self.state.phase, next_phase(self.state.phase, trigger)
        self.set(phase=now, since_s=self.facts.reading.now_s, answered=frozenset())
        if stroke is not None:
            self.set(stroke=stroke)
        self.note("phase", first=now not in (Phase.SETTLE, Phase.SHUT, Phase.UNCOUPLE), was=was.value, now=now.value)

    def flag(self, name: str) -> None:
        """Mark the record."""
        self.set(flags=self.state.flags | {name})

    def ask(self, name: str, text: Sentence) -> bool:
        """Show a prompt; true once it is answered."""
        if name in self.state.answered:
            return True
        self.prompt = Prompt(name, text)
        return False
