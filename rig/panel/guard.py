"""Requirements on every request and response of the page: headers, host, origin. It must not know people.

Policy: no external content, nothing inline but STOP's script, no frame. The headers are from OWASP's list of secure
headers.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from rig.panel.shell import SCRIPT_HASH

HEADERS = {
    "Content-Security-Policy": (
        f"default-src 'none'; script-src 'self' '{SCRIPT_HASH}'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
OWN_HEADER = "x-rig"
"""Another site's page cannot send it without a preflight request, which is never answered."""
_LARGEST_BODY = 65536
"""Enough for a whole configuration, far less than a photograph."""
PICTURE = "/api/tag"
"""Takes a photograph, made small by the page."""
_LARGEST_PICTURE = 1_000_000


class Guarded:
    """Wraps the page: refuses requests with another host name or from another site, adds headers to every response."""

    def __init__(self, app: ASGIApp, names: Collection[str] = (), *, https: bool = False) -> None:
        self._app = app
        self._names = {name.casefold() for name in names} | {"localhost"}
        self._headers = dict(HEADERS)
        if https:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = message.get("headers", [])
                said = {name for name, _ in given}
                own = [(name.lower().encode(), text.encode()) for name, text in self._headers.items()]
                message["headers"] = [*given, *(each for each in own if each[0] not in said)]
            await send(message)

        refusal = self._refusal(Request(scope))
        await (refusal or self._app)(scope, receive, dressed)

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if not self._known(host):
            # A foreign name that resolves to this rig must not give access to it through a browser (DNS rebinding).
            return PlainTextResponse("unknown host: add it to panel.names, at an office by --page-name", 421)
        if request.method in ("GET", "HEAD"):
            return None
        origin = request.headers.get("origin")
        if OWN_HEADER not in request.headers or (origin is not None and urlsplit(origin).netloc != host):
            return PlainTextResponse("not from this page", 403)
        length = request.headers.get("content-length", "")
        largest = _LARGEST_PICTURE if request.url.path == PICTURE else _LARGEST_BODY
        if not length.isdigit() or int(length) > largest:
            return PlainTextResponse("too long", 413)
        return None

    def _known(self, host: str) -> bool:
        name = (urlsplit(f"//{host}").hostname or "").casefold()
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        return True
