"""The book of the shop: every record of one truck or of many, sealed, numbered without a gap, and never changed.

SQLite in the rig's folder, or PostgreSQL by its URL, with the same code. A running fill is written to the journal;
the book takes what is finished. A correction is a new record with ``corrects``: the serial number that it stands in
for. Knows records as documents; must not know what a fill or a price is.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, TypedDict, Unpack

from sqlalchemy import Connection, Select, create_engine, event, insert, select, text
from sqlalchemy.exc import SQLAlchemyError

from rig.ledger.chain import START, Body, Fault, Head, Record, canonical, faults_of, seal
from rig.ledger.journal import JournalError
from rig.ledger.migrations import TooNewError, migrate
from rig.ledger.tables import HEADS, RECORDS, SEALED

_BATCH = 2000
_HEAD = text(
    "INSERT INTO heads (truck, serial, hash) VALUES (:truck, 0, :start) "
    "ON CONFLICT (truck) DO UPDATE SET serial = heads.serial RETURNING serial, hash"
)
"""Takes the lock on a truck's chain, begins it where there is none, and says where it ends."""
Entry = tuple[str, str, str, Body]
"""Kind, key, time and body of a record to be."""


Query = Select[Any]


class Asked(TypedDict, total=False):
    """Which records are asked for; what is left out or None does not matter."""

    job: str | None
    customer: str | None
    wheel: str | None
    since: str | None
    """Included; ``until`` is not."""
    until: str | None
    truck: str | Collection[str] | None
    """One, or several."""


class BookError(JournalError):
    """The book cannot be opened, written or believed; the text says what to do."""


class CorrectedError(BookError):
    """Another record stands in already for the one that is to be corrected: whoever writes looked at an old one."""


