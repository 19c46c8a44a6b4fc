"""Files of the black box: lines of text in gzip files (RFC 1952), one for each part of a fill; `zcat` shows them.

A file can be read up to its last flush, whatever ended its writer. Knows files; must not know what the lines say.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import os
import time
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from rig.record.base import RecordError
from rig.sentence import Wording

FOLDER_NAME = "black-box"
"""In the rig's folder."""
RING_SUFFIX = ".ring"
"""Of files that are overwritten: no backup takes them."""
_SUFFIX = ".box.gz"
_CHUNK = 1 << 16
_DAY_S = 86400.0


class BoxError(RecordError):
    """A black box that is missing or cannot be read; the text says what to do."""


class BoxFile:
    """One file being written. Every method may raise OSError; after one of these only ``abandon`` is left."""

    def __init__(self, path: Path) -> None:
        """Begin the file; FileExistsError if it is there, but for a device."""
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = path.open("ab" if path.is_char_device() else "xb")
        self._packed = gzip.GzipFile(filename="", fileobj=self._file, mode="wb", compresslevel=6, mtime=0)

    def line(self, text: str) -> None:
        """Add a line; it is in the file after the next flush."""
        self._packed.write(f"{text}\n".encode())

    def flush(self, *, durable: bool) -> None:
        """Hand everything to the system, so that it outlives this process; ``durable``: a power failure as well."""
        self._packed.flush(zlib.Z_SYNC_FLUSH)
        self._file.flush()
        if durable:
            os.fdatasync(self._file.fileno())

    def close(self) -> None:
        """End the file."""
        self._packed.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()

    def abandon(self) -> None:
        """Leave the file as it is."""
        with contextlib.suppress(OSError, ValueError):
            self._packed.close()
        with contextlib.suppress(OSError):
            self._file.close()


def lines_of(path: Path) -> Iterator[str]:
    """The whole lines of a file, up to its last flush if it was not ended; BoxError if it is missing or damaged."""
    unpacked, rest = zlib.decompressobj(wbits=zlib.MAX_WBITS | 16), b""
    try:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                *lines, rest = (rest + unpacked.decompress(chunk)).split(b"\n")
                yield from (line.decode() for line in lines)
    except (OSError, zlib.error, UnicodeDecodeError) as error:
        raise BoxError(
            Wording(
                "box.broken", "{path}: this black box cannot be read to its end ({error}); take the copy from a backup"
            )(path=str(path), error=str(error))
        ) from error


def new_part(folder: Path, fill_id: str) -> Path:
    """Path of a fill's next part: a fill that is resumed has several."""
    return folder / FOLDER_NAME / f"{fill_id}.{1 + len(parts_of(folder, fill_id))}{_SUFFIX}"


def parts_of(folder: Path, fill_id: str) -> list[Path]:
    """The parts of a fill in the rig's ``folder``, in order; none if nothing was recorded."""
    return _parts_in(folder / FOLDER_NAME).get(fill_id, [])


def fills_in(folder: Path) -> dict[str, list[Path]]:
    """The parts of every fill in a rig's folder, or in a folder of black boxes; oldest fill first, by id."""
    inner = folder / FOLDER_NAME
    return _parts_in(inner if inner.is_dir() else folder)


def _parts_in(folder: Path) -> dict[str, list[Path]]:
    found: dict[str, list[tuple[int, Path]]] = {}
    for path in folder.glob(f"*{_SUFFIX}"):
        fill_id, _, number = path.name.removesuffix(_SUFFIX).rpartition(".")
        if fill_id and number.isdecimal():
            found.setdefault(fill_id, []).append((int(number), path))
    return {fill_id: [path for _, path in sorted(found[fill_id])] for fill_id in sorted(found)}


def hash_of(parts: Sequence[Path]) -> str:
    """SHA-256 of the parts one after another, hex. OSError."""
    found = hashlib.sha256()
    for path in parts:
        found.update(path.read_bytes())
    return found.hexdigest()


def prune(folder: Path, kept: str, *, days: float, most_mb: float) -> None:
    """Remove fills last written more than ``days`` ago, then the oldest until all take at most ``most_mb``.

    Never the fill ``kept``.
    """
    aged: list[tuple[float, float, list[Path]]] = []
    for fill_id, parts in fills_in(folder).items():
        stats = [path.stat() for path in parts]
        if fill_id != kept:
            aged.append((max(each.st_mtime for each in stats), sum(each.st_size for each in stats) / 1e6, parts))
    too_old_s, used_mb = time.time() - days * _DAY_S, sum(size_mb for _, size_mb, _ in aged)
    for at_s, size_mb, parts in sorted(aged):
        if at_s < too_old_s or used_mb > most_mb:
            used_mb -= size_mb
            for path in parts:
                path.unlink(missing_ok=True)


class Ring:
    """The latest minutes in two files: when the newer one is full it takes the place of the older."""

    def __init__(self, folder: Path, name: str, span_s: float) -> None:
        """A ring that holds at least the latest ``span_s`` seconds once it has run for so long."""
        self._newer, self._older = ring_files(folder, name)
        self._span_s = span_s
        self._file: BoxFile | None = None
        self._until_s = 0.0

    def begin(self, now_s: float) -> bool:
        """Begin a new file when the old one's time is over, at monotonic ``now_s``.

        Returns whether one was begun: the caller writes a complete first line into it.

        OSError.
        """
        if self._file is not None and now_s < self._until_s:
            return False
        self.close()
        if self._newer.exists():
            self._newer.replace(self._older)
        self._file, self._until_s = BoxFile(self._newer), now_s + self._span_s
        return True

    def line(self, text: str) -> None:
        """Add a line after ``begin``. OSError."""
        assert self._file is not None
        self._file.line(text)

    def flush(self) -> None:
        """Hand everything to the system. OSError."""
        if self._file is not None:
            self._file.flush(durable=False)

    def close(self) -> None:
        """End the file, as far as the disk allows; the next ``begin`` opens another."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                file.close()
            file.abandon()


def ring_files(folder: Path, name: str) -> tuple[Path, Path]:
    """The newer and the older file of a ring in the rig's ``folder``."""
    inner = folder / FOLDER_NAME
    return inner / f"{name}-new{RING_SUFFIX}", inner / f"{name}-old{RING_SUFFIX}"
