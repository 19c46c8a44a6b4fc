"""The chart of this shop: cavities that its sound fills measured, those of other shops, and what they give for a size.

A fill measures a cavity by its air space; one that a wheel was taught by measures it to the valve as well. Only fills
that are complete, counted, unflagged and not void count, unless a person left them out. The module must not know how a
fill is made, nor how any of it is shown.
"""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from rig.record.notes import Chart, ChartRow, NotInChart, Taught
from rig.record.work import PumpWork
from rig.run.assembly import Question
from rig.shop.filled import OF_A_FILL, filled
from rig.shop.posting import FILL, job_facts, number_of
from rig.shop.wheels import STEP
from rig.wheel import (
    TAUGHT_U,
    Learned,
    Measurement,
    Size,
    Weights,
    cavity_l_of_fill,
    cavity_of,
    learned,
    read_size,
    spread_weights,
)  # fmt: skip

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

CHART, NOT_IN_CHART, WHEEL = "chart", "not in chart", "wheel"
"""Another shop's measurements; what a person left out; a taught wheel."""
How = Literal["air space", "to the valve", "another shop"]
_CREDIBLE = (0.5, 2.0)
"""A measured cavity as a multiple of the size's, outside of which it is another tyre's. As for a taught wheel."""


_MOST_OF_A_SIZE = 200
"""Measurements of a size that are given to other trucks: more of them add little to what a size is. No source."""
_RECENT = 200
"""Fills by which the spreads are known: reading more takes longer than it adds. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One measurement of the chart."""

    id: str
    """Of the fill; of another shop's its name, a stroke and the id there."""
    size: str
    measurement: Measurement
    how: How
    at: str
    """Time of its record; that of the takeover for another shop's."""
    truck: str
    """The chain of the fill; empty for another shop's."""
    name: str
    """Number of the fill, or the shop."""
    left_out: Record | None = None
    """The record by which a person left it out."""


def entries(book: Book, size: str | None = None) -> list[Entry]:
    """Every measurement of a size, or of all, also those left out."""
    out, fills = _left_out(book), book.valid(FILL, size=size)
    own = [replace(each, left_out=out.get((each.truck, each.id))) for each in _of_fills(book, fills, size)]
    others = {fill_id: each for (_, fill_id), each in out.items()}
    return own + [replace(each, left_out=others.get(each.id)) for each in _of_others(book, size)]


def _left_out(book: Book) -> dict[tuple[str, str], Record]:
    """What persons left out, by chain and fill."""
    return {(each.truck, NotInChart.of(each).fill_id): each for each in book.valid(NOT_IN_CHART)}


def asked_of(book: Book, question: Question, job: str = "", position: str = "") -> Learned | None:
    """The cavity of a wheel by the chart; None if it has no measurement of the size, or the wheel itself was taught."""
    if question.taught_l is not None:
        return None
    size = read_size(question.size).text
    if not (found := entries(book, size)):
        return None
    others = spreads_beside(spreads_of(recent(book)), size)
    return learned_of(size, found, question.make, _known_wheel(book, job, position), others)


def learned_of(
    size: str, found: Iterable[Entry], make: str = "", wheel: str = "", others: Weights | None = None
) -> Learned | None:
    """The cavity of a size by the measurements that count, of a make and tread or of a wheel among them.

    ``others`` is what the spreads are by other sizes.
    """
    return learned(_size(size, found), make_of(make), wheel, others)


def recent(book: Book) -> list[Entry]:
    """The measurements that count of the latest fills: enough to know how makes and wheels spread."""
    # It brings the book's library with it, which a command without a book does not pay for.
    from rig.ledger.query import newest_query

    out = _left_out(book)
    fills = book.in_order(each for each in book.found(newest_query(FILL, _RECENT)) if not each.void_in_its_body)
    return [each for each in _of_fills(book, fills, None) if (each.truck, each.id) not in out]


def spreads_of(found: Iterable[Entry]) -> dict[str, Weights]:
    """What each size says of the spreads of makes and wheels."""
    by_size = defaultdict[str, list[Entry]](list)
    for each in found:
        by_size[each.size].append(each)
    return {size: spread_weights([_size(size, own)]) for size, own in by_size.items()}


def spreads_beside(spreads: Mapping[str, Weights], size: str) -> Weights:
    """What the sizes but this one say of them."""
    others = [each for name, each in spreads.items() if name != size]
    return {at: sum(each[at] for each in others) for at in spread_weights(())}


def _size(size: str, found: Iterable[Entry]) -> Size:
    cavity = cavity_of(read_size(size))
    counting = tuple(each.measurement for each in found if each.size == size and each.left_out is None)
    return Size(cavity.volume_l, cavity.band, counting)


def make_of(text: str | None) -> str:
    """Maker and tread in the form compared."""
    return " ".join((text or "").casefold().split())


# --- fills of this shop ---------------------------------------------------------------------------------------------


