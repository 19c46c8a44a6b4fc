"""Locks in the rig's folder that the system drops when a process ends, however it ends.

One controller per rig; and one maker of a file that others open at the same moment.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """While ``path`` is made or migrated: others wait, threads of this program too."""
    with path.with_name(f"{path.stem}.lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


class LockedError(RuntimeError):
    """The rig cannot be had: another controller holds it, or its folder cannot be written."""


class RigLock:
    """Held for as long as a controller may move this rig's pump."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "controller.lock"
        self._handle: int | None = None

    def __enter__(self) -> RigLock:
        """Take the lock; :class:`LockedError` says who holds it or what is wrong with the folder."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            self._take(self._handle)
        except OSError as error:
            self._drop()
            raise LockedError(
                f"{self._path}: the rig cannot be locked ({error.strerror}); check the disk and the folder"
            ) from error
        except LockedError:
            self._drop()
            raise
        return self

    @staticmethod
    def _take(handle: int) -> None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = os.read(handle, 32).decode(errors="replace").strip()
            raise LockedError(
                f"another controller (process {holder or 'unknown'}) runs this rig; stop it first"
            ) from error
        os.truncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())

    def _drop(self) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._drop()
