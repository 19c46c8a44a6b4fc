"""From the journal to the book: every finished fill, every proving and every event, each once.

Done when a fill is closed and whenever a command opens the book, so that a crash between the two loses nothing and
doubles nothing: the book knows each by its key.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger.journal import Journal, JournalError, StoredFill
from rig.run.settings import Settings
from rig.run.totes import returned_to, tote_facts, totes_of

if TYPE_CHECKING:
    # The book's library takes a fifth of a second to load, which a command without a book should not pay.
    from rig.ledger.book import Book, Entry
    from rig.ledger.chain import Record

LEAST_MB = 50.0
"""Room on the disk for the records of a day, with plenty to spare. Assumed, no source."""
FILL, VESSEL, RETURN, RINSE = "fill", "vessel", "return", "rinse"
"""A fill of a wheel; a delivery into an open vessel, as for a proving; what came out of a wheel; a rinse."""
_POSTED = (FILL, VESSEL, RETURN, RINSE)
JOURNAL_NAME = "journal.sqlite"
_COPIED = ("fluid_text", "config")


def not_to_be_filled(folder: Path) -> str | None:
    """Why no new fill may be started for the records' sake: an unsound book, a disk nearly full; None when it may."""
    from rig.ledger.keeping import disk_short, unsound

    return disk_short(folder, LEAST_MB) or unsound(folder)


def posted(settings: Settings, journal: Journal, record: dict[str, object]) -> dict[str, object]:
    """A closed fill's record with its number in the book, tote and lot, and the totes that are to be ordered again.

    Where the book fails, with why: the journal keeps the record.
    """
    from rig.ledger.book import BookError
    from rig.ledger.keeping import book_of

    try:
        with book_of(Path(settings.rig.data), settings.rig.name) as book:
            post(book, journal, simulated=settings.rig.simulated)
            stored = posted_under(book, str(record["fill_id"]))
            low = [tote.title for tote in totes_of(book) if tote.low]
    except BookError as error:
        return {**record, "serial": None, "book_fault": str(error)}
    kept = stored.document if stored else {}
    own = {name: kept.get(name) for name in ("tote", "lot")}
    return {**record, **own, "serial": stored.serial if stored else None, "order_again": low}


@contextlib.contextmanager
def book_if_any(settings: Settings) -> Iterator[Book | None]:
    """The book of a rig, None where nothing was ever kept there: looking makes no book."""
    from rig.ledger.keeping import BOOK_NAME

    folder = Path(settings.rig.data)
    if not any((folder / name).exists() for name in (JOURNAL_NAME, BOOK_NAME)):
        yield None
        return
    with book_opened(folder, settings.rig.name, simulated=settings.rig.simulated) as book:
        yield book


@contextlib.contextmanager
def book_opened(folder: Path, truck: str, *, simulated: bool) -> Iterator[Book]:
    """The book of a rig's folder with everything in it that the journal has."""
    from rig.ledger.keeping import book_of

    with book_of(folder, truck) as book:
        if (folder / JOURNAL_NAME).exists():
            with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
                post(book, journal, simulated=simulated)
        yield book


def post(book: Book, journal: Journal, *, simulated: bool) -> list[Record]:
    """Write into the book what the journal has and the book has not, in the order of time; returns the new records."""
    entries = [*_event_entries(book, journal), *_proving_entries(book, journal)]
    known = set().union(*(book.keys(kind) for kind in _POSTED))
    fills = [journal.fill(fill_id) for fill_id in journal.closed() if fill_id not in known]
    total_ml = _totaliser_ml(book) if fills else 0
    for stored in fills:
        entry, total_ml = _fill_entry(book, stored, total_ml, simulated=simulated)
        entries.append(entry)
    entries.sort(key=lambda entry: entry[2])
    return book.append_all(entries) if entries else []