def _of_fills(book: Book, fills: list[Record], size: str | None) -> Iterator[Entry]:
    noted = book.valid(OF_A_FILL, truck={each.truck for each in fills}) if fills else []
    sound = {
        (each.record.truck, work.fill_id): each.record
        for each in filled(book, fills, noted)
        if not each.spilled_l and each.figure is None and _is_sound(work := PumpWork.of(each.record))
        and size in (None, work.size)
    }  # fmt: skip
    for record in sound.values():
        work = PumpWork.of(record)
        if (by_air := _by_air(work)) is not None:
            yield _entry(record, work, by_air, "air space")
    taught: set[tuple[str, str]] = set()
    for each in book.valid(WHEEL, size=size):
        said = Taught.of(each)
        key = (each.truck, said.fill_id)
        fill = sound.get(key)
        if fill is not None and key not in taught:
            taught.add(key)
            work = PumpWork.of(fill)
            yield _entry(fill, work, _to_the_valve(work, said), "to the valve")


def _is_sound(work: PumpWork) -> bool:
    """Whether a fill went as it should, into an empty tyre of the size that it names."""
    empty = not work.existing_l and work.existing_fluid is None and work.loaded_verdict is None
    return work.is_whole and empty and not work.flags and work.cavity_agrees is not False


def _by_air(work: PumpWork) -> Measurement | None:
    """The measured cavity; None where there is none that the size can have."""
    litres, u_l = work.measured_cavity_l, work.measured_cavity_u_l
    low_l, high_l = work.cavity_low_l, work.cavity_high_l
    if litres is None or not u_l or low_l is None or high_l is None or not low_l - u_l <= litres <= high_l + u_l:
        return None
    # Records from before they stated it: all of it is taken as shared, and a quarter as much again as its own.
    shared_u_l = work.measured_cavity_shared_u_l
    own_u_l = u_l / 4 if shared_u_l is None else math.sqrt(max(u_l**2 - shared_u_l**2, (u_l / 10) ** 2))
    return Measurement(litres, own_u_l, u_l if shared_u_l is None else shared_u_l, "")


def _to_the_valve(work: PumpWork, taught: Taught) -> Measurement:
    litres = cavity_l_of_fill(read_size(work.size), taught.took_l, taught.valve_at)
    return Measurement(litres, litres * math.hypot(TAUGHT_U, work.net_u_l / taught.took_l), 0.0, "")


def _entry(record: Record, work: PumpWork, measurement: Measurement, how: How) -> Entry:
    wheel = _wheel_key(work.customer_number or work.customer, work.wheel) or f"{record.truck}/{work.fill_id}"
    measurement = replace(measurement, wheel=wheel, make=make_of(work.make))
    return Entry(work.fill_id, work.size, measurement, how, record.at, record.truck, f"No. {number_of(record)}")


def _wheel_key(customer: str | None, wheel: str | None) -> str:
    return f"{customer or ''}/{wheel}" if wheel else ""


def _known_wheel(book: Book, job: str, position: str) -> str:
    """The key of a customer's wheel; empty if it is not known, or another wheel was put on since it was measured."""
    facts = job_facts(book, job, position)
    if not facts["wheel"] or any('"new wheel"' in each.body for each in book.valid(STEP, wheel=facts["wheel"])):
        return ""
    return _wheel_key(facts["customer_number"] or facts["customer"], facts["wheel"])


# --- other shops ----------------------------------------------------------------------------------------------------


def _of_others(book: Book, size: str | None) -> Iterator[Entry]:
    for record in book.valid(CHART):
        said = Chart.of(record)
        for row in said.rows:
            if size in (None, row.size):
                measurement = Measurement(row.litres, row.u_l, row.shared_u_l, row.wheel, row.make, said.shop)
                yield Entry(f"{said.shop}/{row.id}", row.size, measurement, "another shop", record.at, "", said.shop)


def is_credible(size: str, litres: float) -> bool:
    """Whether a tyre of this size can have this cavity at all."""
    ratio = litres / cavity_of(read_size(size)).volume_l
    return _CREDIBLE[0] < ratio < _CREDIBLE[1]


def rows_for_others(found: list[Entry]) -> list[ChartRow]:
    """The own measurements that count, for another shop: no customer, machine, place, person or date."""
    return [
        ChartRow(
            id=_nameless(each.truck, each.id, each.how),
            size=each.size,
            make=each.measurement.make,
            wheel=_nameless(each.truck, each.measurement.wheel),
            litres=round(each.measurement.litres, 2),
            u_l=round(each.measurement.u_l, 3),
            shared_u_l=round(each.measurement.shared_u_l, 3),
        )
        for each in found
        if each.left_out is None and each.how != "another shop"
    ]


def measured_rows(book: Book) -> Iterator[tuple[tuple[str, bool], list[ChartRow]]]:
    """The measurements of each size by all chains of a book, real and simulated apart; the latest of many."""
    found = [each for each in entries(book) if each.truck]
    pretended = {
        each.truck for each in book.valid(FILL, truck={each.truck for each in found}) if PumpWork.of(each).simulated
    }
    by_size = defaultdict[tuple[str, bool], list[Entry]](list)
    for each in sorted(found, key=lambda each: each.at):
        by_size[each.size, each.truck in pretended].append(each)
    for key, own in by_size.items():
        yield key, rows_for_others(own)[-_MOST_OF_A_SIZE:]


def _nameless(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
