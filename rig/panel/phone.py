"""How a phone finds the page: its address as words and as a QR code. Must not know what the page shows."""

from __future__ import annotations

import contextlib
import io
import ipaddress

import segno

from rig.run.shop_panel import loopback


def address_of(host: str, port: int, *, own: str, https: bool) -> str:
    """The page's address when it listens at ``host``; ``own`` is the computer's address for a host of all networks."""
    shown = host
    with contextlib.suppress(ValueError):
        if ipaddress.ip_address(host).is_unspecified:
            shown = own or host
    scheme = "https" if https else "http"
    return f"{scheme}://[{shown}]:{port}/" if ":" in shown else f"{scheme}://{shown}:{port}/"


def code_of(host: str, url: str) -> str:
    """A QR code for a terminal; empty when the page is for this computer alone."""
    if loopback(host):
        return ""
    drawn = io.StringIO()
    segno.make(url, error="m", micro=False).terminal(drawn, compact=True)
    return drawn.getvalue()
