"""The sentences of the rows of the interlock table, by the row's name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from rig.sentence import Sentence, Wording, places
from rig.units import KPA_PER_PSI
from rig.wheel.bead import BEAD_LIMIT_KPA

OVER_RELIEF_KPA = 3 * KPA_PER_PSI
"""What the line may show over the relief setting: a valve's overpressure of a tenth. Common practice, no source."""
_KPA: Mapping[str, float] = {"over": OVER_RELIEF_KPA, "seating": BEAD_LIMIT_KPA}
"""Pressures that rows name."""


def alarm_said(name: str, part: Literal["text", "first"], words: str) -> Sentence:
    """What a row says of its meaning, or of the person's first action."""
    return Wording(f"alarm.{name}.{part}", words)(**{place: _KPA[place] for place, _ in places(words)})
