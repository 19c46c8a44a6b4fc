"""The book of the shop, for writing: records are appended under the head's lock, in one commit, each once.

A book is created with an id of its own, under which its records are sealed; the rig's name is no part of it. A running
fill is written to the journal; the book takes what is finished.
"""

from __future__ import annotations

import json
import os
import secrets
import threading
from collections.abc import Sequence
from dataclasses import asdict

from sqlalchemy import Connection, Engine, event, insert, select, text, update

from rig.ledger.book import Book, BookError, CorrectedError, Entry, engine_of, witness_of
from rig.ledger.chain import (
    START,
    VOID,
    Body,
    Fault,
    Head,
    Record,
    SignedHead,
    canonical,
    content_key,
    faults_of,
    seal,
)
from rig.ledger.identity import Identity, identity_of, kept_identity
from rig.ledger.migrations import migrate
from rig.ledger.moment import Moment, says, with_words
from rig.ledger.tables import IDENTITY, RECORDS, SEALED
from rig.record.base import Document, Sealed
from rig.record.notes import Void
from rig.sentence import Wording

_HEAD = {
    "sqlite": text(
        "INSERT INTO heads (truck, serial, hash) VALUES (:truck, 0, :start) "
        "ON CONFLICT (truck) DO UPDATE SET serial = heads.serial RETURNING serial, hash"
    ),
    "postgresql": text("SELECT serial, hash FROM locked_head(:truck)"),
}
"""Locks a truck's chain and returns its head. SQLite's is created here, PostgreSQL's by the first record's trigger."""
_IDENTITY = text(
    "INSERT INTO identity (truck, collects) SELECT :truck, :collects "
    "WHERE NOT EXISTS (SELECT 1 FROM identity) ON CONFLICT DO NOTHING"
)
"""If two processes open a new book at once, the first sets its identity."""
_SIGNED = text(
    "INSERT INTO signed (chain, serial, hash, generation, signature, countersignature) "
    "VALUES (:chain, :serial, :hash, :generation, :signature, :countersignature) ON CONFLICT DO NOTHING"
)
_ID_BYTES = 5
"""Size of a new truck's id: among a thousand trucks two have the same with a chance of one in two million."""


