"""Search over the fills of all trucks, newest first, a page at a time by the book's indexes.

A page reads a bounded number of records, however many there are: without a customer or a machine's wheel as many of
each truck as fit on it; by a size, which has no index, at most ``MOST_READ``, and the next page goes on from there.
Only reads records; it must not know how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypedDict

from rig.ledger.query import Place, newest_query, place_in_time
from rig.record.work import PumpWork
from rig.shop.posting import FILL, place_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

ON_A_PAGE = 50
MOST_READ = 1000
"""Records that one page looks through, in steps of ``ON_A_PAGE``. Assumed, no source."""


class _Stream(TypedDict, total=False):
    """What an index yields by time."""

    customer: str
    truck: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is searched for; what is empty is not asked. ``customers`` are all names of one customer."""

    customers: tuple[str, ...] = ()
    wheel: str = ""
    """A machine's wheel (``machine, position``), or the beginning of a size."""
    truck: str = ""
    since: str = ""
    """Inclusive; ``until`` is exclusive."""
    until: str = ""

    def fits(self, record: Record) -> bool:
        """Whether a record is wanted by what no index answers."""
        if record.void_in_its_body or (self.truck and record.truck != self.truck):
            return False
        if not self.wheel:
            return True
        work, wheel = PumpWork.of(record), place_of(self.wheel)
        return place_of(work.wheel) == wheel or place_of(work.shown_size).startswith(wheel)


@dataclass(frozen=True, slots=True)
class FillPage:
    """Fills by time, newest first; ``rest`` is the place before which more may be, None at the end."""

    fills: tuple[Record, ...]
    rest: Place | None


def fill_page(book: Book, wanted: Wanted, before: Place | None = None) -> FillPage:
    """The next page of the fills that are wanted."""
    streams = _streams(book, wanted)
    fits: list[Record] = []
    read = 0
    while read < MOST_READ:
        batch = _newest(book, wanted, streams, before)
        read += len(batch)
        for record in batch:
            before = place_in_time(record)
            if wanted.fits(record):
                fits.append(record)
            if len(fits) == ON_A_PAGE:
                return FillPage(tuple(fits), before)
        if len(batch) < ON_A_PAGE:
            return FillPage(tuple(fits), None)
    return FillPage(tuple(fits), before)


def _streams(book: Book, wanted: Wanted) -> list[_Stream]:
    """The queries that an index yields by time, which together have all that is wanted."""
    if wanted.customers:
        return [_Stream(customer=name) for name in wanted.customers]
    return [_Stream(truck=truck) for truck in ([wanted.truck] if wanted.truck else book.heads())]


def _newest(book: Book, wanted: Wanted, streams: Sequence[_Stream], before: Place | None) -> list[Record]:
    since, until = wanted.since or None, wanted.until or None
    queries = [newest_query(FILL, ON_A_PAGE, before, since=since, until=until, **stream) for stream in streams]
    found = [record for query in queries for record in book.found(query)]
    return sorted(found, key=place_in_time, reverse=True)[:ON_A_PAGE]
