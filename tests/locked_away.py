"""A folder that may not be written, a file that may not be read, even where the tests run as root."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_NOBODY = 65534


@contextmanager
def _as_nobody() -> Iterator[None]:
    """Root may read and write everything, so for the time being root acts as a nobody."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(_NOBODY)
    try:
        yield
    finally:
        os.seteuid(user)


@contextmanager
def read_only_folder() -> Iterator[Path]:
    """A folder that this program may not write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o555)
        with _as_nobody():
            yield folder
        folder.chmod(0o755)


@contextmanager
def unreadable() -> Iterator[Path]:
    """A file that this program may not read."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "shop.toml"
        path.touch(0o000)
        Path(name).chmod(0o755)
        with _as_nobody():
            yield path
