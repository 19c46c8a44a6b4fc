"""History for the page: fills with their tickets and traces, left against right, the meter.

Reads the journal through its own connection and changes nothing. It must not know requests.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from rig.books.asked import fill_asked
from rig.books.compare import compare_document
from rig.books.wording import next_steps, ticket_text
from rig.ledger.journal import JournalReader, StoredEntry, StoredFill
from rig.ledger.matching import Wheel, pairs
from rig.panel.after import after_view, ticket_words
from rig.panel.jobs import book_of_rig
from rig.record.base import Document
from rig.record.work import About, Ended, Work
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.shop.filled import filled_one, unknown_because
from rig.shop.meter_page import meter_page
from rig.shop.posting import FILL, RETURN, journal_to_read

_SHOWN = 60
_MOST_POINTS = 400
_TRACED = ("in_tyre_l", "flow_lps", "tyre_kpa")
_OF_RECORD = ("kind", "outcome", "net_l", "net_u_l", "net_basis", "delivery", "target_l", "mass_kg", "freeze_c", "mix")
_SIDES = {"left": "right", "right": "left"}


def opposite(position: str) -> str:
    """The opposite position on the machine; empty where there is none."""
    words = position.split()
    turned = [_SIDES.get(word, word) for word in words]
    return " ".join(turned) if turned != words else ""


def fills_view(settings: Settings) -> list[dict[str, object]]:
    """The latest fills, newest first."""
    with contextlib.closing(_journal(settings)) as journal:
        return [_row(fill) for fill in reversed(journal.fills()[-_SHOWN:])]


def _journal(settings: Settings) -> JournalReader:
    return journal_to_read(Path(settings.rig.data))


def _row(fill: StoredFill) -> dict[str, object]:
    work, about = fill.work, fill.task
    clock = about.clock if work is None or work.clock is None else work.clock
    return {
        "number": fill.number,
        "fill_id": fill.fill_id,
        "opened_at": fill.opened_at if work is None else work.started_at,
        "date_known": clock != "not believed",
        **{key: getattr(about, key) for key in ("size", "position", "job", "by", "fluid")},
        **{key: getattr(work, key, None) for key in _OF_RECORD},
    }


def fill_view(settings: Settings, fill_id: str) -> dict[str, object]:
    """One fill: its ticket and its trace. JournalError when there is none."""
    with contextlib.closing(_journal(settings)) as journal:
        fill = journal.fill(fill_id)
        entries = journal.entries(fill.fill_id)
        pair = _pair(journal.fills(), fill)
    work = fill.work
    ticket, finish, asks = _of_the_book(settings, work) if work else ("", None, None)
    return {
        **_row(fill),
        "ticket": ticket,
        "after": finish,
        "asks_figure": asks,
        "next": next_steps(work) if work else [],
        "trace": trace_of(entries),
        "pair": pair,
        "opposite": opposite(fill.task.position or ""),
    }


def _of_the_book(settings: Settings, work: Work) -> tuple[str, Document | None, str | None]:
    """A fill's ticket, the findings afterwards, and why a person's figure of its litres is requested.

    Where the book cannot be read, or has no such fill, only the ticket from the journal.
    """
    from rig.ledger.book import BookError

    fill_id = work.fill_id
    try:
        with book_of_rig(settings) as book:
            fill = fill_asked(book, fill_id)
            asks = fill.kind in (FILL, RETURN) and not filled_one(book, fill).known
            why = unknown_because(fill) if asks else None
            return ticket_words(book, fill_id), after_view(book, fill_id), why
    except (BookError, Refused):
        return ticket_text(Ended(work=work), simulated=settings.rig.simulated), None, None


def trace_of(entries: Sequence[StoredEntry]) -> list[list[object]]:
    """Rows of seconds since the first, litres, L/s and gauge kPa; a few hundred at most."""
    lines = [entry.data for entry in entries if entry.kind == "progress"]
    step = len(lines) // _MOST_POINTS + 1
    rows: list[list[object]] = []
    base = last = 0.0
    for line in lines[::step]:
        t_s = line["t_s"]
        assert isinstance(t_s, int | float)
        if not rows:
            base = -t_s
        elif t_s < last:
            # The clock restarted when the fill was resumed.
            base += last
        last = float(t_s)
        rows.append([round(base + t_s, 1), *(line.get(name) for name in _TRACED)])
    return rows


def _pair(fills: Sequence[StoredFill], one: StoredFill) -> Document | None:
    """Compare this wheel with the latest on the opposite side, of the same job and size, before or after it."""
    about, own = one.task, one.work
    other = opposite(about.position or "")
    alike = [fill for fill in fills if other and _is_alike(fill, about, other)]
    if not alike or own is None or own.known_as != "known":
        return None
    found = compare_document([], pairs([_wheel(alike[-1]), _wheel(one)]))["pairs"]
    return found[0] if isinstance(found, list) and found else None


def _is_alike(fill: StoredFill, one: About, position: str) -> bool:
    about, work = fill.task, fill.work
    same = (about.position, about.size, about.job) == (position, one.size, one.job)
    return same and work is not None and work.known_as == "known"


def _wheel(fill: StoredFill) -> Wheel:
    work = fill.work
    assert work is not None
    return Wheel(fill.number, work.size, work.fluid, work.position or "", work.target_l, work.net_l)


def meter_view(settings: Settings) -> dict[str, object]:
    """The meter's page."""
    with contextlib.closing(_journal(settings)) as journal:
        return meter_page(settings, journal).as_json()
