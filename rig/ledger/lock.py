"""One controller per rig: a lock on the rig's folder that the system drops when the process ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType


class LockedError(RuntimeError):
    """Another controller holds the rig."""


class RigLock:
    """Held for as long as a controller may move this rig's pump."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "controller.lock"
        self._handle: int | None = None

    def __enter__(self) -> RigLock:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(handle, 32).decode(errors="replace").strip()
            os.close(handle)
            raise LockedError(
                f"another controller (process {holder or 'unknown'}) runs this rig; stop it first"
            ) from error
        os.truncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())
        self._handle = handle
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
