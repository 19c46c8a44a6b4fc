"""Configuration of the link to an office that collects the records of many trucks."""

from __future__ import annotations

from urllib.parse import urlsplit

from pydantic import Field, field_validator

from rig.field.points import Strict
from rig.sentence import Wording


class OfficeTable(Strict):
    """Where the office is; a truck joins it once, by a code of the office: `rig office join CODE`."""

    address: str = Field(default="", max_length=300)
    """The office's service, for example https://office.example:8443. While `rig serve` runs, records travel there and
    what the office offers comes back, whenever there is a network. Empty: there is no office."""

    @field_validator("address")
    @classmethod
    def _https(cls, text: str) -> str:
        try:
            found = urlsplit(text)
            whole = not text or (found.scheme == "https" and found.hostname and (found.port or 443))
        except ValueError:
            whole = False
        if not whole or found.path.strip("/") or found.query:
            raise ValueError(
                Wording("config.office", "write for example https://office.example:8443, or leave it out")()
            )
        return text