class Book:
    """The book at a URL. Appends for one truck; reads all."""

    def __init__(self, url: str, truck: str) -> None:
        """Open the book, make or migrate its tables; BookError when that is not to be had."""
        self.truck = truck
        try:
            self._engine = create_engine(url)
        except (SQLAlchemyError, ImportError) as error:
            raise BookError(
                f"{url}: is no address of a book ({error}); write sqlite:///FILE or postgresql+psycopg://…"
            ) from error
        self._path = Path(self._engine.url.database or "") if self._engine.dialect.name == "sqlite" else None
        self.name = self._engine.url.render_as_string(hide_password=True)
        if self._path is not None:
            self.name = str(self._path)
            event.listen(self._engine, "connect", _durable)
        try:
            with self._doing("opened"):
                if self._path is not None:
                    self._path.parent.mkdir(parents=True, exist_ok=True)
                migrate(self._engine, self._path)
        except BookError:
            self._engine.dispose()
            raise

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @contextlib.contextmanager
    def _doing(self, what: str) -> Iterator[None]:
        try:
            yield
        except TooNewError as error:
            raise BookError(f"{self.name}: {error}") from error
        except (SQLAlchemyError, OSError) as error:
            cause = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
            raise BookError(
                f"{self.name}: the book cannot be {what} ({cause}); check the disk, or the server"
            ) from error

    # --- writing ----------------------------------------------------------------------------------------------------

    def append(self, kind: str, key: str, at: str, body: Body) -> Record:
        """Write one record; where one of this kind and key is there already, nothing: that one is returned."""
        return self.append_all([(kind, key, at, body)])[0]

    def append_all(self, entries: Sequence[Entry]) -> list[Record]:
        """Write records in one commit, each once, or none; raises UnfitError, CorrectedError, BookError."""
        with self._doing("written"), self._engine.begin() as db:
            head = self._head(db)
            made, new = [], []
            for kind, key, at, body in entries:
                record = self._once(db, kind, key)
                if record is None or record.body != canonical(body):
                    self._still_stands(db, body.get("corrects"))
                if record is None:
                    record = seal(self.truck, head, kind, key, at, canonical(body))
                    db.execute(insert(RECORDS), _row(record))
                    head = (record.serial, record.hash)
                    new.append(record)
                made.append(record)
        if new:
            self._witness()
        return made

    def take_in(self, records: Sequence[Record]) -> int:
        """Take records that were sealed elsewhere, in the order of one truck's chain; returns how many were new.

        What is there already is passed over when it is the same; anything else that does not follow raises BookError,
        and then nothing of ``records`` is taken.
        """
        if not records:
            return 0
        truck = records[0].truck
        with self._doing("written"), self._engine.begin() as db:
            head = self._head(db, truck)
            new = [record for record in records if record.serial > head[0]]
            self._same(db, truck, [record for record in records if record.serial <= head[0]])
            follows = (record.serial - 1, record.previous) if (record := new[0] if new else None) else head
            fault = next(faults_of(new, {truck: (new[-1].serial, new[-1].hash)} if new else {}, whole=False), None)
            if fault is None and follows != head:
                fault = Fault(truck, head[0] + 1, f"what was sent does not follow record {head[0]} here")
            if fault is not None:
                raise BookError(f"refused at arrival: {fault}")
            if new:
                db.execute(insert(RECORDS), [_row(record) for record in new])
        if new:
            self._witness()
        return len(new)

    def _same(self, db: Connection, truck: str, records: Sequence[Record]) -> None:
        """Refuse records that are here already with another content."""
        for record in records:
            here = db.execute(
                select(RECORDS.c.hash).where(RECORDS.c.truck == truck, RECORDS.c.serial == record.serial)
            ).scalar()
            if here != record.hash:
                raise BookError(f"refused at arrival: {truck}, record {record.serial}: another one stands here already")

    def _head(self, db: Connection, truck: str | None = None) -> Head:
        row = db.execute(_HEAD, {"truck": truck or self.truck, "start": START}).one()
        return int(row[0]), str(row[1])

    def _once(self, db: Connection, kind: str, key: str) -> Record | None:
        row = db.execute(
            select(*SEALED).where(RECORDS.c.truck == self.truck, RECORDS.c.kind == kind, RECORDS.c.key == key)
        ).first()
        return None if row is None else Record(*row)

    def _still_stands(self, db: Connection, serial: object) -> None:
        """Two who correct one record at once would leave two: the second is told. Under the head's lock."""
        if serial is None:
            return
        taken = select(RECORDS.c.serial).where(RECORDS.c.truck == self.truck, RECORDS.c.corrects == serial)
        by = db.execute(taken).scalar()
        if by is not None:
            raise CorrectedError(f"record {serial} was corrected meanwhile, by No. {by}: look at that one first")

    def _witness(self) -> None:
        """Say beside the database how far it got, so that a tail that is lost with its head is missed.

        It may lag behind the database and never leads it, so it needs no synchronisation of its own.
        """
        if self._path is None:
            return
        witness = witness_of(self._path)
        # The page's threads and other programs write it too.
        temporary = witness.with_name(f"{witness.name}.{os.getpid()}.{threading.get_ident()}")
        heads = json.dumps(self.heads())
        with self._doing("written"):
            temporary.write_text(heads, encoding="utf-8")
            temporary.replace(witness)

    # --- reading ----------------------------------------------------------------------------------------------------

    def heads(self) -> dict[str, Head]:
        """Where each truck's chain ends."""
        with self._doing("read"), self._engine.connect() as db:
            return {truck: (serial, hash_) for truck, serial, hash_ in db.execute(select(HEADS))}

    def every(self, truck: str | None = None, *, after: int = 0, most: int | None = None) -> Iterator[Record]:
        """Records as they were written, by truck and serial number; of one truck those after a serial number."""
        query = select(*SEALED).order_by(RECORDS.c.truck, RECORDS.c.serial).limit(most)
        if truck is not None:
            query = query.where(RECORDS.c.truck == truck, RECORDS.c.serial > after)
        with self._doing("read"), self._engine.connect() as db:
            for row in db.execution_options(yield_per=_BATCH).execute(query):
                yield Record(*row)

    def valid(self, kind: str, **asked: Unpack[Asked]) -> list[Record]:
        """Records of a kind that none corrects, in the order of time."""
        query = valid_query(kind, **asked)
        with self._doing("read"), self._engine.connect() as db:
            return [_record(row) for row in db.execute(query)]

    def plan_of(self, query: Query) -> str:
        """How the database goes about a query, in its own words."""
        compiled = query.compile(self._engine, compile_kwargs={"literal_binds": True})
        word = "EXPLAIN QUERY PLAN" if self._path is not None else "EXPLAIN (ANALYZE, BUFFERS)"
        with self._doing("read"), self._engine.connect() as db:
            rows = db.exec_driver_sql(f"{word} {compiled}".replace("%", "%%"))
            return "\n".join(str(row[-1]) for row in rows)

    def one(self, kind: str, key: str) -> Record | None:
        """This truck's record of a kind and key, or the latest that corrects it; None when there is none."""
        with self._doing("read"), self._engine.connect() as db:
            record = self._once(db, kind, key)
            while record is not None:
                row = db.execute(
                    select(*SEALED).where(RECORDS.c.truck == self.truck, RECORDS.c.corrects == record.serial)
                ).first()
                if row is None:
                    break
                record = Record(*row)
        return record

    def latest(self, kind: str) -> Record | None:
        """This truck's last record of a kind."""
        query = select(*SEALED).where(RECORDS.c.truck == self.truck, RECORDS.c.kind == kind)
        with self._doing("read"), self._engine.connect() as db:
            row = db.execute(query.order_by(RECORDS.c.at.desc(), RECORDS.c.serial.desc()).limit(1)).first()
        return None if row is None else _record(row)

    def keys(self, kind: str) -> set[str]:
        """Keys of this truck's records of a kind."""
        with self._doing("read"), self._engine.connect() as db:
            query = select(RECORDS.c.key).where(RECORDS.c.truck == self.truck, RECORDS.c.kind == kind)
            return {str(key) for (key,) in db.execute(query)}

    # --- trust ------------------------------------------------------------------------------------------------------

    def faults(self, *, tail: int | None = None) -> list[Fault]:
        """Everything that does not hold: in all records, or in each truck's last ``tail``; empty when all is sound."""
        heads = self.heads()
        if tail is None:
            return [*self._damage(), *faults_of(self.every(), heads), *self._unwitnessed(heads)]
        found: list[Fault] = []
        for truck, head in heads.items():
            after = max(0, head[0] - tail)
            found += faults_of(self.every(truck, after=after), {truck: head}, whole=after == 0)
        return [*found, *self._unwitnessed(heads)]

    def _damage(self) -> list[Fault]:
        """What SQLite finds in the file itself."""
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


