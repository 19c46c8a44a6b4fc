"""Configuration of the black box: how long what it recorded is kept."""

from __future__ import annotations

from pydantic import Field

from rig.field.points import Strict


class BlackBoxTable(Strict):
    """Every scan of every fill is recorded next to the journal; the oldest recordings make room."""

    days: float = Field(default=730.0, ge=1)
    """How long the recording of a fill is kept. A fill takes about 70 kB."""
    megabytes: float = Field(default=500.0, ge=1)
    """The most that all recordings may take on the disk: some thousand fills; the oldest are removed first."""
