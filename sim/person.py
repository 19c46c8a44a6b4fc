"""The scripted person of a campaign: confirms and answers, sometimes holds, stops, resets or gives the meter up.

It acts only on the screen's content and the time, knows nothing of the plant, and ends every fill.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

from rig.control.safety.permissives import open_checks
from rig.control.words.procedure import State
from rig.control.words.values import Request, RequestKind, Setup

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rig.control.moves.decide import Decision
    from sim.scenarios import Habits

_AGAIN_S = 1.0
_PATIENCE_S = 30.0
"""Time for which the same request is repeated before the fill is ended or left."""


class Scripted:
    """One person at one fill. ``heard`` gets every request, for the judge."""

    def __init__(self, habits: Habits, expected_s: float, heard: Callable[[Sequence[Request]], None]) -> None:
        self.gave_up = False
        self._habits, self._heard = habits, heard
        self._hold_s = None if habits.hold_at is None else habits.hold_at * expected_s
        self._stop_s = None if habits.stop_at is None else habits.stop_at * expected_s
        self._left = habits.goes_on
        self._hasty = habits.hasty
        self._meter_left = habits.gives_meter_up
        self._ids = count(1)
        self._asked_s = -1e9
        self._wish: tuple[str, float] | None = None
        self._prompted: tuple[str, float] | None = None

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """The person's requests after this decision."""
        wanted = self._wanted(setup, decision)
        if self._habits.repeats:
            wanted = [*wanted, *wanted]
        self._heard(wanted)
        return wanted

    def _wanted(self, setup: Setup, decision: Decision) -> list[Request]:
        state, now_s = decision.state.state, decision.state.now_s
        if self._stop_s is not None and now_s >= self._stop_s and state is not State.IDLE:
            self._stop_s = None
            return [self._request("stop")]
        match state:
            case State.IDLE:
                if self._hasty:
                    self._hasty = False
                    return [self._request("start")]
                unasked = open_checks(setup, decision.state)
                if unasked:
                    return [self._request("confirm", check.name) for check in unasked]
                return self._insist("start", now_s)
            case State.RUNNING:
                return self._running(decision, now_s)
            case State.HELD | State.ABORTED:
                return self._stopped(state, now_s)
            case _:
                return []

    def _running(self, decision: Decision, now_s: float) -> list[Request]:
        if self._wish is not None and self._wish[0] in ("resume", "reset"):
            self._wish = None
        if self._hold_s is not None and now_s >= self._hold_s:
            self._hold_s = None
            self._left += 1
            return [self._request("hold")]
        prompt = decision.prompt.name if decision.prompt else None
        if prompt is None:
            self._prompted = None
            return []
        if self._prompted is None or self._prompted[0] != prompt:
            self._prompted = prompt, now_s
        if now_s - self._prompted[1] < self._habits.think_s or now_s - self._asked_s < _AGAIN_S:
            return []
        self._asked_s = now_s
        return [self._request("answer", prompt)]

    def _stopped(self, state: State, now_s: float) -> list[Request]:
        kind: RequestKind = "reset" if state is State.ABORTED else "resume"
        if self._left <= 0 and (self._wish is None or self._wish[0] != kind):
            return [self._request("end")]
        if self._meter_left and state is State.HELD:
            self._meter_left = False
            return [self._request("next_measure")]
        return self._insist(kind, now_s)

    def _insist(self, kind: RequestKind, now_s: float) -> list[Request]:
        """Repeat a request, once a second at most, until patience ends."""
        if self._wish is None or self._wish[0] != kind:
            self._left -= kind != "start"
            self._wish = kind, now_s
        if now_s - self._wish[1] > _PATIENCE_S:
            self.gave_up = kind == "start"
            return [] if self.gave_up else [self._request("end")]
        if now_s - self._asked_s < max(_AGAIN_S, self._habits.think_s):
            return []
        self._asked_s = now_s
        return [self._request(kind)]

    def _request(self, kind: RequestKind, name: str = "") -> Request:
        return Request(f"jo-{next(self._ids)}", kind, name, "jo")
