"""Restore of a backup: compared with the present folder, completed next to it, and exchanged for it atomically.

A power failure before the exchange leaves the old folder, after it the new one; the old one is put aside, never
removed. Knows files, chains and journals; must not know what the records say.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.ledger import BOOK_NAME
from rig.ledger.backup import BESIDE, FOLDER, Manifest, copy_file, files_of, is_database, unpack
from rig.ledger.book import Book, BookError, witness_of
from rig.ledger.chain import Record
from rig.ledger.files import sha256_of, sync_folder
from rig.ledger.journal import Journal, JournalError, JournalReader, StoredEvent, StoredProving
from rig.ledger.keeping import book_of, book_read, unsound
from rig.record import notes
from rig.record.proving import Event, Proving

_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
"""Of renameat2(2), Linux 3.15 and later."""
_ITSELF = "controller.lock"


@dataclass(frozen=True, slots=True)
class Restored:
    """What was restored, and its remarks."""

    manifest: Manifest
    record: Record | None
    """The book's record of the restore; None if the backup has no book."""
    said: tuple[str, ...] = ()
    """What is newer or different elsewhere, in words."""
    aside: Path | None = None
    """New path of the previous folder."""


def restore(backup: Path, folder: Path, journal_name: str, at: str, *, beside: Path | None = None) -> Restored:
    """Put a backup in place of a rig's ``folder``, and record the restore in its book at the time ``at``.

    Files that the backup lacks are kept, and a journal that goes further. Refused (BookError) if the backup is unsound,
    or if the present book or journal is sound and has what the backup lacks. Files from outside the folder go back to
    their place, or all into the folder ``beside``.
    """
    folder = folder.resolve()
    folder.parent.mkdir(parents=True, exist_ok=True)
    left = sorted(path.name for path in folder.parent.glob(f"{folder.name}.restoring-*"))
    try:
        with contextlib.ExitStack() as unless_ready:
            staging = Path(tempfile.mkdtemp(prefix=f"{folder.name}.restoring-", dir=folder.parent))
            unless_ready.callback(shutil.rmtree, staging, ignore_errors=True)
            manifest, record, said = _made_ready(backup, folder, journal_name, at, staging, beside)
            unless_ready.pop_all()
        aside = _exchanged(staging / FOLDER, folder, at)
    except OSError as error:
        raise BookError(
            f"{error.filename or folder}: cannot be written ({error.strerror or error}); check the disk, and that "
            f"{folder} is a plain folder, no mount point"
        ) from error
    shutil.rmtree(staging, ignore_errors=True)
    said += [f"{name} is left of a restore that was broken off: look whether it holds anything" for name in left]
    return Restored(manifest, record, tuple(said), aside)


def _made_ready(
    backup: Path, folder: Path, journal_name: str, at: str, staging: Path, beside: Path | None
) -> tuple[Manifest, Record | None, list[str]]:
    """Do everything but the exchange: the new folder is complete and on the disk."""
    manifest, fresh = unpack(backup, staging), staging / FOLDER
    fresh.mkdir(exist_ok=True)
    said = [*_book_in_place(folder, manifest, fresh), *_journal_in_place(folder, fresh, journal_name)]
    said += _carried_over(folder, fresh, (BOOK_NAME, journal_name))
    said += _rebuilt(fresh, journal_name)
    record = _noted(folder, fresh, manifest, at)
    said += _put_beside(staging, manifest, beside)
    _sync_tree(fresh)
    return manifest, record, said


# --- the present folder ---------------------------------------------------------------------------------------------


