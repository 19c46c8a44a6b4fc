"""The journal: one SQLite file, write-ahead log, fully synchronised, so that a commit survives a power failure.

A fill is opened before the pump may move, every entry is appended, and the latest state is stored with them, so that
an interrupted fill can be shown, resumed or closed as it is. Only progress rows of old fills are ever removed.

Provings of the meter, and every change of calibration or configuration, are rows that triggers protect from any
change. The events of each kind are numbered without a gap, so their counts can only grow: modelled on the event
counters of NIST Handbook 44's audit trails.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rig.ledger.journal_schema import SCHEMA, VERSION, fills_query, packed, state_of
from rig.ledger.lock import alone
from rig.ledger.moment import with_words
from rig.ledger.readonly import open_read_only
from rig.ledger.words import CLOSED, DAMAGED, NEWER, NO_FILL, NO_PROVING, NOT_OPENED, NOT_WRITTEN
from rig.record.base import Document, RecordError
from rig.record.proving import MeterCheck
from rig.record.work import About, Work

_VOIDS, _TAKES_BACK = "voids_proving", "takes_back_void_of_proving"
EventKind = Literal["calibration", "configuration"]
AFTER_FILL = "after_fill"
"""In a proving's document: the number of the last fill before it."""


class JournalError(RecordError):
    """The journal cannot be opened, written or trusted; the text says what to do."""


@dataclass(frozen=True, slots=True)
class StoredFill:
    """A fill in the journal; documents are JSON text."""

    number: int
    fill_id: str
    opened_at: str
    about: Document
    setup: str
    state: str
    record: Document | None
    state_at: str = ""
    """When the state was written."""

    @property
    def task(self) -> About:
        """What it was begun for; RecordError."""
        return About.from_document(self.about, f"fill {self.fill_id} of the journal")

    @property
    def work(self) -> Work | None:
        """Its record; None while it is not finished. RecordError."""
        return None if self.record is None else Work.from_document(self.record, f"fill {self.fill_id} of the journal")


@dataclass(frozen=True, slots=True)
class StoredEntry:
    """One line of the journal."""

    seq: int
    at: str
    kind: str
    data: Document


@dataclass(frozen=True, slots=True)
class StoredProving:
    """A proving, accepted or not; the document has the meter room's result and the persons present."""

    number: int
    at: str
    meter: str
    accepted: bool
    document: Document
    judged: StoredEvent | None = None
    """The last event that declared it void, or revoked that."""

    @property
    def check(self) -> MeterCheck:
        """What it says; RecordError."""
        return MeterCheck.from_document(self.document, f"proving {self.number} of the journal")

    @property
    def void(self) -> bool:
        """Whether a person declared it void, and none revoked that."""
        return self.judged is not None and _VOIDS in self.judged.what

    @property
    def counts(self) -> bool:
        """Whether its factor was accepted, and it is not void."""
        return self.accepted and not self.void


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """One change of a setting that affects the count; ``number`` counts those of its kind."""

    kind: EventKind
    number: int
    at: str
    by: str
    what: Document


