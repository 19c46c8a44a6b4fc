"""The single set of operations on the controller, and its visible state, for page and command line.

Every operation carries an id, and a repeat of it does nothing. A request never waits for the rig, nor the rig for a
front end: requests go into an inbox, and a snapshot is the loop's latest state. It knows no page and decides nothing.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import BeforeValidator, PlainSerializer

from rig.caution import Caution
from rig.control.belief.measures import next_best
from rig.control.moves.decide import Decision
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED
from rig.control.safety.permissives import Missing, open_checks
from rig.control.words.procedure import State
from rig.control.words.values import Check, Reading, Request, Scope, Setup
from rig.record.work import Ended, MeterKind
from rig.run.air_look import AirWanted, Looked
from rig.run.assembly import Question
from rig.run.bench import Bench, Proof
from rig.run.interrupted import Interrupted
from rig.run.prover import Seen
from rig.run.ready import GivenChecks
from rig.run.removal import Removal, Rinse
from rig.run.session import Errand
from rig.run.settings import Settings
from rig.sentence import Sentence
from rig.shop.before import wiring_cautions
from rig.shop.trials import TrialText

OrderKind = Literal["fill", "go on", "close", "empty", "rinse", "prove", "look"]
Work = Errand | Removal | Rinse | TrialText | AirWanted
GuardByName = Annotated[Guard, BeforeValidator(lambda name: GUARD_NAMED[name]), PlainSerializer(lambda row: row.name)]
"""A row of the guards' table, carried by its name."""
_REMEMBERED = 512
_MOST_STOPS = 8
"""So many stops wait for a scan; whoever floods the rig with more has stopped it."""
_FIRST_REST_S = 30.0
"""A start that waits only for the first reading at rest, also of a noisy gauge, stays pending for this long."""


@dataclass(frozen=True, slots=True)
class Order:
    """The rig's next task: pump work, or resuming an interrupted fill, or closing one as it is."""

    id: str
    kind: OrderKind
    by: str
    work: Work | None = None
    """What to fill, empty, rinse, prove or look at; None for an interrupted fill."""
    fill_id: str = ""
    confirmed: tuple[str, ...] = ()
    """Checks that were shown and confirmed before the order was given."""
    start: bool = False


@dataclass(frozen=True, slots=True)
class Live:
    """State of the field while no fill runs."""

    reading: Reading | None
    error: Sentence | str = ""
    unasked: GuardByName | None = None
    """A guard that has detected flow or movement since the last fill ended, with nothing commanded."""
    looked: Looked | None = None
    """The look with air under way, or the last one until other work was done."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the fill under way is of, as the page shows it; None: not known."""

    size: str = ""
    position: str | None = None
    job: str | None = None
    fluid: str | None = None
    by: str | None = None
    valve_at: float | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """State of the controller when last seen. Monotonic seconds."""

    seen_s: float
    busy: bool
    """An order is being carried out, or about to be."""
    setup: Setup | None
    decision: Decision | None
    """Of the fill under way; None between fills."""
    about: Shown
    question: Question | None
    open_checks: tuple[Check, ...]
    missing: tuple[Missing, ...]
    """Why the last start, resume or reset was refused."""
    other_measure: MeterKind | None
    """The measure that would take over from the meter."""
    live: Live
    ended: Ended | None
    """The last finished fill."""
    notice: Sentence | str
    """Why the last order was not carried out."""
    cautions: tuple[Caution, ...]
    """Cautions that apply before anything moves, whatever the work."""
    interrupted: tuple[Interrupted, ...]
    proof: Proof | None
    """The proving under way."""
    given: frozenset[tuple[str, Check]]
    """Ready checks confirmed for the shift and for the machine, and by whom."""


@dataclass(frozen=True, slots=True)
class _Start:
    """A requested start, and why it was refused so far."""

    request: Request
    since_s: float
    refused: tuple[Missing, ...] = ()


