"""Posting from the journal to the book: every finished fill, every proving and every event, each once.

Done when a fill is closed and whenever a command opens the book to write, so that a crash between the two neither loses
nor duplicates anything: the book identifies a fill by its id, a proving and an event by their content.
Commands that only read open the book read-only and post nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import heapq
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger.journal import EmptyJournal, Journal, JournalError, JournalReader, StoredFill, StoredProving
from rig.ledger.moment import CLOCK, SAID
from rig.run.clock_memory import records_of
from rig.run.settings import Settings
from rig.shop.totes import returned_to, tote_facts, totes_of

if TYPE_CHECKING:
    # The book's library takes a fifth of a second to load; a command without a book should not pay for it.
    from rig.ledger.book import Book, Entry
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

LEAST_MB = 50.0
"""Free disk space for a day's records, with a wide margin. Assumed, no source."""
FILL, VESSEL, RETURN, RINSE = "fill", "vessel", "return", "rinse"
"""A fill of a wheel; a delivery into an open vessel, as for a proving; what came out of a wheel; a rinse."""
NAMED = "named"
"""The kind of a record of the rig's name from then on."""
_POSTED = (FILL, VESSEL, RETURN, RINSE)
JOURNAL_NAME = "journal.sqlite"
BOOK_SERIAL = "book_serial"
"""Key in the journal's data of a fill: the book's last serial number when the fill began."""
KEPT_TRACES = 50
"""Number of latest fills whose progress rows the journal keeps for History; assumed, no source."""
_COPIED = ("fluid_text", "config")


def not_to_be_filled(folder: Path) -> str | None:
    """Why the records forbid a new fill: an unsound book, a disk nearly full; None if they do not."""
    from rig.ledger.keeping import disk_short, unsound

    return disk_short(folder, LEAST_MB) or unsound(folder)


def posted(settings: Settings, journal: Journal, record: dict[str, object]) -> dict[str, object]:
    """A closed fill's record with its number in the book, tote and lot, and the totes to be reordered.

    If the book fails, with the reason: the journal keeps the record.
    """
    from rig.ledger.book import BookError
    from rig.ledger.keeping import book_of

    try:
        with book_of(Path(settings.rig.data)) as book:
            post(book, journal, device=settings.rig.name, simulated=settings.rig.simulated)
            stored = posted_under(book, str(record["fill_id"]))
            low = [tote.title for tote in totes_of(book) if tote.low]
    except BookError as error:
        return {**record, "serial": None, "book_fault": str(error)}
    kept = stored.document if stored else {}
    own = {name: kept.get(name) for name in ("tote", "lot", "number")}
    return {**record, **own, "serial": stored.serial if stored else None, "order_again": low}


def journal_to_read(folder: Path) -> JournalReader:
    """The journal of a rig's folder, for reading; an empty one if there is none yet. JournalError."""
    path = folder / JOURNAL_NAME
    return JournalReader(path) if path.exists() else EmptyJournal()


@contextlib.contextmanager
def book_if_any(settings: Settings) -> Iterator[Book | None]:
    """The book of a rig, for reading; None if there is none. BookError if it cannot be read."""
    from rig.ledger.keeping import BOOK_NAME, book_read

    folder = Path(settings.rig.data)
    if not (folder / BOOK_NAME).exists():
        yield None
        return
    with book_read(folder) as book:
        yield book


@contextlib.contextmanager
def book_to_write(folder: Path, device: str, *, simulated: bool) -> Iterator[WritableBook]:
    """The book of a rig's folder, for writing, with everything from the journal posted; BookError.

    ``device`` is the rig's present name; ``simulated`` marks its work as simulated.
    """
    from rig.ledger.keeping import book_of

    with records_of(folder), book_of(folder) as book:
        if (folder / JOURNAL_NAME).exists():
            with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
                post(book, journal, device=device, simulated=simulated)
        yield book


def begun(settings: Settings, journal: Journal) -> dict[str, object]:
    """Number the next work above those in the book; returns the book's last serial number, to be stored with it.

    BookError if the book cannot be read.
    """
    with book_if_any(settings) as book:
        if book is None:
            return {BOOK_SERIAL: 0}
        if journal.last_number() == 0:
            # The journal was lost and restarted.
            numbers = (record.document.get("number") for record in book.valid(_POSTED, truck=book.own))
            journal.number_after(max((number for number in numbers if isinstance(number, int)), default=0))
        return {BOOK_SERIAL: book.heads().get(book.truck, (0, ""))[0]}


