"""Posting from the journal to the book: every finished fill, every proving and every event, each once.

Done when a fill is closed and whenever a command opens the book to write, so that a crash between the two neither loses
nor duplicates anything: the book identifies a fill by its id, a proving and an event by their content.
Commands that only read open the book read-only and post nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import heapq
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.ledger import BOOK_NAME
from rig.ledger.journal import EmptyJournal, Journal, JournalError, JournalReader, StoredFill, StoredProving
from rig.ledger.moment import CLOCK, SAID
from rig.record.base import VERSION, Document
from rig.record.notes import Job, Moved, Named
from rig.record.proving import Event, Proving
from rig.record.work import Ended, PumpWork, Software, Work
from rig.run.clock_memory import records_of
from rig.run.settings import Settings
from rig.sentence import Wording
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
KEPT_TRACES = 50
"""Number of latest fills whose progress rows the journal keeps for History; assumed, no source."""


def not_to_be_filled(folder: Path) -> str | None:
    """Why the records forbid a new fill: an unsound book, a disk nearly full; None if they do not."""
    from rig.ledger.keeping import disk_short, unsound

    return disk_short(folder, LEAST_MB) or unsound(folder)


def posted(settings: Settings, journal: Journal, work: Work) -> Ended:
    """A closed fill's record with its number in the book, tote and lot, and the totes to be reordered.

    If the book fails, with the reason: the journal keeps the record. Of all but the latest fills the rows of progress
    are dropped from the journal: here alone, since the journal is written only by whoever has the rig's lock.
    """
    from rig.ledger.book import BookError
    from rig.ledger.keeping import book_of

    try:
        with book_of(Path(settings.rig.data)) as book:
            post(book, journal, device=settings.rig.name, simulated=settings.rig.simulated)
            journal.prune(KEPT_TRACES)
            stored = posted_under(book, work.fill_id)
            low = tuple(tote.title for tote in totes_of(book) if tote.low)
    except BookError as error:
        return Ended(work=work, book_fault=str(error))
    if stored is None:
        return Ended(work=work, in_book=True, order_again=low)
    kept = PumpWork.of(stored)
    own = Ended(work=work, in_book=True, serial=stored.serial, number=kept.number, tote=kept.tote, lot=kept.lot)
    return replace(own, order_again=low)


def journal_to_read(folder: Path) -> JournalReader:
    """The journal of a rig's folder, for reading; an empty one if there is none yet. JournalError."""
    path = folder / JOURNAL_NAME
    return JournalReader(path) if path.exists() else EmptyJournal()


@contextlib.contextmanager
def book_if_any(settings: Settings) -> Iterator[Book | None]:
    """The book of a rig, for reading; None if there is none. BookError if it cannot be read."""
    folder = Path(settings.rig.data)
    if not (folder / BOOK_NAME).exists():
        yield None
        return
    from rig.ledger.keeping import book_read

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
            with contextlib.closing(JournalReader(folder / JOURNAL_NAME)) as journal:
                post(book, journal, device=device, simulated=simulated)
        yield book


def begun(settings: Settings, journal: Journal) -> int:
    """Number the next work above those in the book; returns the book's last serial number.

    BookError if the book cannot be read.
    """
    with book_if_any(settings) as book:
        if book is None:
            return 0
        if journal.last_number() == 0:
            # The journal was lost and restarted.
            works = map(pumped, book.valid(_POSTED, truck=book.own))
            journal.number_after(max((work.number for work in works if work), default=0))
        return book.heads().get(book.truck, (0, ""))[0]


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


def post(book: WritableBook, journal: JournalReader, *, device: str, simulated: bool) -> list[Record]:
    """Write into the book what the journal has and the book lacks, in the journal's order; returns the new records."""
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
    return made


def _in_turn(*lists: list[Entry]) -> list[Entry]:
    """Merge the lists by time, each in its own order: where its clock went back, the latest time before counts."""
    timed = [list(zip(accumulate((entry[2] for entry in each), max), each, strict=True)) for each in lists]
    return [entry for _, entry in heapq.merge(*timed, key=lambda pair: pair[0])]


_Said = tuple[str, str, Document]
"""Key of earlier versions, time, body."""


def _event_entries(book: Book, journal: JournalReader) -> list[Entry]:
    said: list[_Said] = [
        (
            f"{e.kind} {e.number}",
            e.at,
            Event(event=e.kind, number=e.number, by=e.by, what=e.what, **_clock_of(e.what)).document(),
        )
        for e in journal.events()
    ]
    return _unknown(book, "event", said)


def _proving_entries(book: Book, journal: JournalReader) -> list[Entry]:
    said: list[_Said] = [(str(each.number), each.at, _proving_body(each)) for each in journal.provings()]
    return _unknown(book, "proving", said)


def follow_provings(book: WritableBook, journal: JournalReader) -> None:
    """Void in the book what was voided in the journal, and undo the void where it was undone there."""
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