class Facade:
    """The controller of one rig for its front ends: a Person to the loop, and a watch on it."""

    def __init__(self, settings: Settings, scanned: Callable[[], None] = lambda: None) -> None:
        """``scanned`` is called after every scan that has ended, and must not wait."""
        self.settings = settings
        self._scanned = scanned
        self.gave_up = False
        self.given = GivenChecks()
        self.bench = Bench()
        self._inbox: deque[Request] = deque()
        self._orders: deque[Order] = deque()
        self._handled: deque[str] = deque(maxlen=_REMEMBERED)
        self._lock = threading.Lock()
        self._ids = itertools.count(1)
        self._order: Order | None = None
        self._started: _Start | None = None
        self._missing: tuple[Missing, ...] = ()
        self._now: tuple[Setup, Decision] | None = None
        self._seen_s, self._gap_s, self._pressed = time.monotonic(), 0.0, True
        self._about = Shown()
        self._question: Question | None = None
        self._live = Live(None)
        self._ended: Ended | None = None
        self._notice = ""
        self._interrupted: tuple[Interrupted, ...] = ()

    # --- requests of a front end --------------------------------------------------------------------------------

    def order(self, order: Order) -> bool:
        """Place an order; false if the rig is busy with another, true also for a repeat of the same."""
        with self._lock:
            if order.id in self._handled:
                return True
            if self._order is not None or self._orders:
                return False
            self._handled.append(order.id)
            self._orders.append(order)
        return True

    def confirm(self, request_id: str, by: str, name: str) -> None:
        """Give one confirmation of the ready check."""
        self.ask(Request(request_id, "confirm", name, by))

    def start(self, request_id: str, by: str) -> None:
        """Start; refused by the controller when something is missing."""
        self.ask(Request(request_id, "start", by=by))

    def answer_prompt(self, request_id: str, by: str, name: str) -> None:
        """Answer the prompt of that name."""
        self.ask(Request(request_id, "answer", name, by))

    def hold(self, request_id: str, by: str) -> None:
        """Interrupt the stroke and wait."""
        self.ask(Request(request_id, "hold", by=by))

    def resume(self, request_id: str, by: str) -> None:
        """Go on after a hold."""
        self.ask(Request(request_id, "resume", by=by))

    def stop(self, request_id: str, by: str) -> None:
        """Stop for good; leave a fill that was never started."""
        self.ask(Request(request_id, "stop", by=by))

    def reset(self, request_id: str, by: str) -> None:
        """Reset a trip once its cause is gone."""
        self.ask(Request(request_id, "reset", by=by))

    def end(self, request_id: str, by: str) -> None:
        """End a held or tripped fill here."""
        self.ask(Request(request_id, "end", by=by))

    def next_measure(self, request_id: str, by: str) -> None:
        """Give up the meter and count by the next best measure."""
        self.ask(Request(request_id, "next_measure", by=by))

    def supply_cut(self, request_id: str, by: str) -> None:
        """Confirm that the pump's supply is cut, if outputs cannot be switched off from here."""
        self.ask(Request(request_id, "supply_cut", by=by))

    def read_vessel(self, request_id: str, seen: Seen) -> bool:
        """Enter the vessel's reading after a proving run; false if none is awaited."""
        return self._once(request_id, lambda: self.bench.read(seen))

    def judge_proving(self, request_id: str, *, taken: bool) -> bool:
        """Accept or reject a judged proving; false if no verdict is awaited."""
        return self._once(request_id, lambda: self.bench.accept(taken=taken))

    def _once(self, request_id: str, act: Callable[[], bool]) -> bool:
        with self._lock:
            if request_id in self._handled:
                return True
            self._handled.append(request_id)
        return act()

    def forget(self, scopes: Sequence[Scope], by: str) -> None:
        """Ask the checks of these scopes again."""
        for scope in scopes:
            self.given.forget(scope, by)

    def ask(self, request: Request) -> None:
        """Pass a request on to the next scan."""
        with self._lock:
            stops = sum(each.kind == "stop" for each in self._inbox)
            # A repeated stop is harmless and may be the only request that gets through.
            if stops >= _MOST_STOPS if request.kind == "stop" else request.id in self._handled:
                return
            self._handled.append(request.id)
            self._inbox.append(request)

    # --- state for a front end ----------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """The loop's latest state. Any thread may ask."""
        now, order = self._now, self._order
        setup, decision = now or (None, None)
        unasked: tuple[Check, ...] = ()
        measure: MeterKind | None = None
        if setup is not None and decision is not None:
            unasked = open_checks(setup, decision.state)
            best = next_best(setup, decision.state, decision.facts.reading)
            measure = setup.beside[best - 1].kind if best else None
        return Snapshot(
            seen_s=self._seen_s,
            busy=order is not None or bool(self._orders),
            setup=setup,
            decision=decision,
            about=self._about,
            question=self._question,
            open_checks=unasked,
            missing=self._missing,
            other_measure=measure,
            live=self._live,
            ended=self._ended,
            notice=self._notice,
            cautions=wiring_cautions(self.settings),
            interrupted=self._interrupted,
            proof=self.bench.proof,
            given=self.given.all(),
        )

    def take_gap_s(self) -> float:
        """The longest gap between two scans since the last call, wall-clock seconds."""
        gap_s, self._gap_s = self._gap_s, 0.0
        return gap_s

    # --- the loop's side ----------------------------------------------------------------------------------------

    def take_order(self) -> Order | None:
        """Take the next order, if any; from then on the rig is busy."""
        with self._lock:
            self._order = self._orders.popleft() if self._orders else None
            if self._order is not None:
                self._inbox.clear()
        self._notice = "" if self._order else self._notice
        return self._order

    def begins(self, about: Shown, question: Question) -> None:
        """Note that a fill is being set up."""
        self.gave_up = False
        self._about, self._question, self._now = about, question, None
        self._started, self._missing, self._ended, self._pressed = None, (), None, True
        order = self._order
        if order is not None:
            names = order.confirmed
            self._inbox.extend(Request(f"{order.id}/{name}", "confirm", name, order.by) for name in names)
            if order.start:
                self._inbox.append(Request(f"{order.id}/start", "start", by=order.by))

    def ends(self, ended: Ended | None, notice: str = "") -> None:
        """Note that the order is carried out, or refused with a notice."""
        self._ended, self._notice = ended or self._ended, notice
        self._now, self._started, self._missing = None, None, ()
        with self._lock:
            self._order = None

    def beat(self, live: Live) -> None:
        """Take in the field's state between two fills, or between two runs of a proving."""
        self._now = None
        self._live, self._seen_s = live, time.monotonic()
        self._scanned()

    def take_stop(self) -> bool:
        """Whether a stop was requested between two runs; other requests made there are discarded."""
        return any(request.kind == "stop" for request in self.take_asked())

    def take_asked(self) -> list[Request]:
        """Take the requests since the last scan."""
        with self._lock:
            asked = list(self._inbox)
            self._inbox.clear()
        return asked

    def waiting(self, interrupted: Sequence[Interrupted]) -> None:
        """Set the interrupted fills that are to be resumed or closed."""
        self._interrupted = tuple(interrupted)

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Take a decision in; must cost the loop next to nothing."""
        self._now, self._seen_s = (setup, decision), time.monotonic()
        self._live = Live(decision.facts.reading)
        self._gap_s = max(self._gap_s, decision.facts.reading.late_s)
        self._scanned()

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """Requests since the last scan, including a start that waits for the first reading at rest."""
        idle = decision.state.state is State.IDLE
        asked = self.take_asked()
        if idle and any(request.kind == "stop" for request in asked):
            self.gave_up, self._started = True, None
            return []
        if asked or decision.state.state in (State.RUNNING, State.RESTARTING):
            self._missing = ()
        elif decision.missing:
            self._missing = decision.missing
        asked = [*(self._remembered(setup, decision) if idle else ()), *asked, *self._button(setup, decision)]
        self._remember(setup, asked)
        return [*asked, *self._standing_start(decision, asked)]

    def _button(self, setup: Setup, decision: Decision) -> list[Request]:
        """Requests from the start button at the gun, if there is one: a new press starts, or answers the prompt.

        It acts for whoever ordered this fill: without an order, or with ready checks open, it does nothing. A button
        that was already pressed when the fill was opened must be released first.
        """
        pressed = decision.facts.reading.start_pressed
        fresh = pressed is True and not self._pressed
        self._pressed = self._pressed if pressed is None else pressed
        if not fresh or self._order is None:
            return []
        by, request_id = f"{self._order.by}, start button", f"button-{setup.fill_id}-{next(self._ids)}"
        if decision.prompt is not None:
            return [Request(request_id, "answer", decision.prompt.name, by)]
        if decision.state.state is State.IDLE and not open_checks(setup, decision.state):
            return [Request(request_id, "start", by=by)]
        return []

    def _remembered(self, setup: Setup, decision: Decision) -> list[Request]:
        """Confirmations for this shift and machine already given by the person who ordered."""
        if self._order is None:
            return []
        names = self.given.recalled(self._order.by, open_checks(setup, decision.state))
        return [Request(f"given-{setup.fill_id}-{name}", "confirm", name, self._order.by) for name in names]

    def _remember(self, setup: Setup, asked: Sequence[Request]) -> None:
        for request in asked:
            if request.kind == "confirm":
                self.given.remember(request.by, [check for check in setup.checks if check.name == request.name])

    def _standing_start(self, decision: Decision, asked: Sequence[Request]) -> list[Request]:
        """Repeat a start that came too early: the gun was just attached and the tyre pressure not yet read."""
        now_s, unread = decision.state.now_s, decision.facts.tyre_kpa is None
        start = next((request for request in asked if request.kind == "start"), None)
        if start is not None or decision.state.state is not State.IDLE:
            self._started = None if start is None else _Start(start, now_s)
            return []
        waits = self._started
        if waits is None:
            return []
        if decision.missing:
            early = unread and {each.name for each in decision.missing} == {"arrival_pressure"}
            self._started = replace(waits, refused=decision.missing) if early else None
        elif waits.refused and now_s - waits.since_s > _FIRST_REST_S:
            self._started, self._missing = None, waits.refused
        elif waits.refused and not unread:
            self._started = replace(waits, refused=())
            return [replace(waits.request, id=f"{waits.request.id}+{next(self._ids)}")]
        if self._started is not None:
            self._missing = ()
        return []
