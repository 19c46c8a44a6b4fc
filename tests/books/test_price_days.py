"""Which price list a record is billed by, with lists that are in force from a day on."""

from __future__ import annotations

from pathlib import Path

import pytest
from shop_books import posted_of

from rig.books.prices import price_lists
from rig.ledger.chain import Record
from rig.ledger.keeping import book_of
from rig.ledger.pricing import read_prices
from rig.ledger.writing import WritableBook
from rig.record.notes import Prices

TEXT = (Path(__file__).parents[2] / "config" / "prices.toml").read_text(encoding="utf-8")


def at(day: int, hour: int = 8) -> str:
    return f"2026-11-{day:02}T{hour:02}:00:00.000+00:00"


def listed(book: WritableBook, day: int, name: str, first_day: int | None = None) -> Record:
    prices = read_prices(TEXT, "prices").model_dump(mode="json") | {"name": name}
    said = Prices(prices=prices, first_day=None if first_day is None else at(first_day)[:10])
    return book.note("prices", at(day), said)


def fill(book: WritableBook, day: int, hour: int = 8) -> Record:
    name = f"f{day}-{hour}"
    return book.append("fill", name, at(day, hour), posted_of(name, day))


def name_for(book: WritableBook, record: Record) -> str:
    return price_lists(book).read_for(record).name


def test_a_list_is_in_force_from_its_day_until_a_later_one(tmp_path: Path) -> None:
    with book_of(tmp_path) as book:
        early = fill(book, 1)
        listed(book, 2, "first")
        listed(book, 3, "of the 6th", first_day=6)
        before = fill(book, 4)
        listed(book, 5, "by hand")
        between, after = fill(book, 5, 9), fill(book, 6)
        listed(book, 7, "by hand again")
        last = fill(book, 7, 9)
        # A list that comes late changes nothing that was done before it came.
        listed(book, 8, "of the 4th", first_day=4)
        names = [name_for(book, each) for each in (early, before, between, after, last)]
        assert names == ["first", "first", "by hand", "of the 6th", "by hand again"]
        # A correction is billed as what it corrects.
        again = book.replace(before, {**before.document, "net_l": 1.0}, at(9))
        assert name_for(book, again) == "first"


@pytest.mark.usefixtures("in_chicago")
def test_the_day_is_that_of_the_place(tmp_path: Path) -> None:
    with book_of(tmp_path) as book:
        listed(book, 2, "first")
        listed(book, 3, "of the 6th", first_day=6)
        # Three in the morning of the 6th in UTC is the evening of the 5th.
        assert [name_for(book, fill(book, 6, hour)) for hour in (3, 7)] == ["first", "of the 6th"]
