"""A proving as the page requests it, and the provings so far: passes fields to the text parser. Computes nothing.

It must not know requests.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import cast

from pydantic import Field

from rig.field.points import Strict
from rig.meter.proving import MOST_RUNS, said_again
from rig.meter.references import Material
from rig.record.base import Document
from rig.run.bench import Proof
from rig.run.prover import Seen
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.calibration import meter_said
from rig.shop.posting import journal_to_read
from rig.shop.trials import TrialText, seen_of, trial_of

_TEXT = Field(default="", max_length=40)
_SHOWN = 30
_SAID = ("fails", "asks", "tells")
_ROW = ("by", "factor", "factor_before", "range_percent", "u_percent", "fluid", "passed", "accepted")


class ProveForm(Strict):
    """A known can, or a scale under a vessel; the rig decides an empty field."""

    can: str = _TEXT
    material: Material = "mild steel"
    scale: str = _TEXT
    tare: str = _TEXT
    volume: str = _TEXT
    density: str = _TEXT
    fluid: str = _TEXT
    temp: str = _TEXT
    runs: int = Field(default=3, ge=1, le=MOST_RUNS)


def proving_asked(settings: Settings, form: ProveForm, by: str, config: str) -> TrialText:
    """Convert a form to a proving; QuantityError, FluidError, Refused with what to do instead."""
    if settings.rig.by_hand:
        raise Refused(
            Wording(
                "refused.prove_by_hand",
                "this rig is worked by hand: prove it at the rig's computer by rig prove --pulses",
            )()
        )
    given = form.model_dump(exclude={"runs", "material"})
    texts = {name: text.strip() for name, text in given.items() if text.strip()}
    typed = TrialText(**texts, material=form.material, runs=form.runs, by=by, config=config)
    trial_of(typed, settings)
    return typed


def vessel_seen(proof: Proof, text: str) -> Seen:
    """Parse a typed reading; QuantityError with what to write instead."""
    return seen_of(text.strip(), proof.tare, proof.reference)


def verdict_said(document: Document) -> dict[str, list[str]]:
    """The lines of a verdict as sentences; a record has their texts."""
    lines = {name: cast("Sequence[str]", document.get(name) or ()) for name in _SAID}
    return {name: [said_again(line) for line in each] for name, each in lines.items()}


def provings_view(settings: Settings) -> list[dict[str, object]]:
    """The provings so far, latest first: numbers for the page, runs unchanged."""
    with contextlib.closing(journal_to_read(Path(settings.rig.data))) as journal:
        found = journal.provings()[-_SHOWN:]
    return [
        {
            "number": each.number,
            "at": each.at,
            "meter": meter_said(each.meter),
            **{name: each.document.get(name) for name in (*_ROW, "runs")},
            **verdict_said(each.document),
            "accepted": each.accepted,
            "void": each.void,
        }
        for each in reversed(found)
    ]