class JournalReader:
    """The journal of one rig, for reading; nothing is created or changed. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open the journal at ``path``; :class:`JournalError` if it is missing or cannot be read."""
        try:
            self._db = open_read_only(path)
            self._tables = self._version(path)
        except (sqlite3.Error, OSError) as error:
            raise self._unopened(path, error) from error
        self.path = path

    def _version(self, path: Path) -> int:
        """Version of its tables; JournalError for one that this program does not know."""
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version > VERSION:
            self._db.close()
            raise JournalError(NEWER(path=str(path), tables=version, known=VERSION))
        return int(version)

    @staticmethod
    def _unopened(path: Path, error: Exception) -> JournalError:
        return JournalError(NOT_OPENED(path=str(path), error=str(error)))

    def recall(self, name: str) -> object:
        """The value stored under ``name``, or ``None``."""
        with self._reading():
            row = self._db.execute("SELECT value FROM memory WHERE name = ?", (name,)).fetchone()
            return None if row is None else json.loads(row[0])

    def unfinished(self) -> list[StoredFill]:
        """Fills without a record, oldest first."""
        return self._fills("WHERE record IS NULL ORDER BY number", ())

    def fills(self) -> list[StoredFill]:
        """Every fill, oldest first."""
        return self._fills("ORDER BY number", ())

    def closed(self) -> list[str]:
        """Ids of the fills that have a record, oldest first."""
        with self._reading():
            rows = self._db.execute("SELECT fill_id FROM fills WHERE record IS NOT NULL ORDER BY number")
            return [fill_id for (fill_id,) in rows]

    def fill(self, fill_id: str) -> StoredFill:
        """One fill by its id or serial number; :class:`JournalError` if there is none."""
        found = self._fills("WHERE fill_id = ? OR CAST(number AS TEXT) = ?", (fill_id, fill_id))
        if not found:
            known = ", ".join(fill.fill_id for fill in self.fills()[-3:]) or "none"
            raise JournalError(NO_FILL(fill_id=fill_id, path=str(self.path), known=known))
        return found[0]

    def entries(self, fill_id: str) -> list[StoredEntry]:
        """The entries of a fill, in order."""
        with self._reading():
            rows = self._db.execute(
                "SELECT seq, at, kind, data FROM entries WHERE fill_id = ? ORDER BY seq", (fill_id,)
            )
            return [StoredEntry(seq, at, kind, json.loads(data)) for seq, at, kind, data in rows]

    def provings(self) -> list[StoredProving]:
        """Every proving, oldest first."""
        with self._reading():
            rows = self._db.execute("SELECT number, at, meter, accepted, document FROM provings ORDER BY number")
            parsed = [(n, at, meter, bool(took), json.loads(text)) for n, at, meter, took, text in rows]
        judged: dict[object, StoredEvent] = {}
        for event in self.events():
            judged[event.what.get(_VOIDS) or event.what.get(_TAKES_BACK)] = event
        return [StoredProving(*row, judged.get(row[0])) for row in parsed]

    def events(self) -> list[StoredEvent]:
        """Every event, oldest first."""
        with self._reading():
            rows = self._db.execute("SELECT kind, number, at, by, what FROM events ORDER BY seq")
            return [StoredEvent(kind, number, at, by, json.loads(what)) for kind, number, at, by, what in rows]

    def event_counts(self) -> dict[EventKind, int]:
        """Number of events of each kind so far."""
        with self._reading():
            found = dict(self._db.execute("SELECT kind, MAX(number) FROM events GROUP BY kind").fetchall())
        return {"calibration": found.get("calibration", 0), "configuration": found.get("configuration", 0)}

    def _fills(self, clause: str, values: tuple[str, ...]) -> list[StoredFill]:
        with self._reading():
            rows = self._db.execute(fills_query(self._tables, clause), values)
            return [
                StoredFill(
                    number, fill_id, at, json.loads(about), setup, state_of(latest) or state,
                    json.loads(record) if record else None, latest_at or at,
                )
                for number, fill_id, at, about, setup, state, record, latest, latest_at in rows
            ]  # fmt: skip

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, json.JSONDecodeError, zlib.error) as error:
            raise JournalError(DAMAGED(path=str(self.path), error=str(error))) from error

    def close(self) -> None:
        """Close the file."""
        self._db.close()


class EmptyJournal(JournalReader):
    """An empty journal in memory, read if nothing has been done yet."""

    def __init__(self) -> None:
        self._db = sqlite3.connect(":memory:", check_same_thread=False)
        self._db.executescript(SCHEMA)
        self._tables, self.path = VERSION, Path()