def _book_in_place(folder: Path, manifest: Manifest, fresh: Path) -> Iterator[str]:
    """Remarks on the present book; BookError if it is sound and has records that the backup lacks."""
    if not (folder / BOOK_NAME).exists():
        return
    fault = unsound(folder)
    if fault is not None:
        yield f"the book that was in place is put aside: {fault}"
        yield from _lost(folder, manifest)
        return
    with book_read(folder) as book:
        heads = book.heads()
    for truck, (serial, hash_) in heads.items():
        if serial and _hash_at(fresh, truck, serial) != hash_:
            count = manifest.records
            lacks = f"record {serial} of {truck!r}, which the backup of {count} records does not have"
            raise BookError(f"the book in {folder} is sound and holds {lacks}: kept. To lose it, put the folder aside")
    newer = manifest.records - sum(serial for serial, _ in heads.values())
    if newer:
        yield f"the backup has {newer} record(s) more than the book that was in place"


def _lost(folder: Path, manifest: Manifest) -> Iterator[str]:
    """Report how many records the present book had that the backup lacks."""
    with contextlib.suppress(OSError, ValueError):
        text = witness_of(folder / BOOK_NAME).read_text(encoding="utf-8")
        lost = sum(serial for serial, _ in json.loads(text).values()) - manifest.records
        if lost > 0:
            yield f"it had {lost} record(s) more than the backup: office, second copy or journal may have them"


def _hash_at(folder: Path, truck: str, serial: int) -> str | None:
    if not (folder / BOOK_NAME).exists():
        return None
    with book_read(folder) as book:
        return next((record.hash for record in book.every(truck, after=serial - 1, most=1)), None)


def _journal_in_place(folder: Path, fresh: Path, name: str) -> Iterator[str]:
    """Keep the present journal if it goes further; BookError if each has what the other lacks."""
    if not (folder / name).exists():
        return
    try:
        here = _rows_of(folder / name)
    except JournalError as error:
        yield f"the journal that was in place is put aside: {error}"
        return
    there = _rows_of(fresh / name) if (fresh / name).exists() else set()
    if not there - here:
        copy_file(folder / name, fresh / name)
        if further := here - there:
            yield f"the journal in place goes further than the backup's and is kept: {len(further)} row(s)"
    elif lost := here - there - _in_book(fresh):
        raise BookError(
            f"the journal in {folder} has {len(lost)} fill(s), proving(s) or event(s) that the backup lacks, and lacks "
            f"{len(there - here)} of the backup's: kept. To lose them knowingly, put the folder aside first"
        )


_Row = tuple[str, str, str]


def _rows_of(path: Path) -> set[_Row]:
    """Contents of a journal: fills begun, fills finished, its provings and its events."""
    with contextlib.closing(JournalReader(path)) as journal:
        begun = {("fill", fill.fill_id, "begun") for fill in journal.fills()}
        finished = {("fill", fill_id, "finished") for fill_id in journal.closed()}
        provings = {("proving", each.meter, _said(each.document)) for each in journal.provings()}
        events = {("event", str(each.kind), _said(each.what)) for each in journal.events()}
    return begun | finished | provings | events


def _said(document: object) -> str:
    return json.dumps(document, sort_keys=True)


def _in_book(folder: Path) -> set[_Row]:
    """The same for what was posted into a book."""
    if not (folder / BOOK_NAME).exists():
        return set()
    with book_read(folder) as book:
        ids = {key for kind in ("fill", "vessel", "return", "rinse") for key in book.keys(kind)}
        proven, noted = map(Proving.of, _every(book, "proving")), map(Event.of, _every(book, "event"))
        provings = {("proving", each.meter, _said(each.document_)) for each in proven}
        events = {("event", str(each.event), _said(each.what)) for each in noted}
    return {("fill", key, state) for key in ids for state in ("begun", "finished")} | provings | events


def _every(book: Book, kind: str) -> list[Record]:
    return [each for truck in book.own for each in book.every(truck) if each.kind == kind and each.corrects is None]


def _carried_over(folder: Path, fresh: Path, settled: Sequence[str]) -> Iterator[str]:
    """Keep files that the backup lacks; report which others differ. ``settled`` ones are skipped."""
    for path in files_of(folder):
        name = path.relative_to(folder)
        if name.as_posix() in settled:
            continue
        if not (fresh / name).exists():
            copy_file(path, fresh / name)
        elif not is_database(path) and sha256_of(path) != sha256_of(fresh / name):
            yield f"{name} was another one in place: it is put aside"


