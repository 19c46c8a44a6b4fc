"""The page in a process of its own, as `rig serve` starts it: serves until its standard input ends.

What it needs comes in on standard input, what it says of itself goes out on standard output: a byte a second; that also
ends it when nobody reads any more. Stop signals are for the controller, which ends the page last.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pickle
import signal
import socket
import sys
from pathlib import Path

from anyio import to_thread

from rig.panel.people import People
from rig.panel.process import BEAT_S, SERVING, STARTING, Start
from rig.panel.server import server_of
from rig.panel.web import Page
from rig.run.messages import LinkError
from rig.run.remote import reached

_STARTS_S = 0.05
_READERS = 4
"""Threads that read the book: with more of them STOP would wait longer for the interpreter's lock."""
_SWITCH_S = 0.001


async def _serve(start: Start) -> None:
    async with reached(start.settings, start.controller) as (rig, connected):
        page = Page(rig, People(Path(start.settings.rig.data)), start.config, start.code)
        server = server_of(page.app(), start.settings.panel)

        def end() -> None:
            # Streams finish by themselves instead of being cut off.
            page.hub.ended = server.should_exit = True

        async def beat() -> None:
            while True:
                os.write(sys.stdout.fileno(), SERVING if server.started else STARTING)
                await asyncio.sleep(BEAT_S if server.started else _STARTS_S)

        def asked_to_end() -> None:
            if not os.read(sys.stdin.fileno(), 1):
                asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
                end()

        to_thread.current_default_thread_limiter().total_tokens = _READERS
        asyncio.get_running_loop().add_reader(sys.stdin.fileno(), asked_to_end)
        beating = asyncio.create_task(beat())
        for task in (connected, beating):
            task.add_done_callback(lambda _: end())
        with socket.socket(fileno=start.bound) as bound:
            await server.serve(sockets=[bound])
        beating.cancel()
        with contextlib.suppress(asyncio.CancelledError, BrokenPipeError):
            await beating


def main() -> None:
    """Serve the page of the start that standard input brings."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    sys.setswitchinterval(_SWITCH_S)
    try:
        asyncio.run(_serve(pickle.load(sys.stdin.buffer)))
    except (LinkError, OSError) as error:
        sys.exit(f"rig: the page cannot be served: {error}")


if __name__ == "__main__":
    main()
