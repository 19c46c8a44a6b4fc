"""A folder that this program may not write, even where the tests run as root."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_NOBODY = 65534


@contextmanager
def read_only_folder() -> Iterator[Path]:
    """Root may write everywhere, so for the time being root acts as a nobody."""
    with tempfile.TemporaryDirectory() as name:
        folder, user = Path(name), os.geteuid()
        folder.chmod(0o555)
        if user == 0:
            os.seteuid(_NOBODY)
        try:
            yield folder
        finally:
            os.seteuid(user)
            folder.chmod(0o755)
