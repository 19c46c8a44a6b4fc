"""One-line cautions with severity and source.

Shared by the modules of tyre, valve and fluid. It must not know any of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "caution", "danger"]

COMMON_PRACTICE = "common practice, no source"
THE_BOOK = "the shop's own book"


@dataclass(frozen=True, slots=True)
class Caution:
    """One line for a person, with its severity and its source (or a note that it has none)."""

    severity: Severity
    text: str
    source: str
