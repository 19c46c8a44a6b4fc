"""Key figures of a rig's folder: factor in force, counters, stock, last fill. Compared after a restore.

Only reads; it must not know how any of it is shown.
"""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger.journal import EventKind, JournalReader
from rig.record.notes import Taught
from rig.run.settings import Settings
from rig.shop.calibration import standing
from rig.shop.posting import FILL, RETURN, RINSE, VESSEL, journal_to_read, pumped, totaliser_ml
from rig.shop.totes import totes_of

if TYPE_CHECKING:
    pass

Facts = dict[str, object]


def holdings(folder: Path, settings: Settings | None) -> Facts:
    """The figures of a rig's folder, by name; JournalError if one of its files cannot be read."""
    with contextlib.closing(journal_to_read(folder)) as journal:
        facts = {**_meter(journal, settings), "unfinished": [fill.fill_id for fill in journal.unfinished()]}
        finished = len(journal.closed())
    return {**facts, "finished_in_journal": finished, **_book(folder), "people": _people(folder)}


def _meter(journal: JournalReader, settings: Settings | None) -> Facts:
    counts: dict[EventKind, int] = journal.event_counts()
    found = standing(settings, journal.provings(), journal.events()) if settings is not None else None
    return {
        "factor": None if found is None else found.factor,
        "factor_from": None if found is None else found.source,
        "proven_on": None if found is None else found.on,
        "provings": len(journal.provings()),
        "calibration_events": counts["calibration"],
        "configuration_events": counts["configuration"],
    }


def _book(folder: Path) -> Facts:
    from rig.ledger.keeping import book_or_empty

    with book_or_empty(folder) as book:
        found = map(pumped, book.valid((FILL, VESSEL, RETURN, RINSE), truck=book.truck))
        work = [each for each in found if each is not None]
        last = work[-1] if work else None
        prices = book.valid("prices", truck=book.own)
        return {
            "last_fill": None if last is None else {"number": last.number, "fill_id": last.fill_id},
            "fills": len(work),
            "totaliser_l": totaliser_ml(book) / 1000,
            "stock_l": {tote.name: _tenth(tote.content.left_l) for tote in totes_of(book)},
            "wheels": sorted({Taught.of(each).wheel for each in book.valid("wheel", truck=book.own)}),
            "price_lists": len(prices),
        }


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value + 0.0, 1)


def _people(folder: Path) -> int:
    """Number of persons who may sign in at the page."""
    with contextlib.suppress(OSError, ValueError):
        listed = json.loads((folder / "people.json").read_text(encoding="utf-8"))
        return len(listed)
    return 0
