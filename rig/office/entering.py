"""Entering into a truck's own book what its office offers."""

from __future__ import annotations

from pathlib import Path


def entered_from_office(folder: Path, at: str) -> int:
    """Enter what the office offers; returns how many records that made."""
    return 0
