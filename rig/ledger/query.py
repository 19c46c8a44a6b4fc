"""Queries on the book's tables, and the order of their results. Pure; opens nothing."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Iterable
from itertools import accumulate
from typing import Any, TypedDict, Unpack

from sqlalchemy import Select, select

from rig.ledger.chain import Record
from rig.ledger.tables import RECORDS, SEALED

Query = Select[Any]


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
    corrected = select(1).where(later.c.truck == RECORDS.c.truck, later.c.corrects == RECORDS.c.serial).exists()
    return query.where(~corrected)


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
