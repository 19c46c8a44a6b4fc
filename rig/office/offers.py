"""What the office offers, as it stands in a book: of the office itself, or a truck's copy. Reads only."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import cast

from rig.ledger.book import Book
from rig.ledger.chain import Record
from rig.office.keys import OFFICE
from rig.record.base import Document
from rig.record.notes import SHARED, Offered, Shared
from rig.shop.posting import place_of

_NUMBERS: dict[Offered, str] = {"customer": "SHOP-", "site": "SITE-"}
"""Before the office's numbers, so that they are none of a truck's."""
NUMBERED: dict[str, Offered] = {f"{what}_number": what for what in _NUMBERS}
"""Fields that hold such a number."""
FIELDS: dict[Offered, tuple[str, ...]] = {
    "customer": (
        "name", "address", "postcode", "city", "country", "tax_number", "phone", "email", "tax_exempt", "former_names",
    ),
    "site": ("customer_number", "name", "address", "note"),
    "job": ("customer", "customer_number", "address", "site", "site_number", "day", "machine", "tax_exempt"),
    "wheels of a job": ("wheels", "put_away"),
    "wheel": ("size", "took_l", "valve_at", "fill_id"),
    "chart": ("format", "version", "shop", "simulated", "rows", "sha256"),
    "prices": ("prices",),
    "person": ("role", "pin", "removed"),
    "release": ("sha256", "day", "words", "minimum"),
}  # fmt: skip
"""What of each kind of record is offered. Measured cavities are many: they are looked up one by one."""


def said_in(what: Offered, document: Document) -> Document:
    """What of a record's document is offered."""
    return {name: document[name] for name in FIELDS[what] if document.get(name) is not None}


def what_of(record: Record) -> Offered:
    """What an office's record offers."""
    return cast("Offered", record.kind.removeprefix(SHARED))


@dataclass(slots=True)
class Offers:
    """What is offered now: by kind and name, in each chain that has it."""

    _standing: dict[Offered, dict[str, dict[str, tuple[Record, Shared]]]] = field(default_factory=dict)
    _numbers: dict[tuple[Offered, str, str], str] = field(default_factory=dict)
    """The office's number of a customer or site by a truck and its own number."""
    _called: dict[tuple[Offered, str], list[str]] = field(default_factory=dict)
    """Numbers of the customers or sites that have, or had, a name."""
    _last: dict[Offered, int] = field(default_factory=dict)

    @classmethod
    def of(cls, book: Book, chains: Collection[str]) -> Offers:
        """All offers of these chains."""
        made = cls()
        for record in book.valid([f"{SHARED}{what}" for what in FIELDS], truck=chains):
            made.put(record)
        return made

    def put(self, record: Record) -> None:
        """A newer record of an offer."""
        what, offer = what_of(record), Shared.of(record)
        self._standing.setdefault(what, {}).setdefault(offer.name, {})[record.truck] = (record, offer)
        if what not in _NUMBERS:
            return
        number = offer.name.removeprefix(_NUMBERS[what])
        self._last[what] = max(self._last.get(what, 0), int(number) if number.isdecimal() else 0)
        self._numbers |= {(what, source.truck, source.name): offer.name for source in offer.sources}
        numbers = self._called.setdefault((what, place_of(str(offer.said.get("name")))), [])
        numbers += [] if offer.name in numbers else [offer.name]

    def drop(self, record: Record) -> None:
        """An offer that is withdrawn."""
        self._standing[what_of(record)][Shared.of(record).name].pop(record.truck, None)

    def one(self, what: Offered, name: str) -> dict[str, Record]:
        """The offer of a name, by chain; empty if there is none."""
        return {chain: record for chain, (record, _) in self._standing.get(what, {}).get(name, {}).items()}

    def each(self, what: Offered) -> list[tuple[Record, Shared]]:
        """All offers of a kind, in the order of their chains."""
        found = [pair for chains in self._standing.get(what, {}).values() for pair in chains.values()]
        return sorted(found, key=lambda pair: (pair[0].truck, pair[0].serial))

    def new_number(self, what: Offered) -> str:
        """The office's next free number of a customer or site, another one each time."""
        self._last[what] = self._last.get(what, 0) + 1
        return f"{_NUMBERS[what]}{self._last[what]}"

    def called(self, what: Offered, name: str) -> list[tuple[Record, Shared]]:
        """The customers or sites of a name, in any spelling."""
        pairs = [self._standing[what][number][OFFICE] for number in self._called.get((what, place_of(name)), ())]
        return [pair for pair in pairs if place_of(str(pair[1].said.get("name"))) == place_of(name)]

    def number_of(self, what: Offered, truck: str, number: str) -> str:
        """The office's number of a truck's customer or site; empty if the office has none."""
        return number if self.one(what, number) else self._numbers.get((what, truck, number), "")

    def with_office_numbers(self, truck: str, said: Document) -> Document:
        """What a truck's record says, with the office's numbers of customer and site where it has them."""
        return said | {
            field: self.number_of(what, truck, str(said[field])) or said[field]
            for field, what in NUMBERED.items()
            if said.get(field) is not None
        }

    def with_numbers_at(self, truck: str, said: Document) -> Document:
        """What an offer says, with a truck's own numbers of customer and site."""
        return said | {
            field: number_at(Shared.of(offered), truck)
            for field, what in NUMBERED.items()
            if (offered := self.one(what, str(said.get(field))).get(OFFICE)) is not None
        }


def number_at(offer: Shared, truck: str) -> str:
    """The number of an offered customer or site in a truck's own book."""
    return next((source.name for source in offer.sources if source.truck == truck), offer.name)
