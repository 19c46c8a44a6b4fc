"""A person at a terminal: prompts answered by typing; progress on one line, or as plain lines in a file."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import queue
import sys
import threading
import time
from collections.abc import Iterable, Sequence
from itertools import count

from rig.books.clock import settle_clock
from rig.books.wording import cannot_text, progress_line, step_words, stopped_text, ticket_text
from rig.cli.table import ENDED_EARLY, OK
from rig.control.decide import Decision
from rig.control.procedure import State
from rig.control.snapshot import BASIS
from rig.control.unconfirmed import in_doubt, told, unconfirmed_for_s
from rig.control.values import Request, Setup
from rig.run.facade import Facade, Snapshot
from rig.run.person import ALONE_S, Person, Unattended
from rig.run.session import Refused
from rig.run.settings import Settings
from rig.wheel import Caution

_LINE_EVERY_S = 3.0
_REDRAW_EVERY_S = 0.2
_LOOK_EVERY_S = 0.05
_CRY_EVERY_S = 2.0
"""Interval at which outputs that cannot be switched off are reported again, with the terminal's bell."""
_KEYS: dict[State, dict[str, str]] = {
    State.RUNNING: {"h": "hold", "s": "stop"},
    State.HELD: {"r": "resume", "e": "end", "s": "stop", "m": "next_measure"},
    State.ABORTED: {"r": "reset", "e": "end", "m": "next_measure"},
}
_HELP = {
    State.RUNNING: "h = hold, s = stop (then Enter)",
    State.HELD: "r = go on, e = end it here",
    State.ABORTED: "r = reset when the cause is gone, e = end it here",
}


class ProgressPrinter:
    """Shows decisions on standard error, so that standard output contains only the result."""

    def __init__(self) -> None:
        self._tty = sys.stderr.isatty()
        self._last_s = 0.0
        self._last_step = ""
        self._alarm: str | None = None
        self._cried_s = 0.0

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Print periodically, when the step changes, and on a stop."""
        first_out = decision.state.alarms.first_out
        if first_out != self._alarm:
            self._alarm = first_out
            if first_out is not None:
                self._print(stopped_text(setup, decision, first_out), end="\n")
        now_s, step = time.monotonic(), step_words(decision)
        if told(decision.state) and in_doubt(decision.state) and now_s - self._cried_s >= _CRY_EVERY_S:
            self._cried_s = now_s
            self._print(f"\a{cannot_text(decision)}", end="\n")
        due = now_s - self._last_s >= (_REDRAW_EVERY_S if self._tty else _LINE_EVERY_S)
        if due or step != self._last_step:
            self._last_s, self._last_step = now_s, step
            self._print(progress_line(setup, decision), end="" if self._tty else "\n")

    def _print(self, text: str, end: str) -> None:
        lead = "\r\x1b[2K" if self._tty else ""
        print(lead + text, end=end, file=sys.stderr, flush=True)


class Terminal:
    """A front end of the facade: typed lines become its operations, its snapshot is shown as questions.

    Lines come from standard input, read by a thread, so that waiting for a person never blocks the loop.
    """

    def __init__(self, by: str, settings: Settings) -> None:
        self._by = by
        self._facade = facade = Facade(settings)
        self._ids = count(1)
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._asked = ""
        self._operations = {
            "hold": facade.hold, "resume": facade.resume, "stop": facade.stop, "reset": facade.reset,
            "end": facade.end, "next_measure": facade.next_measure, "supply_cut": facade.supply_cut,
        }  # fmt: skip
        self._gone = False
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def gave_up(self) -> bool:
        """Whether the person leaves a fill that cannot be started, or the terminal of one that cannot end is lost."""
        return self._facade.gave_up or self._gone

    def _listen(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.strip())
        self._lines.put(None)

    def requests(self, setup: Setup, decision: Decision) -> Sequence[Request]:
        """Show the present question and take what was typed."""
        self._facade(setup, decision)
        seen = self._facade.snapshot()
        self._ask(seen, decision)
        with contextlib.suppress(queue.Empty):
            self._hear(seen, decision, self._lines.get_nowait())
        return self._facade.requests(setup, decision)

    async def ask(self, text: str) -> str | None:
        """Put a question between two fills and wait for the typed line; None if the terminal is lost."""
        print(f"\n{text}", file=sys.stderr, flush=True)
        while True:
            try:
                return self._lines.get_nowait()
            except queue.Empty:
                await asyncio.sleep(_LOOK_EVERY_S)

    def _hear(self, seen: Snapshot, decision: Decision, line: str | None) -> None:
        state, request_id = decision.state.state, f"{self._by}-{next(self._ids)}"
        yes = line is not None and line.lower() in ("", "y", "yes")
        if line is None:
            # The terminal is lost: no one supervises, so nothing may go on.
            self._operations["end" if state is State.ABORTED else "stop"](request_id, self._by)
            self._gone = in_doubt(decision.state) and unconfirmed_for_s(decision.state) > ALONE_S
            self._lines.put(None)
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
        self._asked = ""

    def _ask(self, seen: Snapshot, decision: Decision) -> None:
        question = _question(seen, decision)
        if question and question != self._asked:
            self._asked = question
            print(f"\n{question}", file=sys.stderr, flush=True)


def _question(seen: Snapshot, decision: Decision) -> str:
    state = decision.state.state
    if state is State.IDLE:
        if seen.open_checks:
            return f"{seen.open_checks[0].text}  [Enter = yes, n = leave]"
        return _refusal(seen) or "Ready. [Enter = start, n = leave]"
    if decision.prompt is not None:
        return f"{decision.prompt.text}  [Enter = done]"
    if told(decision.state) and in_doubt(decision.state):
        return f"c = the supply is cut{_refusal(seen)}"
    return _HELP.get(state, "") + _other_measure(seen, state) + _refusal(seen)


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


def print_ended(options: argparse.Namespace, record: dict[str, object], *, simulated: bool) -> int:
    """Print the record of ended work, as JSON or as its ticket; returns the exit status."""
    print(json.dumps(record) if options.json else ticket_text(record, simulated=simulated))
    return OK if record["outcome"] == "complete" else ENDED_EARLY


class Questions:
    """Asks one question at a time; answers come from standard input, read by a thread that blocks nothing."""

    def __init__(self) -> None:
        self._lines: asyncio.Queue[str | None] = asyncio.Queue()
        self._loop = asyncio.get_running_loop()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            self._put(line.strip().lower())
        self._put(None)

    def _put(self, line: str | None) -> None:
        # The check may have ended while the thread waited.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._lines.put_nowait, line)

    async def __call__(self, text: str) -> str | None:
        """Put a question and wait for the typed line; None if the terminal is lost."""
        print(text, file=sys.stderr, flush=True)
        return await self._lines.get()


def _other_measure(seen: Snapshot, state: State) -> str:
    """The measure to switch to if the meter is at fault."""
    if state not in (State.HELD, State.ABORTED) or seen.other_measure is None:
        return ""
    return f", m = the meter is at fault: count by {BASIS[seen.other_measure]}"


def _refusal(seen: Snapshot) -> str:
    return "".join(f"\n  not ready: {item.text}" for item in seen.missing)
