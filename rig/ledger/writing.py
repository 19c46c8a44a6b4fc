"""The book of the shop, written: records are appended under the head's lock, in one commit, each once.

A book is made with an id of its own, under which its records are sealed; the name of the rig is no part of it. A
running fill is written to the journal; the book takes what is finished.
"""

from __future__ import annotations

import json
import os
import secrets
import threading
from collections.abc import Sequence

from sqlalchemy import Connection, Engine, event, insert, select, text, update

from rig.ledger.book import Book, BookError, CorrectedError, Entry, engine_of, witness_of
from rig.ledger.chain import START, VOID, Body, Fault, Head, Record, canonical, content_key, faults_of, seal
from rig.ledger.identity import Identity, identity_of
from rig.ledger.migrations import migrate
from rig.ledger.moment import Moment, says, with_words
from rig.ledger.tables import IDENTITY, RECORDS, SEALED

_HEAD = text(
    "INSERT INTO heads (truck, serial, hash) VALUES (:truck, 0, :start) "
    "ON CONFLICT (truck) DO UPDATE SET serial = heads.serial RETURNING serial, hash"
)
"""Takes the lock on a truck's chain, begins it where there is none, and returns where it ends."""
_IDENTITY = text(
    "INSERT INTO identity (truck, collects) SELECT :truck, :collects "
    "WHERE NOT EXISTS (SELECT 1 FROM identity) ON CONFLICT DO NOTHING"
)
"""Of two who open a new book at once, the first says whose it is."""
_ID_BYTES = 5
"""Of a new truck's id: of a thousand trucks two have the same with a chance of one in two million."""