class Journal(JournalReader):
    """The journal of one rig, for reading and writing. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open or create the journal at ``path``; :class:`JournalError` if the disk or the file does not allow it."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5)
        except (sqlite3.Error, OSError) as error:
            raise self._unopened(path, error) from error
        try:
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute("PRAGMA foreign_keys=ON")
            if self._db.execute("PRAGMA journal_mode").fetchone() != ("wal",):
                # SQLite does not wait for this while another connection is at work.
                with alone(path):
                    self._db.execute("PRAGMA journal_mode=WAL")
            if self._version(path) < VERSION:
                self._db.executescript(SCHEMA)
        except (sqlite3.Error, OSError) as error:
            self._db.close()
            raise self._unopened(path, error) from error
        self._tables, self.path = VERSION, path

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                # A full disk may already have caused a rollback; a second one would hide the cause.
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise JournalError(NOT_WRITTEN(path=str(self.path), error=str(error))) from error

    def open_fill(self, fill_id: str, at: str, about: Document, setup: str, state: str) -> int:
        """Write a new fill; returns its serial number."""
        with self._transaction() as db:
            cursor = db.execute(
                "INSERT INTO fills (fill_id, opened_at, about, setup, state) VALUES (?, ?, ?, ?, ?)",
                (fill_id, at, json.dumps(about), setup, state),
            )
        return int(cursor.lastrowid or 0)

    def append(self, fill_id: str, at: str, entries: Sequence[tuple[str, Document]], state: str | None) -> None:
        """Append entries and replace the fill's latest state, in one commit; refused for a closed fill.

        Without a state: what happened after the end, to a fill that may be closed.
        """
        with self._transaction() as db:
            if state is not None:
                kept = db.execute(
                    "INSERT OR REPLACE INTO states (number, at, state) "
                    "SELECT number, ?, ? FROM fills WHERE fill_id = ? AND record IS NULL",
                    (at, packed(state), fill_id),
                )
                if kept.rowcount != 1:
                    raise JournalError(CLOSED(fill_id=fill_id))
            db.executemany(
                "INSERT INTO entries (fill_id, at, kind, data) VALUES (?, ?, ?, ?)",
                [(fill_id, at, kind, json.dumps(data)) for kind, data in entries],
            )

    def close_fill(self, fill_id: str, record: Document, memory: Document) -> None:
        """Write the finished record and the values to store, in one commit; a second closing is refused."""
        with self._transaction() as db:
            done = db.execute(
                "UPDATE fills SET record = ? WHERE fill_id = ? AND record IS NULL", (json.dumps(record), fill_id)
            )
            if done.rowcount != 1:
                raise JournalError(CLOSED(fill_id=fill_id))
            db.executemany(
                "INSERT INTO memory (name, value) VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                [(name, json.dumps(value)) for name, value in memory.items()],
            )

    def append_proving(self, at: str, meter: str, by: str, document: Document, *, accepted: bool) -> int:
        """Write a proving, and the calibration event of an accepted one; returns the proving's number."""
        with self._transaction() as db:
            (last,) = db.execute("SELECT COALESCE(MAX(number), 0) FROM fills").fetchone()
            kept = with_words(at, {**document, AFTER_FILL: last})
            cursor = db.execute(
                "INSERT INTO provings (at, meter, accepted, document) VALUES (?, ?, ?, ?)",
                (str(at), meter, int(accepted), json.dumps(kept)),
            )
            number = int(cursor.lastrowid or 0)
            if accepted:
                what = {"proving": number, "meter": meter, "factor": document.get("factor")}
                self._add_event(db, "calibration", at, by, what)
        return number

    def void_proving(self, number: int, at: str, by: str, why: str) -> bool:
        """Declare a proving void, which is a calibration event; False if it is void already."""
        return self._judge(number, at, by, {_VOIDS: number, "why": why}, void=True)

    def take_back_void(self, number: int, at: str, by: str, why: str) -> bool:
        """Revoke the declaration that a proving is void; False if it is not void."""
        return self._judge(number, at, by, {_TAKES_BACK: number, "why": why}, void=False)

    def _judge(self, number: int, at: str, by: str, what: Document, *, void: bool) -> bool:
        with self._transaction() as db:
            found = next((each for each in self.provings() if each.number == number), None)
            if found is None:
                raise JournalError(NO_PROVING(number=number, path=str(self.path)))
            if found.void is not void:
                self._add_event(db, "calibration", at, by, what)
            return found.void is not void

    def append_event(self, kind: EventKind, at: str, by: str, what: Document) -> int:
        """Write an event; returns the number of events of its kind."""
        with self._transaction() as db:
            return self._add_event(db, kind, at, by, what)

    @staticmethod
    def _add_event(db: sqlite3.Connection, kind: EventKind, at: str, by: str, what: Document) -> int:
        (last,) = db.execute("SELECT COALESCE(MAX(number), 0) FROM events WHERE kind = ?", (kind,)).fetchone()
        db.execute(
            "INSERT INTO events (kind, number, at, by, what) VALUES (?, ?, ?, ?, ?)",
            (kind, last + 1, str(at), by, json.dumps(with_words(at, what))),
        )
        return int(last) + 1

    def take_back(self, provings: Sequence[StoredProving], events: Sequence[StoredEvent]) -> int:
        """Enter provings and events restored from a book, each kind only if there is none; returns how many."""
        with self._transaction() as db:
            (proven,) = db.execute("SELECT COUNT(*) FROM provings").fetchone()
            (noted,) = db.execute("SELECT COUNT(*) FROM events").fetchone()
            lost, gone = ([] if proven else provings), ([] if noted else events)
            db.executemany(
                "INSERT INTO provings (number, at, meter, accepted, document) VALUES (?, ?, ?, ?, ?)",
                [(each.number, each.at, each.meter, int(each.accepted), json.dumps(each.document)) for each in lost],
            )
            db.executemany(
                "INSERT INTO events (kind, number, at, by, what) VALUES (?, ?, ?, ?, ?)",
                [(each.kind, each.number, each.at, each.by, json.dumps(each.what)) for each in gone],
            )
        return len(lost) + len(gone)

    def last_number(self) -> int:
        """The last number issued; 0 if none was."""
        with self._reading():
            row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'fills'").fetchone()
            return int(row[0]) if row else 0

    def number_after(self, number: int) -> None:
        """Number the next fill above ``number``, the book's last: none is issued twice. Only before the first fill."""
        assert self.last_number() == 0
        with self._transaction() as db:
            db.execute("DELETE FROM sqlite_sequence WHERE name = 'fills'")
            db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('fills', ?)", (number,))

    def prune(self, kept: int) -> None:
        """Drop the progress rows of closed fills except the latest ``kept``; fills, records and other entries stay."""
        old = "SELECT fill_id FROM fills WHERE record IS NOT NULL ORDER BY number DESC LIMIT -1 OFFSET ?"
        find = f"SELECT 1 FROM entries WHERE kind = 'progress' AND fill_id IN ({old}) LIMIT 1"
        with self._reading():
            if self._db.execute(find, (kept,)).fetchone() is None:
                return
        with self._transaction() as db:
            db.execute(f"DELETE FROM entries WHERE kind = 'progress' AND fill_id IN ({old})", (kept,))
