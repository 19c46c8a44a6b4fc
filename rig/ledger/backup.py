"""A backup: everything a rig needs in one verified file with a manifest, taken while the rig works.

It is a ZIP file (PKWARE APPNOTE 6.3): every file of the rig's folder, the configuration, the files that it names, and a
manifest with the hash of each. Knows files, chains and journals; must not know what the records say.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath

from rig.ledger import BOOK_NAME
from rig.ledger.black_box import RING_SUFFIX
from rig.ledger.book import Book, BookError
from rig.ledger.chain import Head
from rig.ledger.files import sha256_of, sync_folder
from rig.ledger.keeping import book_read
from rig.ledger.readonly import open_read_only

MANIFEST = "manifest.json"
FOLDER, BESIDE = "folder", "beside"
"""Folders in a backup: files of the rig's folder, and files from outside it."""
_FORMAT = 1
_LEFT = (
    "*.lock", "*-wal", "*-shm", "*-journal", "*.new", "*.part", "*.before-*", f"{BOOK_NAME}.head*", f"*{RING_SUFFIX}",
    "page.pem", "truck.key", "truck-next.key", "office.key", "people-heard.json", "office-exchange.json",
)  # fmt: skip
"""Files that a backup leaves out: locks, logs (contained in a copied database), partial files, what is overwritten all
the time, private keys, what was heard of the office. The book's witness is recreated, and so is the page's key; a
restored truck joins its office again, and follows its words on people anew."""
_SQLITE = b"SQLite format 3\0"
_CHUNK = 1 << 20
_DAMAGED = (KeyError, zipfile.BadZipFile, EOFError, zlib.error, NotImplementedError, RuntimeError, ValueError, OSError)
"""Errors of the library for a file in which any byte may be corrupt."""
Facts = Callable[[Path], Mapping[str, object]]
"""Key figures of a folder, compared in a restore drill."""


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a backup."""

    name: str
    """Path in the backup, with slashes."""
    path: str
    """Original path: in the rig's folder, or as named by the configuration or the command."""
    size: int
    sha256: str
    mode: int = 0o600
    """File mode; by default readable by the rig's own user only."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """Contents of a backup."""

    made_at: str
    truck: str = ""
    """Id of the book."""
    heads: Mapping[str, Head] = field(default_factory=dict)
    parts: tuple[Part, ...] = ()
    left_out: tuple[str, ...] = ()
    """What was left out on purpose, and why, in words."""
    about: Mapping[str, object] = field(default_factory=dict)
    """The program's version, the clock's status, the folder and the configuration as named."""
    facts: Mapping[str, object] = field(default_factory=dict)
    format: int = _FORMAT

    @property
    def records(self) -> int:
        """Number of records of its book."""
        return sum(serial for serial, _ in self.heads.values())

    def as_json(self) -> dict[str, object]:
        """One JSON document."""
        return asdict(self)


# --- taken ----------------------------------------------------------------------------------------------------------


def back_up(
    folder: Path,
    into: Path,
    at: str,
    *,
    beside: Sequence[str] = (),
    left_out: Sequence[str] = (),
    about: Mapping[str, object] | None = None,
    facts: Facts | None = None,
) -> Manifest:
    """Write a verified backup of a rig's ``folder`` and the outside files ``beside`` into the new file ``into``.

    BookError if there is nothing to back up, if the file exists or cannot be written, or if the copy is unsound: then
    no file is left behind.
    """
    if not any(is_database(path) for path in files_of(folder)):
        raise BookError(f"{folder}: there is neither a book nor a journal yet; nothing was filled from here")
    if into.exists():
        raise BookError(f"{into}: is there already; a backup replaces nothing, take another name")
    part = into.with_name(f"{into.name}.part")
    try:
        with tempfile.TemporaryDirectory(prefix="rig-backup-") as name:
            staged = Path(name)
            parts = _staged(folder, beside, staged)
            manifest = Manifest(str(at), "", {}, tuple(parts), tuple(left_out), dict(about or {}))
            manifest = _with_contents(manifest, staged / FOLDER, facts)
            _pack(staged, manifest, part)
        _verify_packed(part)
        part.replace(into)
        sync_folder(into.parent)
    except OSError as error:
        raise BookError(f"{into}: cannot be written ({error.strerror or error}); check the disk, the folder") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    return manifest


def files_of(folder: Path) -> list[Path]:
    """The files of a rig's folder that a backup takes; the book first.

    A fill that ends during the copy is then at least in the journal, and every number in the book's copy is in the
    journal's too.
    """
    found = [path for path in sorted(folder.rglob("*")) if path.is_file() and not _is_left(path)]
    return sorted(found, key=lambda path: path.name != BOOK_NAME)


def _is_left(path: Path) -> bool:
    return any(fnmatch(path.name, pattern) for pattern in _LEFT)


def is_database(path: Path) -> bool:
    """Whether a file is a SQLite database, by its first bytes."""
    with contextlib.suppress(OSError), path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE
    return False


def copy_file(source: Path, into: Path) -> None:
    """Copy a file; a database in a consistent state even while in use. OSError, BookError."""
    into.parent.mkdir(parents=True, exist_ok=True)
    if not is_database(source):
        shutil.copy(source, into)
        return
    try:
        with contextlib.closing(open_read_only(source)) as old, contextlib.closing(sqlite3.connect(into)) as new:
            old.backup(new)
    except sqlite3.Error as error:
        raise BookError(f"{source}: cannot be copied to {into} ({error}); check the disk and the folder") from error


def _staged(folder: Path, beside: Sequence[str], staged: Path) -> list[Part]:
    """Copy everything, so that what is hashed and packed cannot change meanwhile."""
    parts = []
    sources = [(f"{FOLDER}/{path.relative_to(folder).as_posix()}", path, "") for path in files_of(folder)]
    sources += [(f"{BESIDE}/{place}-{Path(name).name}", Path(name), name) for place, name in enumerate(beside)]
    for name, source, path in sources:
        copy = staged / name
        copy_file(source, copy)
        mode = source.stat().st_mode & 0o777
        parts.append(Part(name, path or name.partition("/")[2], copy.stat().st_size, sha256_of(copy), mode))
    return parts


def _with_contents(manifest: Manifest, folder: Path, facts: Facts | None) -> Manifest:
    """The manifest with the contents of the copied book and journal; BookError if one is unsound."""
    truck, heads = contents_of(folder)
    found = dict(facts(folder)) if facts is not None else {}
    return Manifest(
        manifest.made_at, truck, heads, manifest.parts, manifest.left_out, manifest.about, found, manifest.format
    )


def contents_of(folder: Path) -> tuple[str, dict[str, Head]]:
    """Id and heads of the book in a folder; empty without one. BookError if a database in it is unsound."""
    for path in files_of(folder):
        if is_database(path):
            _check_database(path)
    if not (folder / BOOK_NAME).exists():
        return "", {}
    with book_read(folder) as book:
        _check_book(book, folder / BOOK_NAME)
        return book.truck, book.heads()


def _check_book(book: Book, path: Path) -> None:
    found = book.faults()
    if found:
        raise BookError(f"{path}: the copy is unsound: {found[0]}")


def _check_database(path: Path) -> None:
    try:
        with contextlib.closing(open_read_only(path)) as database:
            said = database.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except (sqlite3.Error, OSError) as error:
        raise BookError(f"{path}: the copy is unsound: {error}") from error
    if said != "ok":
        raise BookError(f"{path}: the copy is unsound: {said}")


def _pack(staged: Path, manifest: Manifest, into: Path) -> None:
    text = json.dumps(manifest.as_json(), ensure_ascii=False, indent=1)
    with contextlib.suppress(FileNotFoundError):
        into.unlink()
    # It contains names and PIN hashes: readable by the rig's own user only, if the medium has users.
    handle = os.open(into, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w+b") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr(MANIFEST, text)
            for part in manifest.parts:
                packed.write(staged / part.name, part.name)
        file.flush()
        os.fsync(file.fileno())


def _verify_packed(path: Path) -> None:
    """Read back and verify what was written."""
    with contextlib.closing(_opened(path)) as packed:
        for part in _manifest_in(packed, path).parts:
            _copy_part(packed, part, path, None)


# --- read -----------------------------------------------------------------------------------------------------------


def read_manifest(path: Path) -> Manifest:
    """The manifest of a backup; for a book alone, as copied by earlier versions, a minimal one. BookError."""
    if not path.exists():
        raise BookError(f"{path}: no such file")
    if is_database(path):
        return Manifest("", parts=(Part(f"{FOLDER}/{BOOK_NAME}", BOOK_NAME, path.stat().st_size, ""),), format=0)
    if path.is_dir():
        return _manifest_of(_text_of(path / MANIFEST), path)
    with contextlib.closing(_opened(path)) as packed:
        return _manifest_in(packed, path)


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BookError(f"{path}: cannot be read ({error}); is this folder a copy of a rig?") from error


def _opened(path: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except _DAMAGED as error:
        raise BookError(f"{path}: is no backup, or is cut off ({error}); take another one") from error


def _manifest_in(packed: zipfile.ZipFile, path: Path) -> Manifest:
    try:
        text = packed.read(MANIFEST).decode()
    except _DAMAGED as error:
        raise BookError(f"{path}: is no backup of a rig, or is damaged ({error}); take another one") from error
    return _manifest_of(text, path)


def _manifest_of(text: str, path: Path) -> Manifest:
    try:
        found = json.loads(text)
        if found["format"] > _FORMAT:
            raise BookError(f"{path}: was written by a later version of the program; install that one first")
        parts = tuple(Part(**each) for each in found["parts"])
        heads = {truck: (int(serial), str(hash_)) for truck, (serial, hash_) in found["heads"].items()}
        manifest = Manifest(**{**found, "parts": parts, "heads": heads, "left_out": tuple(found["left_out"])})
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise BookError(f"{path}: its manifest cannot be read ({error}); take another backup") from error
    for part in parts:
        name = PurePosixPath(part.name)
        if name.is_absolute() or ".." in name.parts or name.parts[0] not in (FOLDER, BESIDE):
            raise BookError(f"{path}: {part.name!r} does not belong into a backup; take another one")
    return manifest


def unpack(path: Path, into: Path) -> Manifest:
    """Unpack and verify a backup into the folder ``into``; returns its manifest. BookError."""
    manifest = read_manifest(path)
    try:
        if is_database(path):
            copy_file(path, into / FOLDER / BOOK_NAME)
        elif path.is_dir():
            for part in manifest.parts:
                copy_file(path / part.name, into / part.name)
        else:
            with contextlib.closing(_opened(path)) as packed:
                for part in manifest.parts:
                    _copy_part(packed, part, path, into / part.name)
                    (into / part.name).chmod(part.mode & 0o777)
    except OSError as error:
        raise BookError(f"{path}: cannot be unpacked ({error.strerror or error}); check the disk") from error
    truck, heads = contents_of(into / FOLDER)
    return Manifest(
        manifest.made_at, truck, heads, manifest.parts, manifest.left_out, manifest.about, manifest.facts,
        manifest.format,
    )  # fmt: skip


def _copy_part(packed: zipfile.ZipFile, part: Part, path: Path, into: Path | None) -> None:
    """Read a part and verify its hash; write it if ``into`` is given."""
    found = hashlib.sha256()
    try:
        with packed.open(part.name) as source, _written(into) as write:
            while chunk := source.read(_CHUNK):
                found.update(chunk)
                write(chunk)
    except _DAMAGED as error:
        raise BookError(f"{path}: {part.name} is damaged ({error}); take another backup") from error
    if found.hexdigest() != part.sha256:
        raise BookError(f"{path}: {part.name} is not what was backed up; take another backup")


@contextlib.contextmanager
def _written(into: Path | None) -> Iterator[Callable[[bytes], object]]:
    if into is None:
        yield len
        return
    into.parent.mkdir(parents=True, exist_ok=True)
    with into.open("wb") as file:
        yield file.write
