"""Identity of a book: fixed when it is created; for a book of an earlier version, inferred from its chains."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, inspect, select

from rig.ledger.tables import HEADS, IDENTITY, RECORDS

FROM_THE_JOURNAL = ("fill", "vessel", "return", "rinse", "event", "proving")
"""Kinds posted from a journal, of which a second chain of the same rig therefore has copies."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Identity of a book, fixed when it is created."""

    truck: str
    """The id under which this book's own records are sealed; not a display name."""
    collects: bool
    """It collects the chains of other trucks, as an office's book does. Otherwise all its chains are this rig's own."""


def kept_identity(db: Connection) -> Identity | None:
    """The identity that a book stores; None if it stores none yet."""
    row = db.execute(select(IDENTITY)).first() if inspect(db).has_table(IDENTITY.name) else None
    return None if row is None else Identity(str(row[0]), bool(row[1]))


def identity_of(db: Connection, made: Identity | None = None) -> Identity:
    """The identity of a book; for one of an earlier version, which did not store it, inferred from its chains.

    Of several chains in a file it is the one with the most records written by a person, which no copy of a journal has;
    a server's book is an office's. ``made`` is the identity for a book that is still empty.
    """
    if (kept := kept_identity(db)) is not None:
        return kept
    counts = db.execute(
        select(RECORDS.c.truck, func.count(), func.min(RECORDS.c.at))
        .where(RECORDS.c.kind.not_in(FROM_THE_JOURNAL))
        .group_by(RECORDS.c.truck)
    )
    written = {truck: (-number, first) for truck, number, first in counts}
    trucks = [truck for (truck,) in db.execute(select(HEADS.c.truck))]
    if made is not None and (made.collects or not trucks):
        return made
    if db.dialect.name != "sqlite":
        return Identity("office", collects=True)
    return Identity(min(trucks, key=lambda truck: (*written.get(truck, (0, "~")), truck), default="-"), collects=False)
