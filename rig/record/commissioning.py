"""The commissioning of a rig: what was found and measured, and every test with expected and seen."""

from __future__ import annotations

from dataclasses import dataclass

from rig.record.base import Sealed


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A value, and by what it is known."""

    what: str
    value: str
    how: str


@dataclass(frozen=True, slots=True)
class SheetTest:
    """A test with what was expected and what was seen."""

    what: str
    expected: str
    seen: str
    good: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioned(Sealed):
    """``commissioning``: values as found, tests as seen by the person."""

    device: str
    simulated: bool
    config_hash: str
    """SHA-256 of the configuration that it left."""
    values: tuple[SheetRow, ...]
    tests: tuple[SheetTest, ...]