def _proving_body(proving: StoredProving) -> Document:
    clock = _clock_of(proving.document)
    return Proving(meter=proving.meter, accepted=proving.accepted, document_=proving.document, **clock).document()


def _clock_of(row: Document) -> dict[str, Any]:
    """The quality of the clock in a row of the journal."""
    return {name: row.get(name) for name in (CLOCK, SAID)}


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
    work, about = stored.work, stored.task
    if work is None:
        raise JournalError(Wording("journal.unfinished", "fill {fill_id} is not finished")(fill_id=stored.fill_id))
    end_ml = total_ml + round(1000 * work.forward_l)
    kind, moved = _kind_of(book, work, about.book_serial)
    said = work.extended(
        PumpWork,
        fluid_text=about.fluid_text,
        config=about.config,
        **job_facts(book, work.job or "", work.position or ""),
        number=stored.number,
        totaliser_start_ml=total_ml,
        totaliser_end_ml=end_ml,
        device=device,
        software=software(),
        simulated=simulated,
        record_version=VERSION,
        **moved,
    )
    return (kind, stored.fill_id, work.ended_at, said.document()), end_ml


def _kind_of(book: Book, work: Work, before: int | None) -> tuple[str, dict[str, Any]]:
    """The kind under which pump work is stored, and what it moved, in the fields of that kind.

    ``before`` is the book's last serial number when the work began.
    """
    if work.kind == RETURN:
        tote = returned_to(book, work.to or "", before)
        return RETURN, {"drawn_l": work.recovered_l, "basis": work.net_basis, "tote": tote}
    name, lot = tote_facts(book, before)
    facts = {"tote": name, "lot": lot}
    if work.kind in (RINSE, "divert"):
        # Rinse water comes from elsewhere; the first liquid after it from the tote.
        return RINSE, {"rinsed_l": work.net_l, "from_tote": work.kind == "divert", **facts}
    return (VESSEL if work.valve is None else FILL), facts


def number_of(record: Record) -> str:
    """The number of pump work, the same everywhere; a correction keeps it and appends its revision."""
    said = PumpWork.of(record)
    revision = said.revision
    if revision is None:
        # Corrections did not state it at first.
        revision = 0 if record.corrects is None else 1
    return f"{said.number}" + (f"-{revision}" if revision else "")


def pumped(record: Record) -> PumpWork | None:
    """What pump work says; None of a person's note."""
    return None if Moved.of(record).number is None else PumpWork.of(record)


def called(book: Book, truck: str) -> str:
    """The latest name of a chain's rig; its id if it has none."""
    names = book.valid(NAMED, truck=truck)
    return Named.of(names[-1]).name if names else truck


def keep_name(book: WritableBook, name: str, at: str) -> None:
    """Store this rig's name, by which an office names trucks, if it has changed."""
    if called(book, book.truck) != name:
        book.note(NAMED, at, Named(name=name).document())


def posted_under(book: Book, fill_id: str) -> Record | None:
    """The record of pump work, or its correction; None if it was not posted."""
    return next((found for kind in _POSTED if (found := book.one(kind, fill_id)) is not None), None)


def place_of(position: str | None) -> str:
    """A place on a machine in the form compared and stored: small letters, single spaces."""
    return " ".join((position or "").lower().split())


_OF_A_JOB = ("customer", "customer_number", "address", "machine", "site", "site_number")
"""What of a job is stated by the records of its work."""


def job_facts(book: Book, job: str, position: str) -> dict[str, Any]:
    """What the book knows of a job, for the records of its work; ``wheel`` names one wheel of a machine."""
    known = book.one("job", job) if job else None
    found = Job.of(known) if known else Job(job=job)
    return {
        **{name: getattr(found, name) for name in _OF_A_JOB},
        "wheel": f"{found.machine}, {place_of(position)}" if found.machine and position else None,
    }


def totaliser_ml(book: Book) -> int:
    """The non-resettable totaliser: the sum of all forward flow, millilitres."""
    last = [record for kind in (FILL, VESSEL) if (record := book.latest(kind)) is not None]
    # The latest of these may be a person's entry without a totaliser; there are few.
    last += book.valid((RETURN, RINSE), truck=book.own)
    return max((work.totaliser_end_ml for work in map(pumped, last) if work), default=0)


@cache
def software() -> Software:
    """Version of the program and the hash of its files, for a ticket: code, tables, pages, texts."""
    try:
        number = version("ballast-rig")
    except PackageNotFoundError:
        number = "source"
    root = Path(__file__).resolve().parent.parent
    found = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.is_file() and path.suffix not in (".md", ".pyc") and not path.is_relative_to(root / "config"):
            found.update(f"{path.relative_to(root).as_posix()}\n".encode() + path.read_bytes())
    return Software(number, found.hexdigest()[:16])
