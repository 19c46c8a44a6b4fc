"""The meter's page: the factor in force, its source, and the evidence from the fills since.

Reads the journal, changes nothing. It must not know how a page is laid out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime

from rig.ledger.journal import EventKind, JournalReader, StoredEvent, StoredFill
from rig.ledger.moment import local_day
from rig.meter.health import Comparison, Verdict, advice, verdicts
from rig.meter_kind import KINDS
from rig.record.work import Counted
from rig.run.metering import meter_of
from rig.run.settings import Settings
from rig.sentence import Sentence
from rig.shop.calibration import Standing, meter_name, standing

_EVENTS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class MeterPage:
    """Present status of a meter."""

    meter: str
    standing: Standing
    counts: dict[EventKind, int]
    events: tuple[StoredEvent, ...]
    """The latest, oldest first."""
    fills: int
    """Finished fills since the proving."""
    verdicts: tuple[Verdict, ...]
    advice: Sentence

    def as_json(self) -> dict[str, object]:
        """One JSON document."""
        found = self.standing
        return {
            "meter": self.meter,
            "factor": found.factor,
            "factor_from": found.source,
            "proven_on": found.on,
            "proven_by": found.by,
            "u_percent": found.u_percent,
            "runs": found.runs,
            "proving": found.proving,
            "curve": [list(point) for point in found.curve],
            "calibration_events": self.counts["calibration"],
            "configuration_events": self.counts["configuration"],
            "events": [
                {"kind": each.kind, "number": each.number, "at": each.at, "by": each.by, **_shown(each)}
                for each in self.events
            ],
            "fills_since": self.fills,
            "charts": [asdict(each) for each in self.verdicts],
            "advice": self.advice,
        }


def _shown(event: StoredEvent) -> dict[str, object]:
    """An event without the full settings, which are in the journal."""
    return {key: value for key, value in event.what.items() if key != "settings"}


def meter_page(settings: Settings, journal: JournalReader) -> MeterPage:
    """Build the page of the configured meter from its journal."""
    found = standing(settings, journal.provings(), journal.events())
    fills = [fill for fill in journal.fills() if fill.record is not None and _since(fill, found)]
    doubts: dict[str, float] = {kind: row.u_percent / 100 for kind, row in KINDS.items()}
    repeat = meter_of(settings, settings.meter.kind).repeat
    works = (work for fill in fills if (work := fill.work))
    judged = verdicts((list(comparisons_in(work, repeat)) for work in works), doubts=doubts)
    return MeterPage(
        meter=meter_name(settings),
        standing=found,
        counts=journal.event_counts(),
        events=tuple(journal.events()[-_EVENTS_SHOWN:]),
        fills=len(fills),
        verdicts=judged,
        advice=advice(judged, proven=found.source != "nothing"),
    )


def _since(fill: StoredFill, found: Standing) -> bool:
    """Whether a fill was metered with the factor in force: after its proving by the journal's own numbers.

    By the day if a person stated only that; by the time if an earlier version wrote no number.
    """
    moment = found.since
    if found.after_fill is not None:
        return fill.number > found.after_fill
    if moment is None:
        return True
    if len(moment) == len("2026-01-01"):
        return local_day(fill.opened_at) >= moment
    return datetime.fromisoformat(fill.opened_at) > datetime.fromisoformat(moment)


def comparisons_in(work: Counted, repeat: float) -> Iterator[Comparison]:
    """The usable comparisons of a record; those without a positive reference or uncertainty are left out.

    ``repeat`` is the meter's own repeatability: relative, one standard deviation.
    """
    for each in work.comparisons:
        if each.reference_l > 0 and each.meter_l > 0 and each.u_l > 0:
            u = math.hypot(each.u_l / each.reference_l, repeat)
            yield Comparison(each.reference, each.meter_l / each.reference_l, u)
