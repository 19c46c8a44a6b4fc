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

_NUMBERS = "SHOP-"
"""Before the office's number of a customer, so that it is none of a truck's."""
FIELDS: dict[Offered, tuple[str, ...]] = {
    "customer": (
        "name", "address", "postcode", "city", "country", "tax_number", "phone", "email", "tax_exempt", "former_names",
    ),
    "job": ("customer", "customer_number", "address", "site", "machine", "tax_exempt"),
    "wheels of a job": ("wheels", "put_away"),
    "wheel": ("size", "took_l", "valve_at", "fill_id"),
    "prices": ("prices",),
}  # fmt: skip
"""What of each kind of record is offered."""


def said_in(what: Offered, document: Document) -> Document:
    """What of a record's document is offered."""
    return {name: document[name] for name in FIELDS[what] if document.get(name) is not None}


def what_of(record: Record) -> Offered:
    """What an office's record offers."""
    return cast("Offered", record.kind.removeprefix(SHARED))


@dataclass(slots=True)
class Offers:
    """What is offered now: by kind and name, in each chain that has it."""

    standing: dict[tuple[Offered, str], dict[str, Record]] = field(default_factory=dict)

    @classmethod
    def of(cls, book: Book, chains: Collection[str]) -> Offers:
        """All offers of these chains."""
        made = cls()
        for record in book.valid([f"{SHARED}{what}" for what in FIELDS], truck=chains):
            made.put(record)
        return made

    def put(self, record: Record) -> None:
        """A newer record of an offer."""
        self.standing.setdefault((what_of(record), Shared.of(record).name), {})[record.truck] = record

    def drop(self, record: Record) -> None:
        """An offer that is withdrawn."""
        self.one(what_of(record), Shared.of(record).name).pop(record.truck, None)

    def one(self, what: Offered, name: str) -> dict[str, Record]:
        """The offer of a name, by chain; empty if there is none."""
        return self.standing.get((what, name), {})

    def each(self, what: Offered) -> list[tuple[Record, Shared]]:
        """All offers of a kind, in the order of their chains."""
        found = [record for (kind, _), chains in self.standing.items() if kind == what for record in chains.values()]
        return [(record, Shared.of(record)) for record in sorted(found, key=lambda each: (each.truck, each.serial))]

    def next_number(self) -> str:
        """The office's next free number of a customer."""
        taken = [offer.name.removeprefix(_NUMBERS) for _, offer in self.each("customer")]
        return f"{_NUMBERS}{1 + max((int(number) for number in taken if number.isdecimal()), default=0)}"

    def customer_of(self, truck: str, number: str) -> str:
        """The office's number of a truck's customer; empty if the office has none."""
        if self.one("customer", number).get(OFFICE) is not None:
            return number
        known = (
            offer.name
            for _, offer in self.each("customer")
            if any((source.truck, source.name) == (truck, number) for source in offer.sources)
        )
        return next(known, "")


def number_at(offer: Shared, truck: str) -> str:
    """The number of an offered customer in a truck's own book."""
    return next((source.name for source in offer.sources if source.truck == truck), offer.name)
