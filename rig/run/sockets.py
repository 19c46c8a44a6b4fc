"""The socket between the controller and its front end: its file in the rig's folder, and who is at the other end.

Only the controller's own user is heard: the file is theirs alone (0600), and the system names the user of each
connection. It must not know what is said.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

from rig.run.messages import LinkError
from rig.run.refused import Refused

_NAME = "page-{}.socket"
_IDS = 12
"""Bytes of the system's answer: process, user, group (socket(7), SO_PEERCRED)."""


def place_in(folder: Path) -> Path:
    """The file of this process's socket."""
    return folder / _NAME.format(os.getpid())


@contextlib.contextmanager
def bound_at(path: Path) -> Iterator[socket.socket]:
    """A socket that listens at ``path`` while the body runs; Refused where the folder cannot hold one."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as bound:
        try:
            _bind(bound, path)
        except OSError as error:
            raise Refused(
                f"{path}: the socket between controller and page cannot be made ({error.strerror}); check the disk and "
                "the folder"
            ) from error
        try:
            yield bound
        finally:
            path.unlink(missing_ok=True)


def _bind(bound: socket.socket, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    _remove_abandoned(path.parent)
    with _short(path) as name:
        path.unlink(missing_ok=True)
        bound.bind(name)
    # Nobody is let in before it listens.
    path.chmod(0o600)
    bound.listen()
    bound.setblocking(False)


def connected_to(path: Path) -> socket.socket:
    """A connection to the socket at ``path``; OSError, LinkError where another user listens there."""
    with contextlib.ExitStack() as failing:
        made = failing.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
        with _short(path) as name:
            made.connect(name)
        own_user(made)
        made.setblocking(False)
        failing.pop_all()
    return made


def own_user(connection: socket.socket) -> None:
    """Raise LinkError unless the other end belongs to this process's user."""
    _, user, _ = memoryview(connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _IDS)).cast("i")
    if user != os.geteuid():
        raise LinkError(f"user {user} is not the controller's")


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """The path by its open folder: a socket's name has 107 bytes at most (unix(7))."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


def _remove_abandoned(folder: Path) -> None:
    """Remove the files of controllers that were killed."""
    for path in folder.glob(_NAME.format("*")):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking, _short(path) as name:
            try:
                asking.connect(name)
            except ConnectionRefusedError:
                path.unlink(missing_ok=True)
            except OSError:
                continue
