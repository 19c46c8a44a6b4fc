"""What a face may ask of the controller, and what it may see: the one set of operations behind page and command line.

Every operation carries an id, and a repeat of it does nothing. Asking never waits for the rig, and the rig never waits
for whoever asks: requests go into an inbox, what is seen is the latest that the loop left. It must not know what a page
is, and it decides nothing: a request is judged where every other is judged.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rig.control.decide import Decision
from rig.control.guards import Guard
from rig.control.measures import next_best
from rig.control.permissives import Missing, open_checks
from rig.control.procedure import State
from rig.control.values import Check, MeterKind, Reading, Request, RequestKind, Setup
from rig.run.assembly import Question
from rig.run.bench import Bench, Proof
from rig.run.prover import Seen, Trial
from rig.run.ready import GivenChecks
from rig.run.removal import Removal, Rinse
from rig.run.session import Errand
from rig.run.settings import Settings
from rig.shop.before import Foreknown, foreknown, wires_told
from rig.wheel import Caution

OrderKind = Literal["fill", "go on", "close", "empty", "rinse", "prove"]
Work = Errand | Removal | Rinse | Trial
_REMEMBERED = 512
_FIRST_REST_S = 30.0
"""A start that waits for nothing but the first reading at rest, of a noisy gauge too, stands for so long."""


@dataclass(frozen=True, slots=True)
class Order:
    """What the rig is to do next: work of the pump, or to go on with an interrupted fill, or to close one as it is."""

    id: str
    kind: OrderKind
    by: str
    work: Work | None = None
    """What is to be filled, emptied, rinsed or proven; None for an interrupted fill."""
    fill_id: str = ""
    confirmed: tuple[str, ...] = ()
    """Checks that were shown and confirmed before the order was given."""
    start: bool = False


@dataclass(frozen=True, slots=True)
class Interrupted:
    """A fill that waits to be gone on with or closed."""

    fill_id: str
    size: str
    position: str
    in_tyre_l: float
    target_l: float


@dataclass(frozen=True, slots=True)
class Live:
    """What the field shows while no fill runs."""

    reading: Reading | None
    error: str = ""
    unasked: Guard | None = None
    """What goes on though the last fill has ended, and nothing was told to move since."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The controller as it was last seen. Monotonic seconds."""

    seen_s: float
    busy: bool
    """An order is being carried out, or about to be."""
    setup: Setup | None
    decision: Decision | None
    """Of the fill under way; None between fills."""
    about: dict[str, object]
    question: Question | None
    open_checks: tuple[Check, ...]
    missing: tuple[Missing, ...]
    """Why the last start, resume or reset was refused."""
    other_measure: MeterKind | None
    """What would count if the meter were given up."""
    live: Live
    record: dict[str, object] | None
    """The last finished fill."""
    notice: str
    """Why the last order was not carried out."""
    cautions: tuple[Caution, ...]
    """What is to be known before anything moves, whatever the work."""
    interrupted: tuple[Interrupted, ...]
    proof: Proof | None
    """The proving under way."""


@dataclass(frozen=True, slots=True)
class _Start:
    """A start that was asked for, and why it was refused so far."""

    request: Request
    since_s: float
    refused: tuple[Missing, ...] = ()


