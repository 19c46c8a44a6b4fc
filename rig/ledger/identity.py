"""Whose book it is: fixed when it is made; of a book of an earlier version, concluded from its chains."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, inspect, select

from rig.ledger.tables import HEADS, IDENTITY, RECORDS

FROM_THE_JOURNAL = ("fill", "vessel", "return", "rinse", "event", "proving")
"""Kinds that are posted from a journal, and so are what a second chain of the same rig has copies of."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Whose book it is, fixed when it is made."""

    truck: str
    """The id under which this book's own records are sealed; no display name."""
    collects: bool
    """It holds the chains of other trucks: an office's. Otherwise every chain in it is this rig's own."""


def identity_of(db: Connection, made: Identity | None = None) -> Identity:
    """Whose book it is; in one of an earlier version, which did not say so, what its chains allow to conclude.

    Of several chains in a file that is the one with the most that a person wrote, which no copy of a journal has; a
    server's book is an office's. ``made`` is what a book is to be that holds nothing yet.
    """
    if inspect(db).has_table(IDENTITY.name) and (row := db.execute(select(IDENTITY)).first()) is not None:
        return Identity(str(row[0]), bool(row[1]))
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
