"""Files that are whole after a power failure. Knows files alone."""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path


def write_private(path: Path, text: str) -> None:
    """Write a file that only its user can read, whole or not at all, and on the disk when this returns. OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make renames in a folder survive a power failure."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        # Some media do not support synchronising a folder.
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
