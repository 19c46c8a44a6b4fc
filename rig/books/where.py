"""Common parts of the book's commands: selection of the book, options, output. Computes nothing else."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TypeVar

from rig.cli.table import DATA, DEMO_CONFIG, Add
from rig.ledger import BOOK_NAME
from rig.run.clock_memory import now_in, utc_now
from rig.run.refused import Refused
from rig.run.settings import Settings, load_settings
from rig.sentence import Wording
from rig.shop.plausible import Doubtful
from rig.shop.posting import JOURNAL_NAME, book_to_write, not_posted
from rig.shop.second_copy import after_record

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.writing import WritableBook


class _Words(argparse.ArgumentParser):
    """Raises Refused on invalid options instead of ending the program."""

    def error(self, message: str) -> NoReturn:
        raise Refused(message)


def options_of(add_commands: Callable[[Add], None], name: str, words: Sequence[str]) -> argparse.Namespace:
    """Parse words like the command ``name``, for front ends other than the command line; Refused for invalid ones."""
    made: dict[str, argparse.ArgumentParser] = {}

    def add(command: str, _run: object) -> argparse.ArgumentParser:
        made[command] = _Words()
        return made[command]

    add_commands(add)
    return made[name].parse_args(words)


def add_config(command: argparse.ArgumentParser) -> None:
    """The option that selects the rig."""
    command.add_argument("--config", type=Path, default=DEMO_CONFIG, help="the rig (default: %(default)s)")


def add_sure(command: argparse.ArgumentParser) -> None:
    """The option by which a person confirms an implausible entry."""
    command.add_argument("--sure", action="store_true", help="it is so, though it can hardly be")


T = TypeVar("T")


def surely(options: argparse.Namespace, enter: Callable[[], T]) -> T:
    """Carry out an entry; if implausible, ask for confirmation at a terminal, elsewhere refuse it (Doubtful)."""
    try:
        return enter()
    except Doubtful as doubt:
        if options.json or not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        print("\n".join(f"  ? {each}" for each in doubt.doubts), file=sys.stderr)
        print("Is it so? [y/N] ", end="", file=sys.stderr, flush=True)
        if sys.stdin.readline().strip().lower() not in ("y", "yes"):
            raise Refused("not kept") from doubt
    options.sure = True
    return enter()


def settings_of(options: argparse.Namespace) -> Settings | None:
    """The rig's settings, None if there is no such file."""
    return load_settings(options.config) if options.config.exists() else None


def folder_of(options: argparse.Namespace) -> Path:
    """The folder of the rig's records."""
    settings = settings_of(options)
    return Path(settings.rig.data) if settings else DATA


@contextlib.contextmanager
def book_asked(options: argparse.Namespace) -> Iterator[Book]:
    """The rig's book, for reading; Refused if there is neither a book nor a configuration.

    Finished fills that it lacks are reported on standard error.
    """
    from rig.ledger.keeping import book_or_empty

    folder = folder_of(options)
    if settings_of(options) is None and not _kept(folder):
        raise Refused(f"no book in {folder}: nothing was filled from here yet; say which rig by --config FILE")
    with book_or_empty(folder) as book:
        if waiting := not_posted(folder, book):
            print(f"rig: {_waiting(waiting)}", file=sys.stderr)
        yield book


def _kept(folder: Path) -> bool:
    """Whether the folder contains a rig's records."""
    return any((folder / name).exists() for name in (JOURNAL_NAME, BOOK_NAME))


def _waiting(fill_ids: Sequence[str]) -> str:
    return (
        f"{len(fill_ids)} finished fill(s) of the journal are not in the book yet (the latest is {fill_ids[-1]}): "
        "`rig ledger post` enters them"
    )


@contextlib.contextmanager
def book_written(options: argparse.Namespace) -> Iterator[WritableBook]:
    """The rig's book, for writing, with everything from the journal posted.

    Refused without a book, a journal and a configuration: a mistaken folder gets no book.
    """
    settings, folder = settings_of(options), folder_of(options)
    if settings is None and not _kept(folder):
        raise Refused(f"no journal in {folder}: nothing was filled from here yet; say which rig by --config FILE")
    name, simulated = (settings.rig.name, settings.rig.simulated) if settings else ("rig", True)
    with book_to_write(folder, name, simulated=simulated) as book:
        yield book
    if settings is not None and (fault := after_record(settings)):
        print(f"rig: {fault}", file=sys.stderr)


def now() -> str:
    """The time for a record."""
    return utc_now()


def day_of(options: argparse.Namespace) -> tuple[str, str]:
    """Begin of a local day and of the next, in the format of record times; by default today by the rig's clock."""
    try:
        if options.date is None:
            day = datetime.fromisoformat(now_in(folder_of(options))).astimezone().date()
        else:
            day = date.fromisoformat(options.date)
    except ValueError as error:
        raise Refused(f"--date {options.date}: write for example 2026-11-25") from error
    ends = (datetime(each.year, each.month, each.day).astimezone() for each in (day, day + timedelta(days=1)))
    since, until = (end.astimezone(UTC).isoformat(timespec="milliseconds") for end in ends)
    return since, until


def iso_day(text: str, name: str) -> str:
    """A day as records have it; Refused for anything else, by the name of what it was given for."""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise Refused(
            Wording("refused.day", "{name} {text}: write for example 2026-12-01")(name=name, text=text)
        ) from error


def print_answer(options: argparse.Namespace, document: object, text: str) -> None:
    """Print the answer: for a person, or as one JSON document."""
    print(json.dumps(document, ensure_ascii=False) if options.json else text)


def local(at: str) -> str:
    """A record's time in local time, with its offset from UTC."""
    return datetime.fromisoformat(at).replace(tzinfo=UTC).astimezone().isoformat(" ", "seconds")
