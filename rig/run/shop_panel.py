"""How the pump-side page is served, as the configuration writes it. It must not know what the page shows."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from rig.field.points import Strict

Units = Literal["us", "kpa", "bar"]


class PanelTable(Strict):
    """The page listens to this computer alone unless the shop says otherwise here."""

    host: str = "127.0.0.1"
    """Address to listen at. 0.0.0.0 is every network that the computer is in."""
    port: int = Field(default=8080, ge=1, le=65535)
    names: tuple[str, ...] = ()
    """Names by which browsers may call the page, beside addresses and localhost."""
    looking: bool = True
    """Whether the page may be looked at without sign-in. STOP never needs one."""
    units: Units = "us"
    """us: US gallons, psi, pounds. kpa and bar: litres, that pressure, kilograms. Each browser may choose."""
    texts: str = ""
    """A translation of the page: a JSON file as rig/panel/static/texts.json."""
    certificate: str = ""
    """PEM file of the page's certificate, with ``key`` beside it: the page is then served by https alone."""
    key: str = ""

    @model_validator(mode="after")
    def _whole(self) -> PanelTable:
        if bool(self.certificate) != bool(self.key):
            raise ValueError("https wants both certificate and key")
        for name, path in (("texts", self.texts), ("certificate", self.certificate), ("key", self.key)):
            if path and not Path(path).is_file():
                raise ValueError(f"{name}: there is no file {path!r}")
        return self


def loopback(host: str) -> bool:
    """Whether an address is this computer's own."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
