"""The address of a page: a socket that listens there, whoever serves it."""

from __future__ import annotations

import socket


class PageError(RuntimeError):
    """The page cannot be served; the text says what to do."""


def listening(host: str, port: int) -> socket.socket:
    """Bind a socket to an address; PageError when that is in use or not available."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Its connections get TCP_NODELAY from asyncio only where the protocol is stated.
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        raise PageError(f"{host} port {port}: cannot be listened at ({error.strerror}); take another port") from error
    return bound
