"""One-line cautions: what to beware of, how serious it is and who says so.

Shared by the rooms that say what to put in (tyre, valve, fluid). It must not know any of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "caution", "danger"]

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Caution:
    """One line for a person, with its severity and its source (or the words that it has none)."""

    severity: Severity
    text: str
    source: str
