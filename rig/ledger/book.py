"""The book of the shop, for reading: sealed records of one or many trucks, numbered without a gap, never changed.

SQLite in the rig's folder, or PostgreSQL by its URL, with the same code. A :class:`Book` opens read-only and creates
nothing, not even a missing file; :class:`rig.ledger.writing.WritableBook` may append. A correction
is a new record with ``corrects``: the serial number that it replaces. The order of records is that of their serial
numbers, never of their times: a clock may have been wrong. Knows records as documents; must not know what a fill or a
price is.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Any, Self, Unpack

from sqlalchemy import Connection, Engine, StaticPool, and_, create_engine, func, inspect, select, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import SQLAlchemyError

from rig.ledger.chain import START, VOID, Body, Fault, Head, Record, SignedHead, faults_of
from rig.ledger.identity import FROM_THE_JOURNAL, Identity, identity_of
from rig.ledger.journal import JournalError
from rig.ledger.migrations import VersionError, check_version
from rig.ledger.query import Asked, Query, merged, valid_query
from rig.ledger.readonly import open_read_only
from rig.ledger.tables import HEADS, LOGINS, METADATA, RECORDS, SEALED, SIGNED
from rig.ledger.words import CANNOT, NO_BOOK, Done
from rig.record.base import Sealed
from rig.sentence import Wording, said_by

_BATCH = 2000
_UNRESTRICTED = text(
    "SELECT to_regprocedure('own_chains()') IS NULL OR pg_has_role(session_user, relowner, 'USAGE') "
    "FROM pg_class WHERE oid = to_regclass('records')"
)
"""True also in an office's book of an earlier version, which had no logins."""
_LOGINS = text(
    "SELECT chain, coalesce(rolcanlogin, false) FROM logins LEFT JOIN pg_roles ON rolname = login ORDER BY chain"
)
Entry = tuple[str, str, str, Body]
"""Kind, key, time and body of a record to be written."""


class BookError(JournalError):
    """The book cannot be opened, written or trusted; the text says what to do."""


class CorrectedError(BookError):
    """Another record has already replaced the one to be corrected: the writer's view was outdated."""


class NoBookError(BookError):
    """There is no book yet at this address."""


