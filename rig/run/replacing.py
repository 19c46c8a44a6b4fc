"""A file replaced as a whole: complete on disk before it takes the old one's place."""

from __future__ import annotations

import os
from pathlib import Path


def replace_file(path: Path, text: str, *, keep: bool = False, mode: int | None = None) -> None:
    """Write the new file completely, then put it in the old one's place; OSError. ``keep``: a copy of the old stays.

    It gets the old one's mode, or the ``mode`` that is given.
    """
    fresh = path.with_name(f"{path.name}.new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    if mode is not None:
        fresh.chmod(mode)
    elif path.exists():
        fresh.chmod(path.stat().st_mode & 0o777)
    if keep and path.exists():
        path.with_name(f"{path.name}.before").write_bytes(path.read_bytes())
    fresh.replace(path)