class Facade:
    """The controller of one rig as its faces see it: a Person to the loop, and a watch on it."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
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
        self._seen_s = time.monotonic()
        self._gap_s = 0.0
        self._pressed = True
        self._about: dict[str, object] = {}
        self._question: Question | None = None
        self._live = Live(None)
        self._record: dict[str, object] | None = None
        self._notice = ""
        self._interrupted: tuple[Interrupted, ...] = ()

    # --- what a face asks ---------------------------------------------------------------------------------------

    def answer(self, question: Question, job: str = "", position: str = "") -> Foreknown:
        """What would go into this wheel, and what the book has to say. Raises what ``answer`` raises."""
        seen = self._live.reading
        return foreknown(self.settings, question, job, position, level_l=None if seen is None else seen.tote_l)

    def order(self, order: Order) -> bool:
        """Put an order in; false when the rig is busy with another, true also for a repeat of the same."""
        with self._lock:
            if self._repeated(order.id):
                return True
            if self._order is not None or self._orders:
                return False
            self._handled.append(order.id)
            self._orders.append(order)
        return True

    def confirm(self, request_id: str, by: str, name: str) -> None:
        """Give one confirmation of the ready check."""
        self._ask(request_id, "confirm", by, name)

    def start(self, request_id: str, by: str) -> None:
        """Start; refused by the controller when something is missing."""
        self._ask(request_id, "start", by)

    def answer_prompt(self, request_id: str, by: str, name: str) -> None:
        """Answer the prompt of that name."""
        self._ask(request_id, "answer", by, name)

    def hold(self, request_id: str, by: str) -> None:
        """Break the move off and wait."""
        self._ask(request_id, "hold", by)

    def resume(self, request_id: str, by: str) -> None:
        """Go on after a hold."""
        self._ask(request_id, "resume", by)

    def stop(self, request_id: str, by: str) -> None:
        """Stop for good; of a fill that was never started, leave it."""
        self._ask(request_id, "stop", by)

    def reset(self, request_id: str, by: str) -> None:
        """Take a trip back once its cause is gone."""
        self._ask(request_id, "reset", by)

    def end(self, request_id: str, by: str) -> None:
        """End a held or tripped fill here."""
        self._ask(request_id, "end", by)

    def next_measure(self, request_id: str, by: str) -> None:
        """Give the meter up and count by the next best measure."""
        self._ask(request_id, "next_measure", by)

    def supply_cut(self, request_id: str, by: str) -> None:
        """Say that the pump's supply is cut, where outputs cannot be switched off from here."""
        self._ask(request_id, "supply_cut", by)

    def read_vessel(self, request_id: str, seen: Seen) -> bool:
        """What the vessel of a proving shows after a run; false where no reading is asked for."""
        return self._told(request_id, lambda: self.bench.read(seen))

    def judge_proving(self, request_id: str, *, taken: bool) -> bool:
        """Whether a proving that is judged is taken; false where no verdict waits."""
        return self._told(request_id, lambda: self.bench.accept(taken=taken))

    def _told(self, request_id: str, tell: Callable[[], bool]) -> bool:
        with self._lock:
            if self._repeated(request_id):
                return True
            self._handled.append(request_id)
        return tell()

    def machine_moved(self, by: str) -> None:
        """The checks of the machine are to be asked again."""
        self.given.forget("machine", by)

    def new_shift(self, by: str) -> None:
        """Every check is to be asked again."""
        self.given.forget("shift", by)
        self.given.forget("machine", by)

    def _ask(self, request_id: str, kind: RequestKind, by: str, name: str = "") -> None:
        with self._lock:
            # A repeat of a stop costs nothing and may be all that gets through.
            if self._repeated(request_id) and kind != "stop":
                return
            self._handled.append(request_id)
            self._inbox.append(Request(request_id, kind, name, by))

    def _repeated(self, request_id: str) -> bool:
        return request_id in self._handled

    # --- what a face sees ---------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """The latest that the loop left. Any thread may ask."""
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
            record=self._record,
            notice=self._notice,
            cautions=wires_told(self.settings),
            interrupted=self._interrupted,
            proof=self.bench.proof,
        )

    def take_gap_s(self) -> float:
        """The longest gap between two scans since the last time that this was asked, wall-clock seconds."""
        gap_s, self._gap_s = self._gap_s, 0.0
        return gap_s

    # --- the loop's side ----------------------------------------------------------------------------------------

    def take_order(self) -> Order | None:
        """The next order, if there is one; from here on the rig is busy."""
        with self._lock:
            self._order = self._orders.popleft() if self._orders else None
            if self._order is not None:
                self._inbox.clear()
        self._notice = "" if self._order else self._notice
        return self._order

    def begins(self, about: dict[str, object], question: Question) -> None:
        """A fill is being set up."""
        self.gave_up = False
        self._about, self._question, self._now = about, question, None
        self._started, self._missing, self._record, self._pressed = None, (), None, True
        order = self._order
        if order is not None:
            names = order.confirmed
            self._inbox.extend(Request(f"{order.id}/{name}", "confirm", name, order.by) for name in names)
            if order.start:
                self._inbox.append(Request(f"{order.id}/start", "start", by=order.by))

    def ends(self, record: dict[str, object] | None, notice: str = "") -> None:
        """The order is carried out, or refused with a notice."""
        self._record, self._notice = record or self._record, notice
        self._now, self._started, self._missing = None, None, ()
        with self._lock:
            self._order = None

    def beat(self, live: Live) -> None:
        """What the field shows between two fills, or between two runs of a proving."""
        self._now = None
        self._live, self._seen_s = live, time.monotonic()

    def take_stop(self) -> bool:
        """Whether a stop was asked for between two runs; what else was asked there has nobody to hear it."""
        with self._lock:
            stopped = any(request.kind == "stop" for request in self._inbox)
            self._inbox.clear()
        return stopped

    def waiting(self, interrupted: Sequence[Interrupted]) -> None:
        """The fills that wait to be gone on with or closed."""
        self._interrupted = tuple(interrupted)

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Take a decision in; must cost the loop next to nothing."""
        self._now, self._seen_s = (setup, decision), time.monotonic()
        self._live = Live(decision.facts.reading)
        self._gap_s = max(self._gap_s, decision.facts.reading.late_s)

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """What was asked since the last scan, and a start that waits for the first reading at rest."""
        idle = decision.state.state is State.IDLE
        with self._lock:
            asked = list(self._inbox)
            self._inbox.clear()
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
        """The start button at the gun, where there is one: a fresh press starts, or answers the prompt.

        It is the hand of whoever ordered this fill: without an order, or with questions of the ready check open, it
        does nothing. One that was down already when the fill was opened must be let go first.
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
        """Checks of this shift and machine that the one who ordered has given already."""
        if self._order is None:
            return []
        names = self.given.recalled(self._order.by, open_checks(setup, decision.state))
        return [Request(f"given-{setup.fill_id}-{name}", "confirm", name, self._order.by) for name in names]

    def _remember(self, setup: Setup, asked: Sequence[Request]) -> None:
        for request in asked:
            if request.kind == "confirm":
                self.given.remember(request.by, [check for check in setup.checks if check.name == request.name])

    def _standing_start(self, decision: Decision, asked: Sequence[Request]) -> list[Request]:
        """Ask once more for a start that was early: the gun went on a moment ago and the tyre was not read yet."""
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
