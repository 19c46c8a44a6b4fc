"""Keeps the page's process running beside the controller: starts it, starts it anew when it has died or is frozen.

A thread that sleeps until the page says something: it costs the controller nothing, and sees a frozen page also while
the controller's loop waits for a lock that this page holds. It must not know requests.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pickle
import select
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from socket import socket

from rig.panel.listening import PageError
from rig.run.settings import Settings

_COMMAND = (sys.executable, *["-I"] * sys.flags.isolated, "-m", "rig.panel.child")
_START_S, _END_S = 60.0, 5.0
"""A small computer that is busy may take half a minute for the page's libraries. Assumed, no source."""
FROZEN_S = 30.0
"""A page that has said nothing for so long is killed, and the locks that it may hold go with it. Assumed, no source."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.5, 30.0
_WELL_S = 60.0
"""A page that has lived for so long is started anew without a longer pause."""
SERVING, STARTING = b"s", b"."
BEAT_S = 1.0


@dataclass(frozen=True, slots=True)
class Start:
    """What the page is started with."""

    settings: Settings
    """Those in force: the file may have been changed since."""
    config: str
    code: str
    """What the first person of a new rig enters themself with."""
    controller: Path
    """The controller's socket."""
    bound: int
    """The file descriptor of the socket to serve at."""


class PageProcess:
    """The page's process, or the next one in its place."""

    def __init__(self, start: bytes, bound: socket) -> None:
        """``start`` is what the process reads; ``bound`` stays open here, so nobody is refused while it is replaced."""
        self._start = start
        self._bound = bound
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._known = threading.Event()
        self._serves = False
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._keep, name="page's process", daemon=True)

    def start(self) -> None:
        """Start it and wait until it serves; PageError where it does not."""
        self._thread.start()
        self._known.wait(_START_S)
        if not self._serves:
            self.end()
            raise PageError("the page did not start; see the message above")

    def end(self) -> None:
        """End it: streams finish first, for a moment."""
        with self._lock:
            self._ending.set()
            process = self._process
        if process is not None:
            assert process.stdin is not None
            with contextlib.suppress(BrokenPipeError):
                process.stdin.close()
            self._thread.join(_END_S)
            process.kill()
        self._thread.join(_END_S)

    def _keep(self) -> None:
        pause_s = _FIRST_PAUSE_S
        while not self._ending.is_set():
            began_s = time.monotonic()
            how = self._lived()
            self._known.set()
            if self._ending.is_set() or not self._serves:
                return
            if time.monotonic() - began_s > _WELL_S:
                pause_s = _FIRST_PAUSE_S
            print(f"rig: the page's process has ended ({how}); it is started again", file=sys.stderr, flush=True)
            self._ending.wait(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _lived(self) -> str:
        """Start a process and listen to it until it has ended; how it ended."""
        try:
            process = self._spawned()
        except OSError as error:
            return str(error)
        if process is None:
            return "not started any more"
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(self._start)
            process.stdin.flush()
        self._listen(process)
        process.stdout.close()
        with contextlib.suppress(BrokenPipeError):
            process.stdin.close()
        status = process.wait()
        return f"signal {-status}" if status < 0 else f"status {status}"

    def _spawned(self) -> subprocess.Popen[bytes] | None:
        """A process; None once the end was asked for."""
        with self._lock:
            if not self._ending.is_set():
                self._process = subprocess.Popen(
                    _COMMAND,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    pass_fds=(self._bound.fileno(),),
                    # A terminal's interrupt is for the controller, which ends the page last.
                    start_new_session=True,
                )
                return self._process
        return None

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        """Hear its beats until it has ended; kill it where they stay out."""
        assert process.stdout is not None
        silence_s = _START_S
        while True:
            if not select.select([process.stdout], [], [], silence_s)[0]:
                process.kill()
            beats = os.read(process.stdout.fileno(), 4096)
            if not beats:
                return
            if SERVING in beats:
                self._serves, silence_s = True, FROZEN_S
                self._known.set()


@contextlib.asynccontextmanager
async def page_process(
    settings: Settings, config: str, code: str, controller: Path, bound: socket
) -> AsyncIterator[None]:
    """Serve the page at ``bound`` in a process of its own while the body runs; PageError where it does not start."""
    start = Start(settings, config, code, controller, bound.fileno())
    kept = PageProcess(pickle.dumps(start), bound)
    try:
        await asyncio.to_thread(kept.start)
        yield
    finally:
        await asyncio.to_thread(kept.end)
