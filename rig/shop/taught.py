"""The shop's wheels as taught by reference fills: the book's latest value overrides the configuration's.

It must not know how a wheel is filled.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger import COPY_NAME
from rig.record.base import Document, RecordError
from rig.record.notes import SHARED, Shared, Taught
from rig.run.settings import Settings
from rig.run.shop_wheels import ShopWheel
from rig.shop.cavities import with_measured
from rig.shop.posting import book_if_any
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book


def with_taught(settings: Settings) -> Settings:
    """The settings with the wheels of the rig's book; JournalError if it cannot be read."""
    with book_if_any(settings) as book:
        return settings if book is None else taught_in(book, settings)


def with_wheel(settings: Settings, name: str) -> Settings:
    """The settings with a wheel asked for by name: as last taught, else as measured on any truck."""
    return with_measured(with_taught(settings), name)


def taught_in(book: Book, settings: Settings) -> Settings:
    """The settings with every wheel as last taught on this truck or another, most recently taught first.

    What another truck has taught counts in the order of the office; a wheel that this truck has taught and the office
    has not heard of yet is later than that. A wheel whose size in the configuration differs keeps the configuration's
    values.
    """
    found = _offered(settings)
    signed = book.last_signed(book.truck)
    heard = 0 if signed is None else signed.serial
    for each in book.valid("wheel"):
        taught = Taught.of(each)
        if taught.wheel in found and each.truck == book.truck and each.serial <= heard:
            continue
        # Move it to the end, as the one taught last.
        found.pop(taught.wheel, None)
        found[taught.wheel] = {"size": taught.size, "took_l": taught.took_l, "valve_at": taught.valve_at}
    wheels: dict[str, ShopWheel] = {}
    for name, said in reversed(found.items()):
        own = settings.wheels.get(name)
        if own is not None and read_size(own.size).text != said["size"]:
            continue
        facts = {"size": said["size"], "took": f"{said['took_l']} L", "valve_at": said["valve_at"]}
        wheel = ShopWheel.model_validate(facts)
        if own is not None:
            wheel = own.model_copy(update={"cavity": None, "took": wheel.took, "valve_at": wheel.valve_at})
        wheels[name] = wheel
    for name, own in settings.wheels.items():
        wheels.setdefault(name, own)
    return settings.model_copy(update={"wheels": wheels})


def _offered(settings: Settings) -> dict[str, Document]:
    """The facts of each wheel that the office offers, in its order; none if its copy is missing or cannot be read."""
    path, found = Path(settings.rig.data) / COPY_NAME, dict[str, Document]()
    if not path.exists():
        return found
    from rig.ledger.book import Book

    # What the office offers is an addition: a fault of it must not keep this truck from its own wheels.
    with contextlib.suppress(RecordError), Book(f"sqlite:///{path}") as copy:
        for record in copy.valid(f"{SHARED}wheel", truck=copy.own):
            offer = Shared.of(record)
            found.pop(offer.name, None)
            found[offer.name] = offer.said
    return found
