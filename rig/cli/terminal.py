"""A person at a terminal: prompts answered by typing, and work that is carried out under their eyes."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import queue
import sys
import threading
from collections.abc import Callable, Coroutine, Iterable, Sequence
from itertools import count

from rig.books.clock import settle_clock
from rig.books.wording import more_of, ticket_text
from rig.caution import Caution
from rig.choice import DONE, Choice
from rig.cli.face import Face, Lines, face
from rig.cli.table import ENDED_EARLY, OK
from rig.control.moves.decide import Decision
from rig.control.safety.unconfirmed import in_doubt, is_reported, unconfirmed_for_s
from rig.control.words.procedure import State
from rig.control.words.values import Request, Setup
from rig.meter_kind import KINDS
from rig.record.work import Ended
from rig.run.afterwards import afterwards_of, watch
from rig.run.facade import Facade, Snapshot
from rig.run.loop import Fill
from rig.run.person import ALONE_S, Person, Unattended
from rig.run.refused import Refused
from rig.run.session import Stopper, stop_on_signals
from rig.run.settings import Settings

_LOOK_EVERY_S = 0.05
VALVE_OPEN = "The valve was left open, so the rig is watched. Take the gun off and shut the valve, then press Enter."
_KEYS: dict[State, dict[str, str]] = {
    State.RUNNING: {"h": "hold", "s": "stop"},
    State.HELD: {"r": "resume", "e": "end", "s": "stop", "m": "next_measure"},
    State.ABORTED: {"r": "reset", "e": "end", "m": "next_measure"},
}
_LEAVE = Choice("n", "leave")
_END = Choice("e", "end it here")
_OFFERED = {
    State.RUNNING: (Choice("h", "hold"), Choice("s", "stop")),
    State.HELD: (Choice("r", "go on"), _END),
    State.ABORTED: (Choice("r", "reset when the cause is gone"), _END),
}


class Typed:
    """A person's lines, put in by another thread, so that waiting for them never blocks the loop."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def put(self, line: str | None) -> None:
        """Take in a line; None: no more will come."""
        self._lines.put(line)

    def take(self) -> str | None:
        """The next line, None once there are no more; queue.Empty where none was typed yet."""
        line = self._lines.get_nowait()
        if line is None:
            self._lines.put(None)
        return line

    async def next(self) -> str | None:
        """Wait for the next line; None if the terminal is lost."""
        while True:
            try:
                return self.take()
            except queue.Empty:
                await asyncio.sleep(_LOOK_EVERY_S)


def standard_input() -> Typed:
    """The lines of standard input, read by a thread."""
    typed = Typed()

    def listen() -> None:
        for line in sys.stdin:
            typed.put(line.strip())
        typed.put(None)

    threading.Thread(target=listen, daemon=True).start()
    return typed


class Terminal:
    """A front end of the facade: typed lines become its operations, its snapshot is shown as questions."""

    def __init__(self, by: str, settings: Settings, typed: Typed | None = None) -> None:
        self._by = by
        self._settings = settings
        self._facade = facade = Facade(settings)
        self._ids = count(1)
        self._typed = typed or standard_input()
        self.face: Face = Lines()
        """Where the waiting question is shown."""
        self._operations = {
            "hold": facade.hold, "resume": facade.resume, "stop": facade.stop, "reset": facade.reset,
            "end": facade.end, "next_measure": facade.next_measure, "supply_cut": facade.supply_cut,
        }  # fmt: skip
        self._gone = False
        self._running = self._interrupted = False

    @property
    def gave_up(self) -> bool:
        """Whether the person leaves a fill that cannot be started, or the terminal of one that cannot end is lost."""
        return self._facade.gave_up or self._gone

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """Show the present question and take what was typed."""
        self._facade(setup, decision)
        running = decision.state.state is State.RUNNING
        if running and not self._running:
            self._interrupted = False
        self._running = running
        seen = self._facade.snapshot()
        self.face.asks(*_question(seen, decision))
        with contextlib.suppress(queue.Empty):
            self._hear(seen, decision, self._typed.take())
        return self._facade.requests(setup, decision)

    async def ask(self, text: str) -> str | None:
        """Put a question between two fills and wait for the typed line; None if the terminal is lost."""
        print(f"\n{text}", file=sys.stderr, flush=True)
        return await self._typed.next()

    def stopper(self, fill: Fill) -> Callable[[], None]:
        """Let Ctrl-C hold a running fill and end one that does not run; SIGTERM stops it. Returns what undoes that."""

        def interrupt() -> None:
            if self._running and not self._interrupted:
                self._interrupted = True
                self._facade.hold(f"{self._by}-{next(self._ids)}", self._by)
                self.face.alert("HOLD: r goes on, Ctrl-C once more ends the fill.")
            else:
                fill.stop_asked = True

        return stop_on_signals(fill, interrupt)

    async def watches(self, last: tuple[Setup, Decision], alert: Callable[[str], None]) -> None:
        """Watch the rig after a fill that ended with its valve open, until the person says that it is shut."""
        after = afterwards_of(self._settings, *last)
        if after is None:
            return
        answer = asyncio.create_task(self.ask(VALVE_OPEN))
        try:
            await watch(
                self._settings,
                after,
                answer.done,
                lambda found: alert(f"{found.text}\n  {found.first}\n  {more_of(found.name)}"),
            )
        finally:
            answer.cancel()

    def _hear(self, seen: Snapshot, decision: Decision, line: str | None) -> None:
        state, request_id = decision.state.state, f"{self._by}-{next(self._ids)}"
        yes = line is not None and line.lower() in ("", "y", "yes")
        if line is None:
            # The terminal is lost: no one supervises, so nothing may go on.
            self._operations["end" if state is State.ABORTED else "stop"](request_id, self._by)
            self._gone = in_doubt(decision.state) and unconfirmed_for_s(decision.state) > ALONE_S
        elif state is State.IDLE and not yes:
            self._facade.stop(request_id, self._by)
        elif state is State.IDLE and not seen.open_checks:
            # The start is pending until the tyre pressure is read: do not ask again.
            self._facade.start(request_id, self._by)
            return
        elif state is State.IDLE:
            self._facade.confirm(request_id, self._by, seen.open_checks[0].name)
        elif decision.prompt is not None and yes:
            self._facade.answer_prompt(request_id, self._by, decision.prompt.name)
        elif in_doubt(decision.state) and line[:1].lower() == "c":
            self._operations["supply_cut"](request_id, self._by)
        elif kind := _KEYS.get(state, {}).get(line[:1].lower()):
            self._operations[kind](request_id, self._by)
        # Whatever was typed, a question that still waits is put again.
        self.face.asks("")