def _event_entries(book: Book, journal: Journal) -> list[Entry]:
    known = book.keys("event")
    return [
        ("event", key, event.at, {"event": event.kind, "number": event.number, "by": event.by, "what": event.what})
        for event in journal.events()
        if (key := f"{event.kind} {event.number}") not in known
    ]


def _proving_entries(book: Book, journal: Journal) -> list[Entry]:
    known = book.keys("proving")
    return [
        (
            "proving",
            key,
            proving.at,
            {"meter": proving.meter, "accepted": proving.accepted, "document": proving.document},
        )
        for proving in journal.provings()
        if (key := str(proving.number)) not in known
    ]


def _fill_entry(book: Book, stored: StoredFill, total_ml: int, *, simulated: bool) -> tuple[Entry, int]:
    record = stored.record
    if record is None:
        raise JournalError(f"fill {stored.fill_id} is not finished")
    forward_l = record["forward_l"]
    assert isinstance(forward_l, int | float)
    end_ml = total_ml + round(1000 * forward_l)
    body = {
        **record,
        **{name: stored.about.get(name) for name in _COPIED},
        **job_facts(book, str(record["job"] or ""), str(record["position"] or "")),
        "number": stored.number,
        "totaliser_start_ml": total_ml,
        "totaliser_end_ml": end_ml,
        "device": book.truck,
        "software": software(),
        "simulated": simulated,
    }
    kind, moved = _kind_of(book, record)
    return (kind, stored.fill_id, str(record["ended_at"]), body | moved), end_ml


def _kind_of(book: Book, record: dict[str, object]) -> tuple[str, dict[str, object]]:
    """Under which kind work of the pump is kept, and what it moved in the words of that kind."""
    work, began = record.get("kind", FILL), str(record["started_at"])
    if work == RETURN:
        tote = returned_to(book, str(record.get("to") or ""), began)
        return RETURN, {"drawn_l": record["recovered_l"], "basis": record["net_basis"], "tote": tote}
    facts = tote_facts(book, began)
    if work in (RINSE, "divert"):
        # Rinse water comes from elsewhere; the first liquid after it comes out of the tote.
        return RINSE, {"rinsed_l": record["net_l"], "from_tote": work == "divert", **facts}
    return (VESSEL if record["valve"] is None else FILL), facts


def posted_under(book: Book, fill_id: str) -> Record | None:
    """The record of work of the pump, or what corrects it; None when it was not posted."""
    return next((found for kind in _POSTED if (found := book.one(kind, fill_id)) is not None), None)


def place_of(position: object) -> str:
    """A place on a machine as it is compared and kept: small letters, single spaces."""
    return " ".join(str(position or "").lower().split())


def job_facts(book: Book, job: str, position: str) -> dict[str, object]:
    """What the book knows of a job, for the records of what was done in it; ``wheel`` names one wheel of a machine."""
    known = book.one("job", job) if job else None
    found = known.document if known else {}
    machine = found.get("machine")
    return {
        **{name: found.get(name) for name in ("customer", "address", "machine", "site")},
        "wheel": f"{machine}, {place_of(position)}" if machine and position else None,
    }


def _totaliser_ml(book: Book) -> int:
    """Where the totaliser stands that nobody can set back: all that ever went forward, millilitres."""
    last = [record for kind in (FILL, VESSEL) if (record := book.latest(kind)) is not None]
    # Of these a person may have written the latest, which says nothing of the totaliser; there are few.
    last += [record for kind in (RETURN, RINSE) for record in book.valid(kind, truck=book.truck)]
    ends = (record.document.get("totaliser_end_ml") for record in last)
    return max((end for end in ends if isinstance(end, int)), default=0)


@cache
def software() -> dict[str, str]:
    """Version of the program, and the hash over its source, for a ticket."""
    try:
        number = version("ballast-rig")
    except PackageNotFoundError:
        number = "source"
    root = Path(__file__).resolve().parent.parent
    found = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        found.update(f"{path.relative_to(root).as_posix()}\n".encode() + path.read_bytes())
    return {"version": number, "hash": found.hexdigest()[:16]}
