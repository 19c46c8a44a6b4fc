"""A file that this program may not read, even where the tests run as root."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_NOBODY = 65534


@contextmanager
def unreadable() -> Iterator[Path]:
    """Root may read everything, so for the time being root acts as a nobody."""
    with tempfile.TemporaryDirectory() as name:
        path, user = Path(name) / "shop.toml", os.geteuid()
        path.touch(0o000)
        Path(name).chmod(0o755)
        if user == 0:
            os.seteuid(_NOBODY)
        try:
            yield path
        finally:
            os.seteuid(user)
