"""Requests in any order, repeated or out of place, on a rig with any faults: the judge watches every scan.

Property-based state machines (hypothesis): what a person may do next is drawn, and shrunk when it breaks a promise.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from typing import get_args

import pytest
from defects import SMALL
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from virtual_fills import record_of

from rig.control.moves.decide import Decision
from rig.control.moves.snapshot import fill_record
from rig.control.words.procedure import ENDED, State
from rig.control.words.values import Request, RequestKind, Setup
from sim.faults import FAULTS, Event
from sim.hands import moves
from sim.judge import Judge
from sim.scenarios import PARTS, Case, drawn, set_up
from sim.virtual import VirtualFill, VirtualRig

KINDS: tuple[RequestKind, ...] = get_args(RequestKind)
# What fails is printed as it was drawn: making it simple takes many fills, and belongs to whoever mends it.
LIMITS = settings(
    max_examples=30,
    stateful_step_count=25,
    suppress_health_check=list(HealthCheck),
    derandomize=True,
    phases=(Phase.generate,),
)
FAULT = st.tuples(st.sampled_from(sorted(FAULTS)), st.floats(0, 90), st.none() | st.floats(0.5, 30))


class Rigged(RuleBasedStateMachine):
    """One fill: time passes, and a person asks for anything at any moment."""

    gave_up = False

    @initialize(seed=st.integers(0, 40), faults=st.lists(FAULT, max_size=2), wheel=st.booleans())
    def start(self, seed: int, faults: list[tuple[str, float, float | None]], wheel: bool) -> None:
        """A drawn rig with its faults, and a fill that nobody has started."""
        scenario = drawn(Case(seed, (set(PARTS) - {"truth", "meter", "order"}) - (set() if wheel else set(SMALL))))
        found = set_up(scenario)
        assert found is not None
        self.setup = found[0]
        events = [
            Event(name, 0.0 if FAULTS[name].only_at_start else at, None if name == "hose_off" else lasts)
            for name, at, lasts in faults
        ]
        rig = VirtualRig(scenario.settings, events)
        self.judge = Judge(self.setup, rig, frozenset(event.name for event in events), delivers=False)
        self.fill = VirtualFill(rig, self.setup, self, self._see)
        self.ids = itertools.count(1)
        self.queue: list[Request] = []
        self.sent: list[Request] = []
        self.last: Decision | None = None
        self._pass(3.0)

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """What was queued since the last scan."""
        asked, self.queue = self.queue, []
        self.judge.heard(asked)
        # What hands do with it they would do again.
        self.sent += [each for each in asked if not moves(each.kind, each.name)]
        return asked

    def _see(self, decision: Decision) -> None:
        self.last = decision
        self.judge.see(decision)

    def _pass(self, seconds: float) -> None:
        if self.last is None or self.last.state.state not in ENDED:
            self.fill.run(most_s=seconds)

    def _ask(self, kind: RequestKind, name: str = "") -> None:
        self.queue.append(Request(f"r-{next(self.ids)}", kind, name, "jo"))

    @rule(kind=st.sampled_from(KINDS), name=st.sampled_from(("", "nonsense", "protection")))
    def anything(self, kind: RequestKind, name: str) -> None:
        """A request of any kind, in place or not; what hands do is said only when it is asked for."""
        self._ask(kind, name)
        self._pass(0.3)

    @precondition(lambda self: self.last is not None and self.last.state.state is State.IDLE)
    @rule()
    def all_said_and_started(self) -> None:
        """What a person does at the start of every fill."""
        for check in self.setup.checks:
            self._ask("confirm", check.name)
        self._ask("start")
        self._pass(3.0)

    @precondition(lambda self: self.last is not None and self.last.prompt is not None)
    @rule()
    def answers(self) -> None:
        """The prompt that stands there."""
        assert self.last is not None
        assert self.last.prompt is not None
        self._ask("answer", self.last.prompt.name)
        self._pass(1.0)

    @precondition(lambda self: self.last is not None and self.last.state.state in (State.HELD, State.ABORTED))
    @rule()
    def goes_on(self) -> None:
        """Past a hold or a trip."""
        self._ask("reset" if self.last is not None and self.last.state.state is State.ABORTED else "resume")
        self._pass(2.0)

    @precondition(lambda self: bool(self.sent))
    @rule(data=st.data())
    def says_it_again(self, data: st.DataObject) -> None:
        """A request with an id that was used before: nothing new may come of it."""
        again = data.draw(st.sampled_from(self.sent))
        before = self.last
        self.fill.ask(again)
        self._pass(0.05)
        if before is not None and self.last is not None and before.state.handled[-1:] != self.last.state.handled[-1:]:
            assert again.id not in before.state.handled

    @rule(seconds=st.sampled_from((0.2, 1.0, 5.0, 20.0, 60.0)))
    def time_passes(self, seconds: float) -> None:
        """Nobody touches anything."""
        self._pass(seconds)

    @invariant()
    def no_promise_is_broken(self) -> None:
        """The judge has found nothing, and the record can be written at any moment."""
        assert not self.judge.breaches, self.judge.breaches
        assert self.fill.state is not None
        json.dumps(record_of(self.setup, self.fill.state), allow_nan=False)

    def teardown(self) -> None:
        """A stop ends it, whatever went before; the record is judged."""
        if not hasattr(self, "fill"):
            return
        for kind in ("stop", "end"):
            self._ask(kind)
            self._pass(40.0)
        assert self.last is not None
        opened = self.last.state.opened_s > 0
        self.judge.close(fill_record(self.setup, self.last.state), ended=self.last.state.state in ENDED or not opened)
        assert not self.judge.breaches, self.judge.breaches


Rigged.TestCase.settings = LIMITS
TestRigged = Rigged.TestCase
TestRigged.pytestmark = [pytest.mark.full]