def entered(settings: Settings) -> None:
    """Post what the journal has and the book lacks; JournalError if the book fails."""
    with book_to_write(Path(settings.rig.data), settings.rig.name, simulated=settings.rig.simulated):
        pass


def not_posted(folder: Path, book: Book | None) -> list[str]:
    """Ids of the finished fills in the journal but not in the book, oldest first."""
    known = _posted_ids(book) if book else set()
    with contextlib.closing(journal_to_read(folder)) as journal:
        return [fill_id for fill_id in journal.closed() if fill_id not in known]


def _posted_ids(book: Book) -> set[str]:
    return set().union(*(book.keys(kind) for kind in _POSTED))


def post(book: WritableBook, journal: Journal, *, device: str, simulated: bool) -> list[Record]:
    """Write into the book what the journal has and the book lacks, in the journal's order; returns the new records.

    The progress rows of all but the latest fills are then dropped from the journal.
    """
    events, provings, work = _event_entries(book, journal), _proving_entries(book, journal), []
    known = _posted_ids(book)
    fills = [journal.fill(fill_id) for fill_id in journal.closed() if fill_id not in known]
    total_ml = totaliser_ml(book) if fills else 0
    for stored in fills:
        entry, total_ml = _fill_entry(book, stored, total_ml, device=device, simulated=simulated)
        work.append(entry)
    entries = _in_turn(events, provings, work)
    made = book.append_all(entries) if entries else []
    follow_provings(book, journal)
    journal.prune(KEPT_TRACES)
    return made


def _in_turn(*lists: list[Entry]) -> list[Entry]:
    """Merge the lists by the latest time so far, each kept in its own order whatever its clock showed."""
    timed = [list(zip(accumulate((entry[2] for entry in each), max), each, strict=True)) for each in lists]
    return [entry for _, entry in heapq.merge(*timed, key=lambda pair: pair[0])]


def _of_clock(said: Mapping[str, object]) -> dict[str, object]:
    """The clock data of a journal row."""
    return {name: said[name] for name in (CLOCK, SAID) if name in said}


_Said = tuple[str, str, dict[str, object]]
"""Key of earlier versions, time, body."""


def _event_entries(book: Book, journal: Journal) -> list[Entry]:
    said: list[_Said] = [
        (
            f"{e.kind} {e.number}",
            e.at,
            {"event": e.kind, "number": e.number, "by": e.by, "what": e.what} | _of_clock(e.what),
        )
        for e in journal.events()
    ]
    return _unknown(book, "event", said)


def _proving_entries(book: Book, journal: Journal) -> list[Entry]:
    said: list[_Said] = [(str(each.number), each.at, _proving_body(each)) for each in journal.provings()]
    return _unknown(book, "proving", said)


def follow_provings(book: WritableBook, journal: Journal) -> None:
    """Void in the book what was voided in the journal, and take back what was taken back there."""
    from rig.ledger.chain import VOID

    for proving in journal.provings():
        event, record = proving.judged, _record_of(book, proving)
        if event is None or record is None or (record.kind == VOID) is proving.void:
            continue
        judge = book.void if proving.void else book.take_back
        judge(record, event.at, str(event.what["why"]), event.by)


def _record_of(book: Book, proving: StoredProving) -> Record | None:
    """A proving's latest record in the book, even if void; earlier versions keyed it by number."""
    from rig.ledger.chain import content_key

    keys = (content_key(proving.at, _proving_body(proving)), str(proving.number))
    found = (book.last("proving", key) for key in keys)
    return next((each for each in found if each is not None), None)


def _proving_body(proving: StoredProving) -> dict[str, object]:
    body = {"meter": proving.meter, "accepted": proving.accepted, "document": proving.document}
    return body | _of_clock(proving.document)


