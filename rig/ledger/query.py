"""Queries on the book's tables, and the order of their results. Pure; opens nothing."""

from __future__ import annotations

import heapq
import json
from collections.abc import Callable, Collection, Iterable
from itertools import accumulate
from typing import Any, TypedDict, Unpack

from sqlalchemy import Select, and_, or_, select

from rig.ledger.chain import Record
from rig.ledger.tables import RECORDS, SEALED

Query = Select[Any]
Place = tuple[str, str, int]
"""Time, truck and serial number of a record: its place among the records of all trucks, by time."""


class Asked(TypedDict, total=False):
    """Filter of a query; what is left out or None is not filtered."""

    job: str | None
    customer: str | None
    wheel: str | None
    since: str | None
    """Inclusive; ``until`` is exclusive."""
    until: str | None
    truck: str | Collection[str] | None
    """One, or several."""
    size: str | None
    """Of a tyre, somewhere in the body."""


def valid_query(kind: str | Collection[str], **asked: Unpack[Asked]) -> Query:
    """The query of :meth:`Book.valid`."""
    later = RECORDS.alias("later")
    kinds = (kind,) if isinstance(kind, str) else tuple(kind)
    query = select(*SEALED).where(RECORDS.c.kind.in_(kinds))
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
    if (size := asked.get("size")) is not None:
        # In the canonical text of a body. Faster than reading the JSON of all.
        query = query.where(RECORDS.c.body.contains(f'"size":{json.dumps(size)}', autoescape=True))
    corrected = select(1).where(later.c.truck == RECORDS.c.truck, later.c.corrects == RECORDS.c.serial).exists()
    return query.where(~corrected)


def newest_query(kind: str, most: int, before: Place | None = None, **asked: Unpack[Asked]) -> Query:
    """The last ``most`` of the records of :meth:`Book.valid` by time, newest first, before a place.

    With ``truck``, ``customer`` or ``wheel`` alone an index yields them; with none of these all records are sorted.
    """
    query = valid_query(kind, **asked)
    if before is not None:
        at, truck, serial = before
        earlier = and_(RECORDS.c.truck == truck, RECORDS.c.serial < serial)
        query = query.where(RECORDS.c.at <= at, or_(RECORDS.c.at < at, RECORDS.c.truck < truck, earlier))
    return query.order_by(RECORDS.c.at.desc(), RECORDS.c.truck.desc(), RECORDS.c.serial.desc()).limit(most)


def place_in_time(record: Record) -> Place:
    """The place of a record by time."""
    return record.at, record.truck, record.serial


def merged(records: Iterable[Record], origin: Callable[[Record], int]) -> list[Record]:
    """Records in the order of the book: each chain by ``origin``, the chains merged by the latest time so far."""
    chains: dict[str, list[tuple[int, Record]]] = {}
    for record in records:
        chains.setdefault(record.truck, []).append((origin(record), record))
    lines = []
    for truck, chain in chains.items():
        chain.sort(key=lambda each: each[0])
        times = accumulate((record.at for _, record in chain), max)
        lines.append([((at, truck, place), record) for at, (place, record) in zip(times, chain, strict=True)])
    return [record for _, record in heapq.merge(*lines, key=lambda each: each[0])]