def _question(seen: Snapshot, decision: Decision) -> tuple[str, Sequence[Choice]]:
    """The waiting question with its answers; a running fill asks nothing and can be held or stopped."""
    state = decision.state.state
    if state is State.IDLE:
        if seen.open_checks:
            return seen.open_checks[0].text, (Choice("", "yes"), _LEAVE)
        refusal = _refusal(seen)
        return (refusal, (_LEAVE,)) if refusal else ("Ready.", (Choice("", "start"), _LEAVE))
    if decision.prompt is not None:
        return decision.prompt.text, DONE
    if is_reported(decision.state) and in_doubt(decision.state):
        return _refusal(seen), (Choice("c", "the supply is cut"),)
    return _refusal(seen), (*_OFFERED.get(state, ()), *_other_measure(seen, state))


def person_for(options: argparse.Namespace, settings: Settings, *, go_on: bool = False) -> Person:
    """The person for a command: the one at the terminal, or a stand-in if ``--unattended`` asks for it and is allowed.

    Raises Refused if the pump is real, or operated by hand.
    """
    if not options.unattended:
        by = getattr(options, "by", "") or "terminal"
        settle_clock(settings, by)
        return Terminal(by, settings)
    if settings.rig.by_hand:
        raise Refused("--unattended: this rig is worked by hand, and a lever wants a hand on it")
    if not (settings.rig.simulated or settings.rig.unattended):
        raise Refused("--unattended moves a real pump with nobody there: allow it by rig.unattended = true, or answer")
    return Unattended(go_on=go_on)


def say_cautions(cautions: Iterable[Caution], *, as_json: bool) -> None:
    """Print the cautions before something moves; together with a JSON document, on standard error."""
    for each in cautions:
        text = f"{each.severity}: {each.text} [{each.source}]"
        print(text, file=sys.stderr if as_json else sys.stdout, flush=True)


def print_ended(options: argparse.Namespace, ended: Ended, *, simulated: bool) -> int:
    """Print the record of ended work, as JSON or as its ticket; returns the exit status."""
    print(json.dumps(ended.document()) if options.json else ticket_text(ended, simulated=simulated))
    return OK if ended.work.outcome == "complete" else ENDED_EARLY


def carried_out(
    options: argparse.Namespace,
    settings: Settings,
    person: Person,
    work: Callable[[Face, Stopper], Coroutine[None, None, Ended]],
) -> tuple[Ended, int]:
    """Carry out work and print its record; the record and the exit status.

    If it ended with the valve open, the rig stays watched until the person at the terminal has shut it. Lines that
    come from a file or a pipe are no person.
    """

    async def whole() -> tuple[Ended, int]:
        shows, terminal = face(), person if isinstance(person, Terminal) and sys.stdin.isatty() else None
        if isinstance(person, Terminal):
            person.face = shows
        with shows.shown():
            ended = await work(shows, stop_on_signals if terminal is None else terminal.stopper)
        status = print_ended(options, ended, simulated=settings.rig.simulated)
        if terminal is not None and shows.last is not None:
            await terminal.watches(shows.last, shows.alert)
        return ended, status

    return asyncio.run(whole())


class Questions:
    """Asks one question at a time; answers are compared in small letters."""

    def __init__(self) -> None:
        self._typed = standard_input()

    async def __call__(self, text: str) -> str | None:
        """Put a question and wait for the typed line; None if the terminal is lost."""
        print(text, file=sys.stderr, flush=True)
        line = await self._typed.next()
        return None if line is None else line.lower()


def _other_measure(seen: Snapshot, state: State) -> list[Choice]:
    """The measure to switch to if the meter is at fault."""
    if state not in (State.HELD, State.ABORTED) or seen.other_measure is None:
        return []
    return [Choice("m", f"the meter is at fault: count by {KINDS[seen.other_measure].basis}")]


def _refusal(seen: Snapshot) -> str:
    return "\n".join(f"  not ready: {item.text}" for item in seen.missing)