def _unknown(book: Book, kind: str, said: Iterable[_Said]) -> list[Entry]:
    """Entries the book lacks, by content; earlier versions used numbers, so number and time count as well."""
    from rig.ledger.chain import content_key

    known = book.keys_at(kind)
    entries = ((content_key(at, body), number, at, body) for number, at, body in said)
    return [
        (kind, key, at, body)
        for key, number, at, body in entries
        if (key, at) not in known and (number, at) not in known
    ]


def _fill_entry(book: Book, stored: StoredFill, total_ml: int, *, device: str, simulated: bool) -> tuple[Entry, int]:
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
        "device": device,
        "software": software(),
        "simulated": simulated,
    }
    before = stored.about.get(BOOK_SERIAL)
    kind, moved = _kind_of(book, record, before if isinstance(before, int) else None)
    return (kind, stored.fill_id, str(record["ended_at"]), body | moved), end_ml


def _kind_of(book: Book, record: dict[str, object], before: int | None) -> tuple[str, dict[str, object]]:
    """The kind under which pump work is stored, and what it moved, in the fields of that kind.

    ``before`` is the book's last serial number when the work began.
    """
    work = record.get("kind", FILL)
    if work == RETURN:
        tote = returned_to(book, str(record.get("to") or ""), before)
        return RETURN, {"drawn_l": record["recovered_l"], "basis": record["net_basis"], "tote": tote}
    facts = tote_facts(book, before)
    if work in (RINSE, "divert"):
        # Rinse water comes from elsewhere; the first liquid after it from the tote.
        return RINSE, {"rinsed_l": record["net_l"], "from_tote": work == "divert", **facts}
    return (VESSEL if record["valve"] is None else FILL), facts


def number_of(record: Record) -> str:
    """The number of pump work, the same everywhere; a correction keeps it and appends its revision."""
    body = record.document
    revision = body.get("revision", 0 if record.corrects is None else 1)
    return f"{work_number(record)}" + (f"-{revision}" if revision else "")


def work_number(record: Record) -> int:
    """The number of pump work without the suffix of a correction."""
    number = record.document["number"]
    assert isinstance(number, int)
    return number


def called(book: Book, truck: str) -> str:
    """The latest name of a chain's rig; its id if it has none."""
    told = book.valid(NAMED, truck=truck)
    return str(told[-1].document["name"]) if told else truck


def keep_name(book: WritableBook, name: str, at: str) -> None:
    """Store this rig's name, by which an office names trucks, if it has changed."""
    if called(book, book.truck) != name:
        book.note(NAMED, at, {"name": name})


def posted_under(book: Book, fill_id: str) -> Record | None:
    """The record of pump work, or its correction; None if it was not posted."""
    return next((found for kind in _POSTED if (found := book.one(kind, fill_id)) is not None), None)


def place_of(position: object) -> str:
    """A place on a machine in the form compared and stored: small letters, single spaces."""
    return " ".join(str(position or "").lower().split())


def job_facts(book: Book, job: str, position: str) -> dict[str, object]:
    """What the book knows of a job, for the records of its work; ``wheel`` names one wheel of a machine."""
    known = book.one("job", job) if job else None
    found = known.document if known else {}
    machine = found.get("machine")
    return {
        **{name: found.get(name) for name in ("customer", "customer_number", "address", "machine", "site")},
        "wheel": f"{machine}, {place_of(position)}" if machine and position else None,
    }


def totaliser_ml(book: Book) -> int:
    """The non-resettable totaliser: the sum of all forward flow, millilitres."""
    last = [record for kind in (FILL, VESSEL) if (record := book.latest(kind)) is not None]
    # The latest of these may be a person's entry without a totaliser; there are few.
    last += book.valid((RETURN, RINSE), truck=book.own)
    ends = (record.document.get("totaliser_end_ml") for record in last)
    return max((end for end in ends if isinstance(end, int)), default=0)


@cache
def software() -> dict[str, str]:
    """Version of the program and the hash of its source, for a ticket."""
    try:
        number = version("ballast-rig")
    except PackageNotFoundError:
        number = "source"
    root = Path(__file__).resolve().parent.parent
    found = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        found.update(f"{path.relative_to(root).as_posix()}\n".encode() + path.read_bytes())
    return {"version": number, "hash": found.hexdigest()[:16]}
