"""Placeholder for what the office offers to all trucks."""

from __future__ import annotations

from rig.office.register import Register


def share(office: Register) -> None:
    """Nothing yet."""
