"""The person's interface to the loop, and who answers where nobody is there."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count
from typing import Protocol

from rig.control.moves.decide import Decision
from rig.control.safety.permissives import open_checks
from rig.control.safety.unconfirmed import in_doubt, is_reported, unconfirmed_for_s
from rig.control.words.procedure import State
from rig.control.words.values import Request, RequestKind, Setup

ALONE_S = 60.0
"""How long an unconfirmed off is retried if no one is there to cut the supply."""


class Person(Protocol):
    """Someone at the rig."""

    @property
    def gave_up(self) -> bool:
        """Whether the person leaves a fill that cannot be started, or one that cannot end with no one there."""
        ...

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """The person's requests after this decision; must not block."""
        ...


class Unattended:
    """Answers every prompt at once and ends a fill that stops by itself. For simulated rigs, or where a shop allows."""

    def __init__(self, by: str = "unattended", *, patience_s: float = 40.0, go_on: bool = False) -> None:
        """``go_on`` resumes a held fill once, as a person does who takes up an interrupted one."""
        self._by = by
        self._go_on = go_on
        self._ids = count(1)
        self._patience_s = patience_s
        self._first_refusal_s: float | None = None
        self._asked_s = -1e9
        self.gave_up = False

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """Confirm, start, answer; end what is held or aborted."""
        state, now_s = decision.state, decision.state.now_s
        if state.state is State.IDLE:
            return self._begin(setup, decision, now_s)
        if state.state is State.HELD and self._go_on:
            return self._keep_asking("resume", decision, now_s)
        # Resume only after the interruption: a hold that comes later ends the fill.
        self._go_on = self._go_on and state.state is not State.RUNNING
        if state.unconfirmed_s is not None:
            # A fill whose outputs may be on cannot be ended from here: that takes a person at the supply.
            self.gave_up = unconfirmed_for_s(state) > ALONE_S
            return []
        if state.state in (State.HELD, State.ABORTED):
            return [self._request("end")]
        if decision.prompt is not None:
            return [self._request("answer", decision.prompt.name)]
        return []

    def _begin(self, setup: Setup, decision: Decision, now_s: float) -> Sequence[Request]:
        # Only a person on site can answer the gauge's checks: without an answer the start stays refused.
        unasked = [check for check in open_checks(setup, decision.state) if check in setup.checks]
        if unasked:
            return [self._request("confirm", check.name) for check in unasked]
        return self._keep_asking("start", decision, now_s)

    def _keep_asking(self, kind: RequestKind, decision: Decision, now_s: float) -> Sequence[Request]:
        """Ask once a second, as the first reading at rest takes a moment; give up if it stays refused."""
        if decision.missing and self._first_refusal_s is None:
            self._first_refusal_s = now_s
        if self._first_refusal_s is not None and now_s - self._first_refusal_s > self._patience_s:
            self.gave_up = decision.state.state is State.IDLE
            return [] if self.gave_up else [self._request("end")]
        if now_s - self._asked_s < 1.0:
            return []
        self._asked_s = now_s
        return [self._request(kind)]

    def _request(self, kind: RequestKind, name: str = "") -> Request:
        return Request(f"{self._by}-{next(self._ids)}", kind, name, self._by)


class Ending:
    """Ends an interrupted fill as it is, without pumping."""

    def __init__(self, *, supply_cut: bool = False) -> None:
        """``supply_cut``: a person confirms that the pump's supply is cut."""
        self._ids = count(1)
        self._supply_cut = supply_cut
        self.gave_up = False

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """End what is held or aborted; leave it open if an output may be on and the supply is not cut."""
        if in_doubt(decision.state):
            self.gave_up = is_reported(decision.state) and not self._supply_cut
            return [Request(f"close-{next(self._ids)}", "supply_cut", by="close")] if self._supply_cut else []
        if decision.state.state in (State.HELD, State.ABORTED):
            return [Request(f"close-{next(self._ids)}", "end", by="close")]
        return []
