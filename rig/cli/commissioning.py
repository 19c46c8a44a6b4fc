"""`rig commission`, at the terminal or by a page: questions and acts of :mod:`rig.commission`, answered by a person."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from rig.books.commissioning import latest_sheet, sheet_text
from rig.books.printing import refuse_unwritable, write_file
from rig.choice import Choice, typed_text
from rig.cli.face import Lines
from rig.cli.table import DEMO_CONFIG, OK, REFUSED, Add, port_number
from rig.cli.terminal import Terminal, Typed, standard_input
from rig.commission.dialogue import Ended, commission
from rig.commission.found import STEPS, Known, Progress, Step
from rig.commission.walk import FIRST_UNITS, Looking
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.run.commissioning.bench import Bench
from rig.run.commissioning.session import Face, Session, progress_file, read_progress, save
from rig.run.loop import Unreachable
from rig.run.person import Person
from rig.run.refused import Refused
from rig.run.relays import NotAnswered
from rig.run.settings import Settings, SettingsError, load_settings
from rig.units import parse


def add_commissioning(add: Add) -> None:
    """The command ``commission``."""
    command = add("commission", commission_command)
    option = command.add_argument
    option("--config", type=Path, default=DEMO_CONFIG, help="the configuration to be written (%(default)s)")
    option("--again", choices=tuple(STEPS), metavar="STEP", help=f"repeat one step: {', '.join(STEPS)}")
    option("--by", default="", metavar="NAME", help="who commissions")
    option("--units", default="", metavar="A-B", help="unit numbers to look at first (default 1-16), then all others")
    option("--patience", default="0.15 s", metavar="Q", help="longest wait for one answer while looking (%(default)s)")
    option("--budget", default="10 min", metavar="Q", help="longest search for modules (%(default)s)")
    option("--each", default="20 s", metavar="Q", help="longest look at one module's addresses (%(default)s)")
    option(
        "--simulated", type=float, metavar="N", help="the modules are a simulated rig that runs at N times real time"
    )
    option("--page", action="store_true", help="by a page in a browser, for whoever has the code that is printed")
    option("--host", default="127.0.0.1", help="address of the page; by default for this computer alone")
    option("--port", type=port_number, default=8080, help="port of the page; 0 takes a free one (%(default)s)")
    option("--pdf", type=Path, metavar="FILE", help="write the commissioning sheet of the book as PDF")


def commission_command(options: argparse.Namespace) -> int:
    """Go on with the commissioning, or repeat a step of it; returns the exit status."""
    if options.pdf is not None:
        refuse_unwritable(options.pdf)
    looking = _looking(options)
    progress = read_progress(options.config)
    if options.again is not None:
        if options.again not in progress.done:
            raise Refused(f"{options.again}: this step was not done yet; without --again the command goes on there")
        progress = progress.without(options.again)
        save(options.config, progress)
    if not progress.done:
        progress = progress.model_copy(update={"simulated": options.simulated})
    by = options.by or "commissioning"
    if not options.page:
        status, text, document = _carried_out(options, looking, progress, TypedFace(standard_input(), by))
    else:
        from rig.cli.commission_page import page_face

        with page_face(options, by) as face:
            try:
                status, text, document = _carried_out(options, looking, progress, face)
            except (NotAnswered, Refused, SettingsError, Unreachable) as error:
                face.transcript.end(str(error), off=not isinstance(error, Unreachable))
                raise
            face.transcript.end(f"{text}\n\n{_next(options)}", off=True)
    print(json.dumps(document) if options.json else text)
    return status


_ON_A_PHONE = 36
"""Characters in a line of the sheet on a page of 360 pixels."""
_Outcome = tuple[int, str, dict[str, object]]
"""Exit status, what was reached as text, and as a document."""


def _carried_out(options: argparse.Namespace, looking: Looking, progress: Progress, face: Face) -> _Outcome:
    session = Session(face, options.config, options.by, progress, Bench(progress.simulated or 1.0))
    known = Known(progress, datetime.now().astimezone().date().isoformat())
    ended = asyncio.run(session.run(commission(known, looking)))
    return _outcome(options, ended)


def _next(options: argparse.Namespace) -> str:
    config = f"--config {options.config}"
    return f"Next: rig people add NAME --role supervisor {config}, and the rig's own page: rig serve {config}"


def _looking(options: argparse.Namespace) -> Looking:
    first, _, last = options.units.partition("-")
    if options.units and not (first.isdecimal() and (last or first).isdecimal()):
        raise SettingsError(f"--units {options.units}: write for example 1-16")
    units = tuple(range(int(first), int(last or first) + 1)) if options.units else FIRST_UNITS
    if not units or units[-1] > 247 or units[0] < 1:
        raise SettingsError(f"--units {options.units}: units are numbers from 1 to 247, the smaller one first")
    times = {name: parse(getattr(options, name), "time") for name in ("patience", "each", "budget")}
    if not 0 < times["patience"] <= 5:
        raise SettingsError(f"--patience {options.patience}: write more than 0 and at most 5 s")
    return Looking(times["patience"], times["each"], times["budget"], units)


def _outcome(options: argparse.Namespace, ended: Ended) -> _Outcome:
    done: dict[Step, object] = {step: each.model_dump(mode="json") for step, each in ended.progress.done.items()}
    tests = [test for each in ended.progress.done.values() for test in each.tests]
    good = ended.whole and all(test.good for test in tests)
    document: dict[str, object] = {
        "config": str(options.config), "progress": str(progress_file(options.config)), "whole": ended.whole,
        "next": ended.progress.next, "good": good, "steps": done,
    }  # fmt: skip
    if ended.whole:
        sheet = latest_sheet(load_settings(options.config))
        if options.pdf is not None:
            from rig.books.pdf import as_pdf

            write_file(options.pdf, as_pdf(sheet))
            document["pdf"] = str(options.pdf)
        text = sheet_text(sheet, _ON_A_PHONE) if options.page else sheet_text(sheet)
    else:
        text = f"Not finished: the next step is {ended.progress.next!r}."
    return OK if good else REFUSED, text, document


@dataclass(slots=True)
class TypedFace:
    """The person at this terminal."""

    typed: Typed
    by: str
    lines: Lines = field(default_factory=Lines)

    def say(self, text: str) -> None:
        """On standard error, so that standard output has the result alone."""
        print(text, file=sys.stderr, flush=True)

    async def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> str | None:
        """Put a question and wait for the typed line."""
        print(f"\n{typed_text(text, choices)}", file=sys.stderr, flush=True)
        return await self.typed.next()

    def person(self, settings: Settings) -> Person:
        """The same person, for a delivery into the can."""
        return Terminal(self.by, settings, self.typed)

    def watch(self, setup: Setup, decision: Decision) -> None:
        """Show a scan of a delivery."""
        self.lines(setup, decision)