class Book:
    """A book for reading. ``truck`` is its own id, ``own`` the chains of its rig."""

    def __init__(self, url: str) -> None:
        """Open the book at a URL for reading; NoBookError if there is none, BookError if it cannot be read."""
        self._path = _file_of(url)
        self._engine = self._engine_at(url)
        self.name = str(self._path) if self._path else self._engine.url.render_as_string(hide_password=True)
        try:
            with self._doing("opened"):
                self._prepare()
                self.identity = self._identity()
        except BookError:
            self._engine.dispose()
            raise

    def _engine_at(self, url: str) -> Engine:
        if self._path is None:
            return engine_of(url).execution_options(postgresql_readonly=True)
        path = self._path
        return create_engine("sqlite://", creator=lambda: open_read_only(path), poolclass=StaticPool)

    def _prepare(self) -> None:
        """Check that there is a readable book."""
        if (self._path is not None and not self._path.exists()) or not inspect(self._engine).has_table("records"):
            raise NoBookError(NO_BOOK(name=self.name))
        with self._engine.connect() as db:
            check_version(db)

    def _identity(self) -> Identity:
        with self._engine.connect() as db:
            return identity_of(db)

    @property
    def truck(self) -> str:
        """The id under which this book's own records are sealed."""
        return self.identity.truck

    @property
    def own(self) -> tuple[str, ...]:
        """The chains of this rig: its own first; in an office's book only the office's."""
        if self.identity.collects:
            return (self.truck,)
        return (self.truck, *(truck for truck in self.heads() if truck != self.truck))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the database."""
        self._engine.dispose()

    @contextlib.contextmanager
    def _doing(self, what: Done) -> Iterator[None]:
        try:
            yield
        except VersionError as error:
            raise BookError(Wording("book.of", "{name}: {error}")(name=self.name, error=said_by(error))) from error
        except (SQLAlchemyError, OSError) as error:
            cause = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
            raise BookError(CANNOT[what](name=self.name, cause=cause)) from error

    @property
    def granted(self) -> tuple[str, ...] | None:
        """The chains to which this login of a server is restricted; None if it is not, as the owner or of a file."""
        if self._path is not None:
            return None
        with self._doing("read"), self._engine.connect() as db:
            if db.execute(_UNRESTRICTED).scalar():
                return None
            return tuple(db.execute(text("SELECT own_chains()")).scalars())

    def logins(self) -> dict[str, bool] | None:
        """Chains with a login of their own at a server, and whether it is valid; None where there are no logins."""
        with self._doing("read"), self._engine.connect() as db:
            if not inspect(db).has_table(LOGINS.name):
                return None
            return {str(chain): bool(valid) for chain, valid in db.execute(_LOGINS)}

    # --- reading ----------------------------------------------------------------------------------------------------

    def heads(self) -> dict[str, Head]:
        """The end of each truck's chain."""
        with self._doing("read"), self._engine.connect() as db:
            return {truck: (serial, hash_) for truck, serial, hash_ in db.execute(select(HEADS))}

    def signed_heads(self, truck: str, since: int = 0, most: int | None = None) -> list[SignedHead]:
        """The signed heads of a chain from a record on, in order; none in a book of an earlier version."""
        query = select(SIGNED).where(SIGNED.c.chain == truck, SIGNED.c.serial >= since).order_by(SIGNED.c.serial)
        with self._doing("read"), self._engine.connect() as db:
            if not inspect(db).has_table(SIGNED.name):
                return []
            return [SignedHead(*row) for row in db.execute(query.limit(most))]

    def last_signed(self, truck: str) -> SignedHead | None:
        """The last signed head of a chain; None if there is none."""
        query = select(SIGNED).where(SIGNED.c.chain == truck).order_by(SIGNED.c.serial.desc()).limit(1)
        with self._doing("read"), self._engine.connect() as db:
            row = db.execute(query).first() if inspect(db).has_table(SIGNED.name) else None
            return None if row is None else SignedHead(*row)

    def every(self, truck: str | None = None, *, after: int = 0, most: int | None = None) -> Iterator[Record]:
        """Records as written, by truck and serial number; for one truck, those after a serial number.

        Read in batches, so that a long reader never blocks a writer.
        """
        trucks = self._trucks() if truck is None else [truck]
        for name in trucks:
            last = after if truck is not None else 0
            while most is None or most > 0:
                batch = self._some(name, last, _BATCH if most is None else min(most, _BATCH))
                yield from batch
                most = most if most is None else most - len(batch)
                if len(batch) < _BATCH:
                    break
                last = batch[-1].serial

    def _trucks(self) -> list[str]:
        """Every truck with a record, regardless of the heads."""
        query = select(RECORDS.c.truck).distinct().order_by(RECORDS.c.truck)
        with self._doing("read"), self._engine.connect() as db:
            return [str(truck) for (truck,) in db.execute(query)]

    def _some(self, truck: str, after: int, most: int) -> list[Record]:
        query = select(*SEALED).where(RECORDS.c.truck == truck, RECORDS.c.serial > after)
        with self._doing("read"), self._engine.connect() as db:
            return [_record(row) for row in db.execute(query.order_by(RECORDS.c.serial).limit(most))]

    def valid(self, kind: str | Collection[str], **asked: Unpack[Asked]) -> list[Record]:
        """Records of one or several kinds that are neither corrected nor void, in the order of the book.

        Within a truck that is the order of serial numbers, a correction in place of what it replaces. Trucks are merged
        by time, each chain in its own order.
        """
        found = self.found(valid_query(kind, **asked))
        return self.in_order(each for each in found if not each.void_in_its_body)

    def found(self, query: Query) -> list[Record]:
        """Records of a query, in its order."""
        with self._doing("read"), self._engine.connect() as db:
            return [_record(row) for row in db.execute(query)]

    def in_order(self, records: Iterable[Record]) -> list[Record]:
        """Records in the order of the book, as in :meth:`valid`."""
        return merged(records, self.origin)

    def origin(self, record: Record) -> int:
        """Serial number of the first record in the sequence of corrections that ends with this one."""
        said = Sealed.of(record)
        if said.origin is not None or said.corrects is None:
            return record.serial if said.origin is None else said.origin
        # A correction by a program version that did not store it.
        [before] = self._some(record.truck, said.corrects - 1, 1)
        return self.origin(before)

    def plan_of(self, query: Query) -> str:
        """The database's own query plan."""
        compiled = query.compile(self._engine, compile_kwargs={"literal_binds": True})
        word = "EXPLAIN QUERY PLAN" if self._path is not None else "EXPLAIN (ANALYZE, BUFFERS)"
        with self._doing("read"), self._engine.connect() as db:
            rows = db.exec_driver_sql(f"{word} {compiled}".replace("%", "%%"))
            return "\n".join(str(row[-1]) for row in rows)

    def one(self, kind: str, key: str) -> Record | None:
        """This rig's record of a kind and key, or its latest correction; None if there is none, or it is void.

        Of copies in two chains, this book's own is used.
        """
        found = self._ends(kind, key)
        return next((each for each in found if each.kind == kind and not each.void_in_its_body), None)

    def last(self, kind: str, key: str) -> Record | None:
        """As :meth:`one`, but the declaration of void if it is void."""
        return next(iter(self._ends(kind, key)), None)

    def _ends(self, kind: str, key: str) -> list[Record]:
        """The present ends of the sequences of corrections of a kind and key; of copies, this book's own first."""
        query = select(*SEALED).where(RECORDS.c.kind == kind, RECORDS.c.key == key, RECORDS.c.truck.in_(self.own))
        with self._doing("read"), self._engine.connect() as db:
            found = [self._end(db, _record(row)) for row in db.execute(query)]
        return sorted(found, key=lambda each: (each.truck != self.truck, each.truck))

    def end(self, record: Record) -> Record:
        """The last correction that follows from a record; of kind VOID if it was declared void."""
        with self._doing("read"), self._engine.connect() as db:
            return self._end(db, record)

    def _end(self, db: Connection, record: Record) -> Record:
        while True:
            later = select(*SEALED).where(RECORDS.c.truck == record.truck, RECORDS.c.corrects == record.serial)
            row = db.execute(later).first()
            if row is None:
                return record
            record = _record(row)

    def latest(self, kind: str) -> Record | None:
        """This rig's last record of a kind as first written: corrections may be of any time."""
        own = (RECORDS.c.truck.in_(self.own), RECORDS.c.kind == kind, RECORDS.c.corrects.is_(None))
        query = select(*SEALED).where(*own)
        ends = query.order_by((RECORDS.c.truck == self.truck).desc(), RECORDS.c.serial.desc()).limit(1)
        with self._doing("read"), self._engine.connect() as db:
            row = db.execute(ends).first()
        return None if row is None else _record(row)

    def at_serial(self, serial: int, truck: str | None = None) -> Record | None:
        """The record with a serial number, in this book's own chain or in another one; None beyond its end."""
        return next(self.every(self.truck if truck is None else truck, after=serial - 1, most=1), None)

    def keys(self, kind: str) -> set[str]:
        """Keys of this rig's records of a kind."""
        return {key for key, _ in self.keys_at(kind)}

    def keys_at(self, kind: str) -> set[tuple[str, str]]:
        """Keys and times of this rig's records of a kind."""
        query = select(RECORDS.c.key, RECORDS.c.at).where(RECORDS.c.truck.in_(self.own), RECORDS.c.kind == kind)
        with self._doing("read"), self._engine.connect() as db:
            return {(str(key), str(at)) for key, at in db.execute(query)}

    # --- trust ------------------------------------------------------------------------------------------------------

    def faults(self, *, tail: int | None = None) -> list[Fault]:
        """All faults in all records, or in each truck's last ``tail``; empty if all is sound.

        Records posted into a second chain of the same rig are included in either case.
        """
        heads = self.heads()
        if tail is None:
            return [*self._damage(), *faults_of(self.every(), heads), *self._unwitnessed(heads), *self._copies(heads)]
        found: list[Fault] = []
        for truck, head in heads.items():
            after = max(0, head[0] - tail)
            found += faults_of(self.every(truck, after=after), {truck: head}, whole=after == 0)
        return [*found, *self._unwitnessed(heads), *([] if self.identity.collects else self._copies(heads))]

    def _copies(self, heads: dict[str, Head]) -> list[Fault]:
        if len(heads) < 2:
            return []
        return [
            Fault(copy.truck, copy.serial, f"a copy of record {of.serial} of {of.truck} ({of.kind} {of.key})")
            for of, copy in self.copies()
        ]

    def copies(self) -> list[tuple[Record, Record]]:
        """Each record also posted into a second chain, with its copy's present state; void copies are left out.

        Copies agree in kind, key and time. The one that a person has corrected since counts as the record, else this
        book's own, else the first by name.
        """
        said = [RECORDS.c[name] for name in ("kind", "key", "at")]
        posted = select(*said).where(RECORDS.c.kind.in_(FROM_THE_JOURNAL)).group_by(*said)
        twice = posted.having(func.count(RECORDS.c.truck.distinct()) > 1).subquery()
        query = select(*SEALED).join(twice, and_(*(twice.c[column.name] == column for column in said)))
        with self._doing("read"), self._engine.connect() as db:
            firsts = [_record(row) for row in db.execute(query)]
            found = [(first, self._end(db, first)) for first in firsts]
        standing = sorted((pair for pair in found if pair[1].kind != VOID), key=lambda pair: _said(pair[0]))
        pairs: list[tuple[Record, Record]] = []
        for _, group in groupby(standing, key=lambda pair: _said(pair[0])):
            (_, kept), *others = sorted(group, key=self._rank)
            pairs += [(kept, copy) for _, copy in others]
        return pairs

    def _rank(self, pair: tuple[Record, Record]) -> tuple[bool, bool, str]:
        first, now = pair
        return first == now, first.truck != self.truck, first.truck

    def _damage(self) -> list[Fault]:
        """Damage that SQLite detects in the file itself."""
        if self._path is None:
            return []
        with self._doing("read"), self._engine.connect() as db:
            told = [str(row[0]) for row in db.exec_driver_sql("PRAGMA integrity_check(10)")]
        return [Fault(self.truck, 0, f"the file is damaged: {each}") for each in told if each != "ok"]

    def _unwitnessed(self, heads: dict[str, Head]) -> list[Fault]:
        try:
            seen = json.loads(witness_of(self._path).read_text(encoding="utf-8")) if self._path else {}
        except (OSError, ValueError):
            return []
        return [
            Fault(truck, heads.get(truck, (0, START))[0] + 1, f"the tail is torn off: {serial} records were written")
            for truck, (serial, _) in seen.items()
            if serial > heads.get(truck, (0, START))[0]
        ]


