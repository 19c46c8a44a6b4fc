"""Locks: one controller per rig, from any folder and user; and one creator of a file that others open.

A rig is identified by its wires: each link's device, or host and port. Each is a name that the system grants to one
process of this machine at a time (an abstract Unix socket, subject to no folder's rights) and releases when that
process ends in any way. A refused process asks the holder's identity over the same socket. Processes in network
namespaces of their own, such as containers, do not see each other there: give them the host's network.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import ipaddress
import json
import os
import pwd
import socket
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType

from rig.sentence import Wording

_ASKING_S = 1.0
"""Time-out for the holder's answer, for example if stopped in a debugger; the system still knows its process."""
_MOST = 4096


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """Exclusive lock while ``path`` is created or migrated: other processes and threads wait."""
    with path.with_name(f"{path.stem}.lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


class LockedError(RuntimeError):
    """The rig is not available: another controller holds it, or its folder cannot be written."""


def serial_ends(port: str) -> set[str]:
    """All names of a serial port: as written, with links resolved, and by its device number."""
    file = Path(port)
    found = {f"serial {file.absolute()}", f"serial {file.resolve()}"}
    with contextlib.suppress(OSError):
        device = file.stat().st_rdev
        if device:
            found.add(f"device {os.major(device)}:{os.minor(device)}")
    return found


def tcp_ends(host: str, port: int) -> set[str]:
    """All addresses of a host and port; a host that cannot be resolved is known by its name only."""
    found = {host.lower().rstrip(".")}
    with contextlib.suppress(OSError, UnicodeError):
        found |= {str(address[4][0]) for address in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)}
    return {f"tcp {_plain(address)} {port}" for address in found}


def _plain(address: str) -> str:
    with contextlib.suppress(ValueError):
        number = ipaddress.ip_address(address)
        return str(getattr(number, "ipv4_mapped", None) or number)
    return address


class RigLock:
    """Lock held while a controller may run this rig's pump."""

    def __init__(self, folder: Path | None, ends: Iterable[str] = (), config: str = "") -> None:
        """``folder`` holds the records, ``ends`` name the wires; without them only the folder is locked.

        Without a folder only the wires are locked, and nothing is written.
        """
        self._path = None if folder is None else folder / "controller.lock"
        self._ends = sorted(set(ends))
        self._who = {
            "user": _user(os.getuid()),
            "process": os.getpid(),
            "command": " ".join(sys.argv),
            "config": str(Path(config).absolute()) if config else "",
            "folder": "" if folder is None else str(folder.absolute()),
            "since": datetime.now().astimezone().isoformat(" ", "seconds"),
        }
        self._handle: int | None = None
        self._sockets: list[socket.socket] = []
        self._threads: list[threading.Thread] = []

    def __enter__(self) -> RigLock:
        """Take the lock; :class:`LockedError` names the holder, where and since when, or the fault."""
        try:
            for end in self._ends:
                self._sockets.append(_taken(end))
            if self._path is not None:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
                self._take(self._handle)
        except OSError as error:
            self._drop()
            what = self._path or ", ".join(self._ends)
            words = Wording("lock.failed", "{what}: the rig cannot be locked ({error}); check the disk and the folder")
            raise LockedError(words(what=str(what), error=error.strerror or str(error))) from error
        except LockedError:
            self._drop()
            raise
        description = json.dumps(self._who).encode()
        for each in self._sockets:
            self._threads.append(threading.Thread(target=_answer, args=(each, description), daemon=True))
            self._threads[-1].start()
        return self

    def _take(self, handle: int) -> None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise _held_by(os.read(handle, _MOST)) from error
        os.truncate(handle, 0)
        os.write(handle, json.dumps(self._who).encode())

    def _drop(self) -> None:
        for each in self._sockets:
            # Wakes the waiting thread; the system keeps the name until it has ended.
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join()
        for each in self._sockets:
            each.close()
        self._sockets.clear()
        self._threads.clear()
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._drop()


def _name(end: str) -> str:
    """Name in the abstract namespace: begins with a null, hashed to the system's length limit."""
    return f"\0ballast-rig/{hashlib.sha256(end.encode()).hexdigest()[:40]}"


def _taken(end: str) -> socket.socket:
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        made.bind(_name(end))
        made.listen()
    except OSError as error:
        made.close()
        raise _held_by(_asked(end)) from error
    return made


def _answer(listening: socket.socket, description: bytes) -> None:
    """Answer every query until the lock is released."""
    with contextlib.suppress(OSError):
        while True:
            asking, _ = listening.accept()
            with asking, contextlib.suppress(OSError):
                asking.sendall(description)


def _asked(end: str) -> bytes:
    """The holder's own description; if it does not answer, its process and user from the system."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking, contextlib.suppress(OSError):
        asking.settimeout(_ASKING_S)
        asking.connect(_name(end))
        process, user, _ = memoryview(asking.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12)).cast("i")
        known: Mapping[str, object] = {"process": process, "user": _user(user)}
        with contextlib.suppress(OSError):
            return asking.recv(_MOST) or json.dumps(known).encode()
        return json.dumps(known).encode()
    return b""


def _held_by(description: bytes) -> LockedError:
    who: dict[str, object] = {}
    with contextlib.suppress(ValueError):
        found = json.loads(description)
        who = found if isinstance(found, dict) else {}
    named = {"user": "user", "command": "command", "config": "configuration", "folder": "folder", "since": "since"}
    about = "".join(f"\n  {text:<14} {who[key]}" for key, text in named.items() if who.get(key))
    words = Wording("lock.held", "another controller (process {process}) runs this rig; stop it first{about}")
    return LockedError(words(process=str(who.get("process", "?")), about=about))


def _user(number: int) -> str:
    with contextlib.suppress(KeyError):
        return pwd.getpwuid(number).pw_name
    return str(number)