class WritableBook(Book):
    """The book at a URL, created if missing. Appends for its own truck; reads all."""

    def __init__(self, url: str, truck: str | None = None, *, collects: bool = False) -> None:
        """Open the book, create or migrate its tables; BookError if that fails.

        A new book gets the id ``truck``, or a generated one; an existing one keeps its id, and another ``truck`` is
        refused. ``collects``: it takes the chains of other trucks.
        """
        self._made = Identity(truck or f"truck-{secrets.token_hex(_ID_BYTES)}", collects)
        super().__init__(url)
        if truck is not None and truck != self.truck:
            self.close()
            raise BookError(
                Wording("book.other", "{name}: is the book of '{own}', not of '{truck}'; open the right one")(
                    name=self.name, own=self.truck, truck=truck
                )
            )

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
            # A truck's login at the office may read it, not write it.
            if (kept := kept_identity(db)) is not None:
                return kept
            found = identity_of(db, self._made)
            db.execute(_IDENTITY, {"truck": found.truck, "collects": int(found.collects)})
            return identity_of(db)

    def adopt(self, truck: str) -> None:
        """Become the book of ``truck``, whose records come back from an office; BookError if this one has any."""
        with self._doing("written"), self._engine.begin() as db:
            if self.identity.collects or db.execute(select(RECORDS.c.serial).limit(1)).first() is not None:
                raise BookError(
                    f"{self.name}: is the book of {self.truck!r} and holds records; {truck!r} needs a new one"
                )
            db.execute(update(IDENTITY).values(truck=truck))
        self.identity = Identity(truck, collects=False)

    # --- appending --------------------------------------------------------------------------------------------------

    def append(self, kind: str, key: str, at: str, said: Body | Sealed) -> Record:
        """Write one record; if one of this kind and key exists, that one is returned instead."""
        return self.append_all([(kind, key, at, _body(said))])[0]

    def note(self, kind: str, at: str, said: Body | Sealed, once: str = "") -> Record:
        """Write one record, keyed by its content and time, or by ``once``: the id of its request."""
        body = _body(said)
        return self.append(kind, once or content_key(at, body), at, body)

    def put(self, kind: str, key: str, at: str, said: Body | Sealed, standing: Record | None) -> Record:
        """Write the present state under a key, in place of the record ``standing`` or of a void one.

        CorrectedError if another record has taken its place.
        """
        body = _body(said)
        if standing is not None:
            return self.replace(standing, body, at)
        last = self.last(kind, key)
        if last is not None and last.kind == VOID:
            return self.replace(last, body, at)
        made = self.append(kind, key, at, body)
        if not says(made, at, body):
            raise CorrectedError(
                Wording("book.meanwhile", "{kind} '{key}' was written meanwhile, as record {serial}: look at it first")(
                    kind=kind, key=key, serial=made.serial
                )
            )
        return made

    def replace(
        self, standing: Record, said: Body | Sealed, written_at: str, *, at: str | None = None, once: str = ""
    ) -> Record:
        """Write the record that replaces ``standing``: a correction of the same kind, written at ``written_at``.

        If it replaces a declaration of void, it is of the voided record's kind. It goes into the same chain, with the
        time ``at`` if that is not the time of writing, and for the request ``once``.
        CorrectedError if another one has already replaced it.
        """
        kind = Void.of(standing).voids if standing.kind == VOID else standing.kind
        own: Document = {
            "corrects": standing.serial,
            "origin": self.origin(standing),
            "revision": _next_revision(standing),
        }
        if at is not None and isinstance(written_at, Moment):
            own["written_clock"] = written_at.clock
        whole = {**_body(said), **own}
        entry = (kind, once or content_key(written_at, whole), at or written_at, whole)
        return self.append_all([entry], standing.truck)[0]

    def void(self, standing: Record, at: str, why: str, by: str = "", once: str = "") -> Record:
        """Declare a record void; nothing is deleted. CorrectedError if another one has already replaced it."""
        said = Void(
            corrects=standing.serial,
            origin=self.origin(standing),
            revision=_next_revision(standing),
            voids=standing.kind,
            why=why,
            by=by,
        )
        body = said.sealed()
        return self.append_all([(VOID, once or content_key(at, body), at, body)], standing.truck)[0]

    def take_back(self, void: Record, at: str, why: str, by: str = "", once: str = "") -> Record:
        """Write again, in its place, what ``void`` has declared void. CorrectedError if that was already done."""
        serial = void.corrects
        assert serial is not None
        before = self.at_serial(serial, void.truck)
        assert before is not None
        said = Sealed.of(before).changed({"corrected_at": str(at), "corrected_by": by, "why": why})
        return self.replace(void, said, at, at=before.at, once=once)

    def append_all(self, entries: Sequence[Entry], truck: str | None = None) -> list[Record]:
        """Write records in one commit, each once, or none; raises UnfitError, CorrectedError, BookError.

        They go into this book's own chain, or into that of ``truck``. A record whose kind and key are already in any
        chain of this rig is not written again.
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
        row = db.execute(_HEAD[db.dialect.name], {"truck": truck, "start": START}).first()
        return (0, START) if row is None else (int(row[0]), str(row[1]))

    @staticmethod
    def _not_replaced(db: Connection, truck: str, serial: object) -> None:
        """Refuse a second correction of one record, which would leave two. Called under the head's lock."""
        if serial is None:
            return
        taken = select(RECORDS.c.serial).where(RECORDS.c.truck == truck, RECORDS.c.corrects == serial)
        by = db.execute(taken).scalar()
        if by is not None:
            raise CorrectedError(
                Wording(
                    "book.corrected", "record {serial} was corrected meanwhile, by record {by}: look at that one first"
                )(serial=str(serial), by=by)
            )

    def take_in(self, records: Sequence[Record], signed: SignedHead | None = None) -> int:
        """Take in records sealed elsewhere, in the order of one truck's chain; returns how many were new.

        Identical records that are already here are skipped; any other that does not follow raises BookError, and then
        none of ``records`` is taken. ``signed``, the head at the last of them, is stored in the same commit.
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
                raise BookError(Wording("book.arrival", "refused at arrival: {fault}")(fault=str(fault)))
            if new:
                db.execute(insert(RECORDS), [_row(record) for record in new])
            if signed is not None:
                db.execute(_SIGNED, asdict(signed))
        if new:
            self._witness()
        return len(new)

    def keep_signed(self, signed: SignedHead) -> None:
        """Store a signed head, unless one of that record is stored."""
        with self._doing("written"), self._engine.begin() as db:
            db.execute(_SIGNED, asdict(signed))

    def _same(self, db: Connection, truck: str, records: Sequence[Record]) -> None:
        """Refuse records that exist here with another content."""
        for record in records:
            here = db.execute(
                select(RECORDS.c.hash).where(RECORDS.c.truck == truck, RECORDS.c.serial == record.serial)
            ).scalar()
            if here != record.hash:
                raise BookError(
                    Wording(
                        "book.another", "refused at arrival: {truck}, record {serial}: another one stands here already"
                    )(truck=truck, serial=record.serial)
                )

    def _witness(self) -> None:
        """Record next to the database how far it got, so that a tail lost together with its head is detected.

        It may lag behind the database and never leads it, so it needs no synchronisation of its own.
        """
        if self._path is None:
            return
        witness = witness_of(self._path)
        # The page's threads and other programs also write it.
        temporary = witness.with_name(f"{witness.name}.{os.getpid()}.{threading.get_ident()}")
        heads = json.dumps(self.heads())
        with self._doing("written"):
            temporary.write_text(heads, encoding="utf-8")
            temporary.replace(witness)


def _next_revision(standing: Record) -> int:
    known = Sealed.of(standing).revision
    return (int(standing.corrects is not None) if known is None else known) + 1


def _body(said: Body | Sealed) -> Document:
    return said.sealed() if isinstance(said, Sealed) else dict(said)


def _row(record: Record) -> Document:
    return {column.name: getattr(record, column.name) for column in SEALED}


def _durable(connection: object, _: object) -> None:
    """Make commits on each SQLite connection durable (https://www.sqlite.org/pragma.html#pragma_synchronous)."""
    for pragma in ("busy_timeout=5000", "synchronous=EXTRA"):
        connection.execute(f"PRAGMA {pragma}")  # type: ignore[attr-defined]
