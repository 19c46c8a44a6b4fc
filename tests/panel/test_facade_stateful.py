"""Touches of several people in any order, repeated and out of place, from the facade to the controller."""

from __future__ import annotations

import json
import time
from collections import Counter
from typing import Literal

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from near import Near
from test_facade import Bench, every_check, order

from rig.control.belief.state import new_fill
from rig.control.words.procedure import ENDED, State
from rig.panel.view import picture

Touch = Literal["confirm", "start", "answer_prompt", "hold", "resume", "stop", "reset", "end", "next_measure"]
TOUCHES: tuple[Touch, ...] = (
    "confirm", "start", "answer_prompt", "hold", "resume", "stop", "reset", "end", "next_measure",
)  # fmt: skip
NAMES = ("protection", "insert_back", "gun_off", "nonsense", "")


class Touched(RuleBasedStateMachine):
    """One facade, one fill after the other, and touches whose ids are new or were used before."""

    @initialize()
    def begin(self) -> None:
        """A rig with nobody at it."""
        self.bench = Bench()
        self.touched: list[tuple[str, Touch, str, str]] = []
        self.reached: Counter[str] = Counter()
        self.orders = 0
        self.open = False

    def _touch(self, request_id: str, kind: Touch, by: str, name: str) -> None:
        named = {"confirm", "answer_prompt"}
        do = getattr(self.bench.facade, kind)
        do(request_id, by, name) if kind in named else do(request_id, by)

    def _scan(self, times: int, **changes: object) -> None:
        for _ in range(times):
            stops = any(kind == "stop" for _, kind, _, _ in self.touched[self.heard :]) if self.open else False
            was = self.bench.state.state
            self.bench.scan(**changes)
            self.reached.update(request.id for request in self.bench.asked)
            if stops and was is State.IDLE:
                assert self.bench.facade.gave_up
            self.heard = len(self.touched)

    heard = 0

    @precondition(lambda self: not self.open)
    @rule(start=st.booleans(), said=st.booleans())
    def opens(self, start: bool, said: bool) -> None:
        """An order of another wheel, with or without what was said before it; put in twice."""
        self.orders += 1
        self.bench.state = new_fill(self.bench.setup)
        one = order(self.orders, start=start, names=every_check(self.bench) if said else ())
        self.bench.open(one)
        assert self.bench.facade.order(one), "a repeat of an order is no second order"
        assert not self.bench.facade.order(order(1000 + self.orders))
        self.open = True
        self.heard = len(self.touched)

    @rule(kind=st.sampled_from(TOUCHES), by=st.sampled_from(("Jo", "Sam")), name=st.sampled_from(NAMES))
    def touches(self, kind: Touch, by: str, name: str) -> None:
        """A new request, in place or not."""
        one = (f"touch-{len(self.touched)}", kind, by, name)
        self.touched.append(one)
        self._touch(*one)

    @precondition(lambda self: bool(self.touched))
    @rule(data=st.data())
    def touches_again(self, data: st.DataObject) -> None:
        """A request that was sent before: the answer got lost, or a finger trembled."""
        self._touch(*data.draw(st.sampled_from(self.touched)))

    @precondition(lambda self: self.open)
    @rule(times=st.integers(1, 30), estop=st.booleans(), pressed=st.booleans())
    def scans(self, times: int, estop: bool, pressed: bool) -> None:
        """Time passes; the emergency stop may be pressed, and the start button."""
        self._scan(times, estop_ok=not estop, start_pressed=pressed)

    @precondition(lambda self: self.open and (self.bench.facade.gave_up or self.bench.state.state in ENDED))
    @rule()
    def ends(self) -> None:
        """The service closes the order."""
        self.bench.facade.ends(None)
        self.open = False

    @invariant()
    def nothing_reaches_the_controller_twice(self) -> None:
        """But a stop, whose repeat may be all that gets through, and which the controller knows again."""
        twice = {request_id for request_id, times in self.reached.items() if times > 1}
        assert twice <= {request_id for request_id, kind, _, _ in self.touched if kind == "stop"}

    @invariant()
    def nothing_moves_unasked(self) -> None:
        """The pump runs only in a running fill that somebody started."""
        decision = self.bench.decision
        if decision is not None and decision.outputs.moving:
            assert self.bench.state.state is State.RUNNING
            assert self.bench.state.opened_s > 0
            assert any("start" in each or "button" in each for each in self.reached) or any(
                kind == "start" for _, kind, _, _ in self.touched
            )

    @invariant()
    def the_page_can_show_it(self) -> None:
        """Whatever was touched, the picture is whole and is JSON."""
        shown = picture(Near(self.bench.facade), time.monotonic(), None, None)
        assert json.loads(json.dumps(shown, allow_nan=False))["busy"] is self.open


Touched.TestCase.settings = settings(
    max_examples=40, stateful_step_count=40, suppress_health_check=list(HealthCheck), derandomize=True
)
TestTouched = Touched.TestCase
TestTouched.pytestmark = [pytest.mark.full]
