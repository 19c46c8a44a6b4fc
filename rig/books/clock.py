"""`rig clock`: trust in the clock, and its confirmation by a person; the one question before the first work."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from rig.books.where import add_config, book_written, folder_of, local, now, print_answer
from rig.cli.table import OK, Add
from rig.record.base import RecordError
from rig.record.notes import ClockSaid
from rig.run.clock_memory import confirm, leave_open, look
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.run.time_guard import Judged, asks, iso
from rig.sentence import Wording, said_by
from rig.shop.posting import book_to_write

KIND = "clock"
"""Kind of the record of a person's statement on the clock."""
_TRIES = 3
_EXAMPLE = "2026-11-28 14:05"


def add_clock(add: Add) -> None:
    """The command ``clock``."""
    command = add("clock", clock_command)
    command.add_argument(
        "--confirm", nargs="?", const="", metavar="TIME", help=f'it is right; or the right local time: "{_EXAMPLE}"'
    )
    command.add_argument("--by", default="", metavar="NAME", help="who says so")
    add_config(command)


def clock_command(options: argparse.Namespace) -> int:
    """Show how far the clock is trusted, or store a person's confirmation."""
    folder = folder_of(options)
    if options.confirm is not None:
        at_s = typed_s(options.confirm) if options.confirm else None
        with book_written(options) as book:
            said = _confirmed(folder, at_s)
            book.note(KIND, now(), replace(said, by=options.by))
    judged, known, heard = look(folder)
    document = {
        "clock": judged.trust,
        "at": str(judged.moment),
        "clock_says": iso(heard.wall_s),
        "why": judged.why,
        "last_believed": None if known.believed is None else iso(known.believed.at_s),
        "synchronised": heard.synchronised,
        "battery": heard.battery,
    }
    print_answer(options, document, clock_text(judged, iso(heard.wall_s)))
    return OK


def typed_s(text: str) -> float:
    """A local time as typed, seconds since 1970; Refused with an example."""
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise Refused(
            Wording("clock.no_time", "'{text}' is no time: write day and time, for example {example}")(
                text=text, example=_EXAMPLE
            )
        ) from error
    if len(text.strip()) <= len("2026-11-28"):
        raise Refused(
            Wording("clock.no_hour", "'{text}': the time of day is missing: write for example {example}")(
                text=text, example=_EXAMPLE
            )
        )
    return found.astimezone().timestamp()


def _confirmed(folder: Path, at_s: float | None) -> ClockSaid:
    """Store a person's statement; returns it for the book. Refused for an impossible time."""
    _, _, heard = look(folder)
    try:
        confirm(folder, at_s)
    except ValueError as error:
        raise Refused(said_by(error)) from error
    return ClockSaid(clock_showed=iso(heard.wall_s), confirmed=iso(heard.wall_s if at_s is None else at_s))


def clock_text(judged: Judged, shows: str) -> str:
    """Trust in the clock, for a person."""
    if judged.trust == "not believed":
        return (
            f"the clock shows {local(shows)} and is not believed: {judged.why}.\n  Records are dated just after "
            f"{local(judged.moment)}, in their order, until it is known: rig clock --confirm [TIME]"
        )
    set_ = f"; the clock shows {local(shows)}: {judged.why or 'another time was confirmed'}" if judged.said_s else ""
    return f"{local(judged.moment)}, {judged.trust}{set_}"


def settle_clock(settings: Settings, by: str = "", ask: Callable[[], str] | None = None) -> None:
    """Ask once, before the first work of the day, if the clock is not trusted. A simulated rig is not asked.

    Work may begin whatever the answer: without one the records only state that their date is not known.
    """
    folder = Path(settings.rig.data)
    judged, known, heard = look(folder)
    if settings.rig.simulated or not asks(known, heard):
        return
    print(f"\n{clock_text(judged, iso(heard.wall_s))}", file=sys.stderr)
    for _ in range(_TRIES):
        print(f"Is it right? [y = yes, or the right time: {_EXAMPLE}, Enter = not known]", file=sys.stderr, flush=True)
        answer = (ask or sys.stdin.readline)().strip()
        if answer.lower() in ("", "n", "no"):
            break
        try:
            answered(settings, None if answer.lower() in ("y", "yes") else typed_s(answer), by)
        except Refused as error:
            print(f"  {error}", file=sys.stderr)
            continue
        return
    leave_open(folder)


def answered(settings: Settings, at_s: float | None, by: str) -> None:
    """Store a person's confirmation of the clock, in the book too; Refused for an impossible time.

    A faulty book is no obstacle here: it is reported when work begins.
    """
    folder = Path(settings.rig.data)
    said = _confirmed(folder, at_s)
    try:
        with book_to_write(folder, settings.rig.name, simulated=settings.rig.simulated) as book:
            book.note(KIND, now(), replace(said, by=by))
    except RecordError as error:
        print(f"rig: {error}", file=sys.stderr)
