"""Configuration of the pump-side page's server. It must not know what the page shows."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from rig.field.points import Strict
from rig.sentence import Wording

Units = Literal["us", "kpa", "bar"]


class PanelTable(Strict):
    """The page is served to this computer only, unless the shop states otherwise here."""

    host: str = "127.0.0.1"
    """Address to listen at. 0.0.0.0 means all networks of the computer."""
    port: int = Field(default=8080, ge=1, le=65535)
    """Port to listen at."""
    names: tuple[str, ...] = ()
    """Host names accepted for the page, besides addresses and localhost."""
    looking: bool = True
    """Whether the page may be viewed without sign-in. STOP never needs one."""
    units: Units = "us"
    """us: US gallons, psi, pounds. kpa and bar: litres, that pressure, kilograms. Each browser may choose."""
    texts: str = ""
    """Other words for texts of the English page: a JSON file as rig/panel/static/texts.json."""
    languages: str = ""
    """A folder with further languages of the page: a file for each, named by the language's code, as ar.json."""
    certificate: str = ""
    """PEM file of the page's certificate, used with ``key``: the page is then served by https only."""
    key: str = ""
    """PEM file of the certificate's private key."""

    @model_validator(mode="after")
    def _whole(self) -> PanelTable:
        if bool(self.certificate) != bool(self.key):
            raise ValueError(Wording("config.https", "https wants both certificate and key")())
        if self.languages and not Path(self.languages).is_dir():
            raise ValueError(
                Wording("config.no_folder", "languages: there is no folder '{folder}'")(folder=self.languages)
            )
        for name, path in (("texts", self.texts), ("certificate", self.certificate), ("key", self.key)):
            if path and not Path(path).is_file():
                raise ValueError(Wording("config.no_file", "{name}: there is no file '{path}'")(name=name, path=path))
        return self


def loopback(host: str) -> bool:
    """Whether an address is this computer's loopback."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