# --- completed ------------------------------------------------------------------------------------------------------


def _rebuilt(fresh: Path, journal_name: str) -> list[str]:
    """Rebuild provings and events that the journal lacks from the book, and continue the numbers of fills."""
    if not (fresh / BOOK_NAME).exists():
        return []
    with book_read(fresh) as book:
        provings = [
            StoredProving(number, each.at, said.meter, said.accepted, said.document_)
            for number, each in enumerate(_every(book, "proving"), 1)
            for said in (Proving.of(each),)
        ]
        events = [
            StoredEvent(said.event, said.number, each.at, said.by or "", said.what)
            for each in _every(book, "event")
            for said in (Event.of(each),)
        ]
    if not (provings or events):
        return []
    with contextlib.closing(Journal(fresh / journal_name)) as journal:
        count = journal.take_back(provings, events)
    return [f"{count} proving(s) and event(s) came back out of the book"] if count else []


def _noted(folder: Path, fresh: Path, manifest: Manifest, at: str) -> Record | None:
    if not (fresh / BOOK_NAME).exists():
        return None
    seen = None
    with contextlib.suppress(OSError, ValueError):
        text = witness_of(folder / BOOK_NAME).read_text(encoding="utf-8")
        seen = sum(serial for serial, _ in json.loads(text).values())
    with book_of(fresh) as book:
        said = notes.Restored(records=manifest.records, written_before=seen, backup_of=manifest.made_at)
        return book.note("restored", at, said)


def _put_beside(staging: Path, manifest: Manifest, beside: Path | None) -> Iterator[str]:
    """Put files back to their place outside the folder; if a different one is there, keep it and report."""
    for part in manifest.parts:
        if not part.name.startswith(f"{BESIDE}/"):
            continue
        source = staging / part.name
        target = Path(part.path) if beside is None else beside / Path(part.path).name
        if target.exists() and sha256_of(target) == part.sha256:
            continue
        if target.exists():
            target = target.with_name(f"{target.name}.restored")
            yield f"{part.path} is another one here and is kept; the backup's is {target}"
        temporary = target.with_name(f"{target.name}.part")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, temporary)
            _sync_file(temporary)
            temporary.replace(target)
        except OSError as error:
            raise BookError(f"{target}: cannot be written ({error.strerror}); check the folder") from error


# --- exchanged ------------------------------------------------------------------------------------------------------


def _sync_file(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _sync_tree(folder: Path) -> None:
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            sync_folder(path)
        else:
            _sync_file(path)
    sync_folder(folder)


def _exchanged(fresh: Path, folder: Path, at: str) -> Path | None:
    """Put ``fresh`` in place of ``folder``; returns the new path of the latter, None if it was empty."""
    parent = folder.absolute().parent
    held = folder.exists() and any(path.name != _ITSELF for path in folder.iterdir())
    if not folder.exists():
        fresh.rename(folder)
        sync_folder(parent)
        return None
    exchange(fresh, folder)
    sync_folder(parent)
    if not held:
        return None
    stem = f"{folder.name}.before-{at[:19].replace(':', '')}"
    names = [stem, *(f"{stem}-{number}" for number in range(2, 100))]
    aside = next(parent / name for name in names if not (parent / name).exists())
    fresh.rename(aside)
    sync_folder(parent)
    return aside


def exchange(one: Path, other: Path) -> None:
    """Exchange two folders atomically; OSError if the file system cannot."""
    library = ctypes.CDLL(None, use_errno=True)
    done = library.renameat2(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE)
    if done == 0:
        return
    number = ctypes.get_errno()
    if number not in (errno.EINVAL, errno.ENOSYS):
        raise OSError(number, os.strerror(number), str(other))
    # A file system without exchange, as on many sticks: two steps, between which the folder is missing.
    spare = one.with_name(f"{one.name}.old")
    other.rename(spare)
    one.rename(other)
    spare.rename(one)