class WritableBook(Book):
    """The book at a URL, made where there is none. Appends for its own truck; reads all."""

    def __init__(self, url: str, truck: str | None = None, *, collects: bool = False) -> None:
        """Open the book, make or migrate its tables; BookError when that is not to be had.

        A new book gets the id ``truck``, or one of its own making; one that exists keeps its id, and another ``truck``
        is refused. ``collects``: it takes the chains of other trucks.
        """
        self._made = Identity(truck or f"truck-{secrets.token_hex(_ID_BYTES)}", collects)
        super().__init__(url)
        if truck is not None and truck != self.truck:
            self.close()
            raise BookError(f"{self.name}: is the book of {self.truck!r}, not of {truck!r}; open the right one")

    def _engine_at(self, url: str) -> Engine:
        engine = engine_of(url)
        if self._path is not None:
            event.listen(engine, "connect", _durable)
        return engine

    def _prepare(self) -> None:
        if self._path is not None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        migrate(self._engine, self._path)

    def _identity(self) -> Identity:
        with self._engine.begin() as db:
            found = identity_of(db, self._made)
            db.execute(_IDENTITY, {"truck": found.truck, "collects": int(found.collects)})
            return identity_of(db)

    def adopt(self, truck: str) -> None:
        """Go on as the book of ``truck``, whose records come back from an office; BookError where this one has any."""
        with self._doing("written"), self._engine.begin() as db:
            if self.identity.collects or db.execute(select(RECORDS.c.serial).limit(1)).first() is not None:
                raise BookError(
                    f"{self.name}: is the book of {self.truck!r} and holds records; {truck!r} needs a new one"
                )
            db.execute(update(IDENTITY).values(truck=truck))
        self.identity = Identity(truck, collects=False)

    # --- appending --------------------------------------------------------------------------------------------------

    def append(self, kind: str, key: str, at: str, body: Body) -> Record:
        """Write one record; where one of this kind and key is there already, nothing: that one is returned."""
        return self.append_all([(kind, key, at, body)])[0]

    def note(self, kind: str, at: str, body: Body, once: str = "") -> Record:
        """Write one record, known by what it says and when, or by ``once``: the id of the request for it."""
        return self.append(kind, once or content_key(at, body), at, body)

    def put(self, kind: str, key: str, at: str, body: Body, standing: Record | None) -> Record:
        """Write what is known under a key from now on, in the place of what was ``standing`` or was declared void.

        CorrectedError where another one stands there by now.
        """
        if standing is not None:
            return self.replace(standing, body, at)
        last = self.last(kind, key)
        if last is not None and last.kind == VOID:
            return self.replace(last, body, at)
        made = self.append(kind, key, at, body)
        if not says(made, at, body):
            raise CorrectedError(f"{kind} {key!r} was written meanwhile, as record {made.serial}: look at it first")
        return made

    def replace(
        self, standing: Record, body: Body, written_at: str, *, at: str | None = None, once: str = ""
    ) -> Record:
        """Write the record that replaces ``standing``: a correction, ``written_at`` a time, of one kind with it.

        In the place of a declaration that a record is void it is of that record's kind. It stands in the same chain,
        with ``at`` as its time where that is not the time of writing, and is written for a request ``once``.
        CorrectedError where another one has replaced it already.
        """
        kind = str(standing.document["voids"]) if standing.kind == VOID else standing.kind
        own: dict[str, object] = {
            "corrects": standing.serial,
            "origin": self.origin(standing),
            "revision": _next_revision(standing),
        }
        if at is not None and isinstance(written_at, Moment):
            own["written_clock"] = written_at.clock
        whole = {**body, **own}
        entry = (kind, once or content_key(written_at, whole), at or written_at, whole)
        return self.append_all([entry], standing.truck)[0]

    def void(self, standing: Record, at: str, why: str, by: str = "", once: str = "") -> Record:
        """Declare a record void; nothing is deleted. CorrectedError where another one has replaced it already."""
        body: dict[str, object] = {
            "corrects": standing.serial,
            "origin": self.origin(standing),
            "revision": _next_revision(standing),
            "voids": standing.kind,
            "why": why,
            "by": by,
        }
        return self.append_all([(VOID, once or content_key(at, body), at, body)], standing.truck)[0]

    def take_back(self, void: Record, at: str, why: str, by: str = "", once: str = "") -> Record:
        """Write anew, in its place, what ``void`` has declared void. CorrectedError where that was done already."""
        serial = void.corrects
        assert serial is not None
        before = self.at_serial(serial, void.truck)
        assert before is not None
        body = before.document | {"corrected_at": at, "corrected_by": by, "why": why}
        return self.replace(void, body, at, at=before.at, once=once)

    def append_all(self, entries: Sequence[Entry], truck: str | None = None) -> list[Record]:
        """Write records in one commit, each once, or none; raises UnfitError, CorrectedError, BookError.

        They go into this book's own chain, or into that of ``truck``. A record of a kind and key that any chain of this
        rig has already is not written a second time.
        """
        own = self.own if truck is None else (truck,)
        with self._doing("written"), self._engine.begin() as db:
            head = self._head(db, truck or self.truck)
            made, new = [], []
            for kind, key, at, said in entries:
                body = with_words(at, dict(said))
                record = self._once(db, kind, key, own)
                if record is None:
                    self._not_replaced(db, truck or self.truck, body.get("corrects"))
                    record = seal(truck or self.truck, head, kind, key, str(at), canonical(body))
                    db.execute(insert(RECORDS), _row(record))
                    head = (record.serial, record.hash)
                    new.append(record)
                made.append(record)
        if new:
            self._witness()
        return made

    @staticmethod
    def _once(db: Connection, kind: str, key: str, trucks: Sequence[str]) -> Record | None:
        row = db.execute(
            select(*SEALED).where(RECORDS.c.truck.in_(trucks), RECORDS.c.kind == kind, RECORDS.c.key == key)
        ).first()
        return None if row is None else Record(*row)

    @staticmethod
    def _head(db: Connection, truck: str) -> Head:
        row = db.execute(_HEAD, {"truck": truck, "start": START}).one()
        return int(row[0]), str(row[1])

    @staticmethod
    def _not_replaced(db: Connection, truck: str, serial: object) -> None:
        """Two who correct one record at once would leave two: the second is refused. Under the head's lock."""
        if serial is None:
            return
        taken = select(RECORDS.c.serial).where(RECORDS.c.truck == truck, RECORDS.c.corrects == serial)
        by = db.execute(taken).scalar()
        if by is not None:
            raise CorrectedError(f"record {serial} was corrected meanwhile, by record {by}: look at that one first")

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


def _next_revision(standing: Record) -> int:
    known = standing.document.get("revision")
    return (known if isinstance(known, int) else int(standing.corrects is not None)) + 1


def _row(record: Record) -> dict[str, object]:
    return {column.name: getattr(record, column.name) for column in SEALED}


def _durable(connection: object, _: object) -> None:
    """Each connection to SQLite: commits outlive the plug (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    for pragma in ("busy_timeout=5000", "synchronous=EXTRA"):
        connection.execute(f"PRAGMA {pragma}")  # type: ignore[attr-defined]
