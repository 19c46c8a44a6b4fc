"""One-line cautions with severity and source.

Shared by the modules of tyre, valve and fluid. It must not know any of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.sentence import Sentence, Wording

Severity = Literal["note", "caution", "danger"]

COMMON_PRACTICE = Wording("source.practice", "common practice, no source")()
BULLETIN = Wording("source.bulletin", "a tyre maker's bulletin on liquid-filled tyres")()
THE_BOOK = Wording("source.book", "the shop's own book")()


@dataclass(frozen=True, slots=True)
class Caution:
    """One line for a person, with its severity and its source (or a note that it has none)."""

    severity: Severity
    text: Sentence
    source: Sentence
