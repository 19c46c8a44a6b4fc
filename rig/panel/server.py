"""The page's server in its own thread, so that no browser can delay the controller.

Stop signals remain with the controller: the server installs no handlers and ends on request.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from rig.run.shop_panel import PanelTable

_START_S = 15.0
_END_S = 5.0


class PageError(RuntimeError):
    """The page cannot be served; the text says what to do."""


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Install no handlers: outputs go off first, and the page ends last."""
        yield


def listening(host: str, port: int) -> socket.socket:
    """Bind a socket to an address; PageError when that is in use or not available."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        raise PageError(f"{host} port {port}: cannot be listened at ({error.strerror}); take another port") from error
    return bound


@contextlib.contextmanager
def served(app: ASGIApp, panel: PanelTable, bound: socket.socket) -> Iterator[None]:
    """Serve ``app`` at ``bound`` while the body runs."""
    server = _Server(
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
