"""Strictly read-only opening of a SQLite file: no file is created or changed, whoever owns it.

SQLite writes even when it only reads: the index of a write-ahead log, the rollback of an interrupted commit. If
reading in place would need that, a private copy is read instead. https://www.sqlite.org/wal.html#read_only_databases
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from pathlib import Path

_BUSY_S = 5.0
_WAL_VERSION = 2
"""Byte 18 of the header (read version): https://www.sqlite.org/fileformat.html#file_format_version_numbers."""


def open_read_only(path: Path) -> sqlite3.Connection:
    """A connection that reads ``path``; raises FileNotFoundError, OSError or sqlite3.Error."""
    with path.open("rb") as file:
        header = file.read(20)
    logged = len(header) > 18 and header[18] == _WAL_VERSION
    uri = f"{path.absolute().as_uri()}?mode=ro"
    if logged and not _beside(path, "-shm").exists():
        return _copied(path) if _beside(path, "-wal").exists() else _tried(f"{uri}&immutable=1")
    try:
        return _tried(uri)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
            raise
        # A writer was killed: its log or its interrupted commit needs recovery, which must not be done in place.
        return _copied(path)


def _tried(uri: str) -> sqlite3.Connection:
    """A connection that has read the file's first page."""
    connection = sqlite3.connect(uri, uri=True, check_same_thread=False, timeout=_BUSY_S)
    try:
        connection.execute("PRAGMA schema_version").fetchone()
        connection.execute("PRAGMA query_only=ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _copied(path: Path) -> sqlite3.Connection:
    """A connection to a copy in memory, made from the file with its log or its interrupted commit."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        for suffix in ("", "-wal", "-journal"):
            if _beside(path, suffix).exists():
                shutil.copyfile(_beside(path, suffix), _beside(copy, suffix))
        on_disk = sqlite3.connect(copy)
        try:
            found = sqlite3.connect(":memory:", check_same_thread=False)
            on_disk.backup(found)
        finally:
            on_disk.close()
    found.execute("PRAGMA query_only=ON")
    return found


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)
