"""A page's server: in the loop that runs it, or in a thread of its own beside other work.

Stop signals remain with the work: the server installs no handlers and ends on request.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from rig.panel.listening import PageError
from rig.run.shop_panel import PanelTable

_END_S = 5.0


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Install no handlers: outputs go off first, and the page ends last."""
        yield


def server_of(app: ASGIApp, panel: PanelTable) -> uvicorn.Server:
    """The server of ``app``; its ``serve`` runs until ``should_exit`` is set."""
    return _Server(
        uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=1,
            server_header=False,
            # An address is what the connection says, never a header that anybody can write.
            proxy_headers=False,
            ws="none",
            ssl_certfile=panel.certificate or None,
            ssl_keyfile=panel.key or None,
        )
    )


@contextlib.contextmanager
def served(app: ASGIApp, panel: PanelTable, bound: socket.socket) -> Iterator[None]:
    """Serve ``app`` at ``bound`` in a thread while the body runs."""
    server = server_of(app, panel)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, name="page", daemon=True)
    ready = threading.Event()

    def wait() -> None:
        while not server.started and thread.is_alive():
            ready.wait(0.02)

    thread.start()
    wait()
    if not server.started:
        raise PageError("the page did not start; see the message above")
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(_END_S)
