"""Entering into a truck's own book what its office offers: customers, sites, jobs, price lists, the trucks' chart.

Each becomes a record of the truck's own, as if a person had entered it, which states the office's record that it is
from. A record that a person of this truck has changed since is left as it is until the office has heard of that.
"""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

from rig.ledger.book import Book, CorrectedError, Entry
from rig.ledger.chain import VOID, Record
from rig.ledger.keeping import book_of
from rig.ledger.moment import local_day
from rig.ledger.writing import WritableBook
from rig.office.keys import OFFICE, for_truck
from rig.office.link import copy_of_office
from rig.office.offers import NUMBERED, Offers, number_at, said_in
from rig.record.base import Document, RecordError
from rig.record.kinds import KINDS
from rig.record.notes import Chart, Offered, Prices, Shared
from rig.run.refused import Refused
from rig.shop.chart import CHART, entries, rows_for_others
from rig.shop.chart_file import chart_of, read_file

_OFFICE = "office"
_NAMED_BY: dict[Offered, str] = {
    "customer": "customer_number",
    "site": "site_number",
    "job": "job",
    "wheels of a job": "job",
}
"""The field of a record that has its name."""


def entered_from_office(folder: Path, at: str, *, simulated: bool | None = None) -> list[Record]:
    """Enter what the office offers and the truck's book has not; returns the new records. BookError.

    Without knowing whether the rig is simulated no chart is entered.
    """
    with book_of(folder) as book, copy_of_office(folder) as copy:
        chains = (OFFICE, for_truck(book.truck))
        if not copy.heads().keys() & set(chains):
            return []
        entering = _Entering(book, Offers.of(copy, chains), at)
        made = [record for what in _NAMED_BY for record in entering.all_of(what)] + entering.prices()
        return made if simulated is None else made + entering.charts(simulated=simulated)


class _Entering:
    """Enters offers into one book."""

    def __init__(self, book: WritableBook, offers: Offers, at: str) -> None:
        self._book, self._offers, self._at = book, offers, at
        self._known = {what: _by_name(book, what) for what in _NAMED_BY}

    def all_of(self, what: Offered) -> list[Record]:
        """Enter the customers, the sites, the jobs or their wheels: what is new in one commit, changes one by one."""
        new: list[Entry] = []
        made: list[Record] = []
        taken = self._book.keys(what)
        for record, offer in self._offers.each(what):
            name = number_at(offer, self._book.truck) if _NAMED_BY[what] in NUMBERED else offer.name
            standing = self._known[what].get(name)
            said = self._offers.with_numbers_at(self._book.truck, offer.said)
            if standing is not None and self._is_kept(what, standing, offer, said):
                continue
            document = {**said, _NAMED_BY[what]: name, "from_office": record.serial, "by": offer.by or _OFFICE}
            # A newer version may offer what this one cannot read; or somebody was quicker: the next time.
            with contextlib.suppress(CorrectedError, RecordError):
                body = KINDS[what].from_document(document)
                if name not in taken:
                    new.append((what, name, self._at, body.sealed()))
                else:
                    made.append(self._book.put(what, name, self._at, body, standing))
        return [*(self._book.append_all(new) if new else ()), *made]

    def _is_kept(self, what: Offered, standing: Record, offer: Shared, said: Document) -> bool:
        """Whether a record stays: it says the same, or a person has changed it and the office has not heard of that."""
        there = next((each.serial for each in offer.sources if each.truck == self._book.truck), 0)
        own_word = "from_office" not in standing.document and standing.serial > there
        return own_word or said_in(what, standing.document) == said_in(what, said)

    def prices(self) -> list[Record]:
        """Enter the price list in force and those of later days: when their day comes there may be no network."""
        lists = sorted(self._offers.each("prices"), key=lambda each: (each[1].name, each[0].serial))
        past = [offer.name for _, offer in lists if offer.name <= local_day(self._at)]
        known = self._book.keys("prices")
        new: list[Entry] = []
        for record, offer in lists:
            if offer.name >= max(past, default="") and _price_key(record) not in known:
                said = {**offer.said, "from_office": record.serial, "first_day": offer.name}
                new.append(("prices", _price_key(record), self._at, Prices.from_document(said).sealed()))
        return self._book.append_all(new) if new else []

    def charts(self, *, simulated: bool) -> list[Record]:
        """Enter what other trucks measured of each size, without this truck's own."""
        offers = [each.said for _, each in self._offers.each("chart") if each.said.get("simulated") == simulated]
        new = [said for said in offers if self._is_new(said)]
        own = frozenset(row.id for row in rows_for_others(entries(self._book))) if new else frozenset()
        made: list[Record] = []
        for offer in new:
            # A newer version may offer what this one cannot read; or somebody was quicker: the next time.
            with contextlib.suppress(CorrectedError, RecordError, Refused):
                said = chart_of(read_file(json.dumps(offer).encode()), own)
                standing = self._book.one(CHART, said.shop)
                if said.rows or standing is not None:
                    made.append(self._book.put(CHART, said.shop, self._at, said, standing))
        return made

    def _is_new(self, said: Document) -> bool:
        """Whether a chart was never entered, or is another one; what a person of this truck left out stays out."""
        standing = self._book.last(CHART, str(said["shop"]))
        return standing is None or (standing.kind != VOID and Chart.of(standing).sha256 != said["sha256"])


def _price_key(record: Record) -> str:
    return f"{_OFFICE} {record.serial}"


def _by_name(book: Book, what: Offered) -> dict[str, Record]:
    """The standing records of a kind, by name."""
    return {str(record.document[_NAMED_BY[what]]): record for record in book.valid(what, truck=book.own)}


def jobs_in(records: list[Record]) -> list[str]:
    """The jobs among these records."""
    return [str(record.document["job"]) for record in records if record.kind == "job"]