def valid_query(kind: str, **asked: Unpack[Asked]) -> Query:
    """The question that :meth:`Book.valid` asks."""
    later = RECORDS.alias("later")
    query = select(*SEALED).where(RECORDS.c.kind == kind)
    named = {"job": asked.get("job"), "customer": asked.get("customer"), "wheel": asked.get("wheel")}
    for name, value in named.items():
        if value is not None:
            query = query.where(RECORDS.c[name] == value)
    truck, since, until = asked.get("truck"), asked.get("since"), asked.get("until")
    if truck is not None:
        query = query.where(RECORDS.c.truck.in_([truck] if isinstance(truck, str) else truck))
    if since is not None:
        query = query.where(RECORDS.c.at >= since)
    if until is not None:
        query = query.where(RECORDS.c.at < until)
    corrected = select(1).where(later.c.truck == RECORDS.c.truck, later.c.corrects == RECORDS.c.serial).exists()
    return query.where(~corrected).order_by(RECORDS.c.at, RECORDS.c.truck, RECORDS.c.serial)


def witness_of(path: Path) -> Path:
    """The file beside a book on disk that says how far it got."""
    return path.with_name(f"{path.name}.head")


def _record(row: Sequence[Any]) -> Record:
    return Record(*row)


def _row(record: Record) -> dict[str, object]:
    return {column.name: getattr(record, column.name) for column in SEALED}


def _durable(connection: object, _: object) -> None:
    """Each connection to SQLite: commits outlive the plug (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    for pragma in ("busy_timeout=5000", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}")  # type: ignore[attr-defined]
