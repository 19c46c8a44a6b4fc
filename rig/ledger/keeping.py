"""The book in a rig's folder: its path, its soundness, its export, and free disk space.

Knows files; must not know what the records say.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

from rig.ledger import BOOK_NAME
from rig.ledger.book import Book, BookError, EmptyBook, NoBookError, witness_of
from rig.ledger.chain import Record
from rig.ledger.writing import WritableBook
from rig.sentence import Wording, said_by

_TAIL = 200
"""Number of latest records verified before a fill."""


def book_of(folder: Path, truck: str | None = None) -> WritableBook:
    """The book in a rig's folder, for writing; created if missing, with the id ``truck`` if given."""
    return WritableBook(_url(folder / BOOK_NAME), truck)


def book_read(folder: Path) -> Book:
    """The book in a rig's folder, for reading; NoBookError if there is none."""
    return Book(_url(folder / BOOK_NAME))


def book_or_empty(folder: Path) -> Book:
    """The book in a rig's folder, for reading; an empty one in memory if none has been made."""
    try:
        return book_read(folder)
    except NoBookError:
        return EmptyBook("sqlite://")


def _url(path: Path) -> str:
    return f"sqlite:///{path}"


def unsound(folder: Path) -> str | None:
    """Why the book in ``folder`` forbids a new fill; None if its end is sound, or there is none yet."""
    try:
        with book_read(folder) as book:
            found = book.faults(tail=_TAIL)
    except NoBookError:
        # A power cut while it was being made leaves a file without tables.
        lost = witness_of(folder / BOOK_NAME).exists()
        gone = Wording("unsound.gone", "the ledger is unsound: {path} is gone; restore a backup of it")
        return gone(path=str(folder / BOOK_NAME)) if lost else None
    except BookError as error:
        return Wording("unsound.unread", "the ledger is unsound: {error}")(error=said_by(error))
    if not found:
        return None
    words = Wording(
        "unsound.faults",
        "the ledger is unsound: {fault}. `rig ledger verify` shows all; keep the folder as it is",
    )
    return words(fault=str(found[0]))


def disk_short(folder: Path, least_mb: float) -> str | None:
    """Why the disk has too little space for a fill's records; None if it has enough, or this is unknown."""
    there = next((each for each in (folder.absolute(), *folder.absolute().parents) if each.exists()), None)
    with contextlib.suppress(OSError):
        room = os.statvfs(there or "/")
        free_mb = room.f_bavail * room.f_frsize / 1e6
        if free_mb < least_mb:
            words = Wording(
                "unsound.disk",
                "the disk of {folder} has {free:number} MB left, {least:number} MB are needed: make room first",
            )
            return words(folder=str(folder), free=round(free_mb), least=least_mb)
    return None


def export(records: Iterable[Record], into: Path) -> tuple[int, Path, Path]:
    """Write every record, a line of JSON each, and a CSV table next to it; returns the count and both files.

    The lines hold all that is sealed: an independent program can verify the chain by them. If ``into`` has the suffix
    of a table, the lines get another name.
    """
    count, is_table = 0, into.suffix.lower() == ".csv"
    as_lines, as_table = (into.with_suffix(".jsonl"), into) if is_table else (into, into.with_suffix(".csv"))
    fields = ("truck", "serial", "kind", "key", "at", "job", "customer", "size", "fluid", "outcome", "net_l", "hash")
    try:
        with (
            as_lines.open("w", encoding="utf-8") as lines,
            as_table.open("w", encoding="utf-8-sig", newline="") as sheet,
        ):
            table = csv.writer(sheet)
            table.writerow(fields)
            for record in records:
                lines.write(json.dumps(asdict(record), ensure_ascii=False) + "\n")
                known = record.document | asdict(record)
                table.writerow([plain_cell(known.get(name)) for name in fields])
                count += 1
    except OSError as error:
        raise BookError(f"{into}: cannot be written ({error.strerror}); check the disk and the folder") from error
    return count, as_lines, as_table


def plain_cell(value: object) -> object:
    """A value for a table cell, escaped if a spreadsheet would run it as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
