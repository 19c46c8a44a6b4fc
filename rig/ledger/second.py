"""A second copy of a rig's folder on another medium, updated incrementally after each record.

It has the layout of a backup, so it is restored by the same commands. Knows files, books and journals; must not know
what the records say.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from rig.ledger import BOOK_NAME
from rig.ledger.backup import BESIDE, FOLDER, MANIFEST, Manifest, Part, files_of, is_database
from rig.ledger.book import Book, BookError
from rig.ledger.chain import START
from rig.ledger.files import sha256_of, sync_folder
from rig.ledger.journal import JournalError
from rig.ledger.journal_schema import SCHEMA
from rig.ledger.keeping import book_of, book_read
from rig.ledger.writing import WritableBook
from rig.sentence import Wording

_BATCH = 500
_APPENDED = (("provings", "number"), ("events", "seq"), ("entries", "seq"))
_OTHER = (
    "SELECT 1 FROM main.fills AS own LEFT JOIN source.fills AS old USING (number) WHERE old.fill_id IS NOT own.fill_id"
)
"""Finds a fill that the source does not have: the copy is of another journal."""


def second_copy(
    folder: Path, place: Path, at: str, journal_name: str, beside: Sequence[str], about: Mapping[str, object]
) -> Path:
    """Update the copy of a rig's folder below ``place``; returns its path.

    BookError or JournalError if it cannot be written. A copy with another history, as after a restore, is put aside.
    """
    if not place.is_dir():
        raise BookError(
            Wording("copy.no_place", "{place}: is not there; is the medium in its place?")(place=str(place))
        )
    if not (folder / BOOK_NAME).exists():
        raise BookError(Wording("copy.no_book", "{folder}: there is no book to copy yet")(folder=str(folder)))
    try:
        with book_read(folder) as book:
            own = place / book.truck
            (own / FOLDER).mkdir(parents=True, exist_ok=True)
            try:
                heads = _book(book, own / FOLDER)
                _journal(folder / journal_name, own / FOLDER / journal_name)
            except _OtherPastError:
                _aside(own)
                (own / FOLDER).mkdir(parents=True)
                heads = _book(book, own / FOLDER)
                _journal(folder / journal_name, own / FOLDER / journal_name)
            parts = _files(folder, own, beside)
            manifest = Manifest(str(at), book.truck, heads, tuple(parts), (), dict(about))
        text = json.dumps(manifest.as_json(), ensure_ascii=False)
        _replace(own / MANIFEST, text.encode())
        sync_folder(own)
    except OSError as error:
        raise BookError(
            Wording("copy.not_written", "{place}: cannot be written ({error})")(
                place=str(error.filename or place), error=str(error.strerror or error)
            )
        ) from error
    return own


class _OtherPastError(RuntimeError):
    """The content of the medium is not the beginning of what is to be copied."""


def _aside(own: Path) -> None:
    name = next(name for n in range(1, 1000) if not (name := own.with_name(f"{own.name}.before-{n}")).exists())
    own.rename(name)


def _book(book: Book, into: Path) -> dict[str, tuple[int, str]]:
    with book_of(into, book.truck) as copy:
        for truck in book.heads():
            _chain(book, copy, truck)
        return copy.heads()


def _chain(book: Book, copy: WritableBook, truck: str) -> None:
    serial, hash_ = copy.heads().get(truck, (0, START))
    if serial:
        here = next(iter(book.every(truck, after=serial - 1, most=1)), None)
        if here is None or here.hash != hash_:
            raise _OtherPastError
    while records := list(book.every(truck, after=serial, most=_BATCH)):
        copy.take_in(records)
        serial = records[-1].serial


def _journal(source: Path, into: Path) -> None:
    """Copy new rows and those that may have changed: unfinished fills and the rig's memory; in one commit."""
    if not source.exists():
        return
    try:
        with contextlib.closing(sqlite3.connect(into, isolation_level=None, timeout=5, uri=True)) as db:
            db.executescript(SCHEMA)
            db.execute("ATTACH ? AS source", (f"{source.absolute().as_uri()}?mode=ro",))
            db.execute("BEGIN IMMEDIATE")
            if db.execute(_OTHER).fetchone() is not None:
                raise _OtherPastError
            _rows(db)
            db.execute("COMMIT")
    except sqlite3.Error as error:
        raise JournalError(
            Wording("copy.no_journal", "{path}: cannot be written ({error}); is the medium full or failing?")(
                path=str(into), error=str(error)
            )
        ) from error


def _rows(db: sqlite3.Connection) -> None:
    unfinished = "SELECT fill_id FROM main.fills WHERE record IS NULL"
    new = "number > (SELECT COALESCE(MAX(number), 0) FROM main.fills)"
    db.execute(f"INSERT OR REPLACE INTO main.fills SELECT * FROM source.fills WHERE {new} OR fill_id IN ({unfinished})")
    for table, key in _APPENDED:
        last = f"SELECT COALESCE(MAX({key}), 0) FROM main.{table}"
        db.execute(f"INSERT INTO main.{table} SELECT * FROM source.{table} WHERE {key} > ({last})")
    db.execute("DELETE FROM main.entries WHERE seq NOT IN (SELECT seq FROM source.entries)")
    db.execute("DELETE FROM main.memory")
    db.execute("INSERT INTO main.memory SELECT * FROM source.memory")


def _files(folder: Path, own: Path, beside: Sequence[str]) -> list[Part]:
    """Copy other files that changed; returns all parts of the copy."""
    sources = [(f"{FOLDER}/{path.relative_to(folder).as_posix()}", path, "") for path in files_of(folder)]
    sources += [(f"{BESIDE}/{number}-{Path(name).name}", Path(name), name) for number, name in enumerate(beside)]
    parts = []
    for name, source, path in sources:
        target, mode = own / name, source.stat().st_mode & 0o777
        if not is_database(source):
            hash_ = sha256_of(source)
            if not target.exists() or sha256_of(target) != hash_:
                target.parent.mkdir(parents=True, exist_ok=True)
                _replace(target, source.read_bytes())
                # Some media do not support file modes.
                with contextlib.suppress(OSError):
                    shutil.copymode(source, target)
        elif target.exists():
            hash_ = ""
        else:
            continue
        parts.append(Part(name, path or name.partition("/")[2], target.stat().st_size, hash_, mode))
    return parts


def _replace(target: Path, content: bytes) -> None:
    # The page's process and a command may do this at the same time.
    fresh = target.with_name(f"{target.name}.{os.getpid()}.part")
    with fresh.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(target)