class EmptyBook(Book):
    """An empty book in memory, read if nothing has been recorded yet."""

    def _engine_at(self, url: str) -> Engine:
        return create_engine(url, connect_args={"check_same_thread": False}, poolclass=StaticPool)

    def _prepare(self) -> None:
        METADATA.create_all(self._engine)


def witness_of(path: Path) -> Path:
    """The file next to a book on disk that records how far it got."""
    return path.with_name(f"{path.name}.head")


def _file_of(url: str) -> Path | None:
    """The file of a book on disk; None for one on a server. BookError for an invalid address."""
    try:
        found = make_url(url)
    except SQLAlchemyError as error:
        raise _no_address(url, error) from error
    return Path(found.database or "") if found.get_backend_name() == "sqlite" else None


def engine_of(url: str) -> Engine:
    """The database at a URL; BookError for an invalid address."""
    try:
        return create_engine(url)
    except (SQLAlchemyError, ImportError) as error:
        raise _no_address(url, error) from error


def _no_address(url: str, error: Exception) -> BookError:
    return BookError(f"{url}: is no address of a book ({error}); write sqlite:///FILE or postgresql+psycopg://…")


def _record(row: Sequence[Any]) -> Record:
    return Record(*row)


def _said(record: Record) -> tuple[str, str, str]:
    return record.kind, record.key, record.at
