"""The shop's wheels as taught by reference fills: the book's latest value overrides the configuration's.

It must not know how a wheel is filled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.record.notes import Taught
from rig.run.settings import Settings
from rig.run.shop_wheels import ShopWheel
from rig.shop.posting import book_if_any
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book


def with_taught(settings: Settings) -> Settings:
    """The settings with the wheels of the rig's book; JournalError if it cannot be read."""
    with book_if_any(settings) as book:
        return settings if book is None else taught_in(book, settings)


def taught_in(book: Book, settings: Settings) -> Settings:
    """The settings with every wheel as last taught, most recently taught first.

    A wheel whose size in the configuration differs keeps the configuration's values.
    """
    found: dict[str, Taught] = {}
    for each in book.valid("wheel"):
        taught = Taught.of(each)
        # Move it to the end, as the one taught last.
        found.pop(taught.wheel, None)
        found[taught.wheel] = taught
    wheels: dict[str, ShopWheel] = {}
    for name, taught in reversed(found.items()):
        own = settings.wheels.get(name)
        if own is not None and read_size(own.size).text != taught.size:
            continue
        facts = {"size": taught.size, "took": f"{taught.took_l} L", "valve_at": taught.valve_at}
        wheel = ShopWheel.model_validate(facts)
        if own is not None:
            wheel = own.model_copy(update={"cavity": None, "took": wheel.took, "valve_at": wheel.valve_at})
        wheels[name] = wheel
    for name, own in settings.wheels.items():
        wheels.setdefault(name, own)
    return settings.model_copy(update={"wheels": wheels})
