"""`rig prices`: the shop's price file in the book: prices, tax, the shop's data and logo, its accounts."""

from __future__ import annotations

import argparse
import base64
import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.looks import Looks, looks_of
from rig.books.paper import Head
from rig.books.where import add_config, book_asked, book_written, local, now, print_answer
from rig.cli.table import OK, Add
from rig.ledger.moment import local_day
from rig.ledger.pricing import PriceError, PriceList, prices_of, read_prices
from rig.ledger.shop import Shop, head_lines
from rig.record.base import Sealed
from rig.record.notes import Picture, Prices
from rig.record.papers import Bill, Quote
from rig.run.refused import Refused
from rig.run.settings import SettingsError
from rig.sentence import Wording

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

EXAMPLE = "config/prices.toml"
"""An example list to start from."""
PRICES, LOGO = "prices", "logo"
"""Kinds of records: a price file; a picture, stored once under its digest."""
_LARGEST_LOGO = 256 * 1024


def add_prices(add: Add) -> None:
    """The command ``prices``."""
    command = add("prices", prices_command)
    command.add_argument("file", nargs="?", type=Path, help=f"a file such as {EXAMPLE}")
    add_config(command)


def prices_command(options: argparse.Namespace) -> int:
    """Store a price file, or show the one in force."""
    if options.file is not None:
        with book_written(options) as written:
            keep_prices(written, options.file)
    with book_asked(options) as book:
        record = list_now(book)
    if record is None:
        raise Refused(f"no price list in the book yet: hand one in by `rig prices {EXAMPLE}`")
    print_answer(options, {"serial": record.serial, "at": record.at, **record.document}, _prices_text(record))
    return OK


def keep_prices(book: WritableBook, path: Path) -> Record:
    """Write a price file and its logo into the book; one identical to the last is not written again."""
    try:
        prices = read_prices(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read ({error})") from error
    except PriceError as error:
        raise SettingsError(str(error)) from error
    if prices.shop is not None and prices.shop.logo:
        picture = _picture(path, prices.shop.logo)
        digest = hashlib.sha256(picture).hexdigest()
        book.append(LOGO, digest, now(), Picture(base64=base64.b64encode(picture).decode("ascii")))
        prices = prices.model_copy(update={"shop": prices.shop.model_copy(update={"logo": digest})})
    return keep_list(book, prices)


def keep_list(book: WritableBook, prices: PriceList) -> Record:
    """Write a price list into the book; one identical to the last is not written again."""
    said = Prices(prices=prices.model_dump(mode="json"))
    standing = list_now(book)
    if standing is not None and Prices.of(standing).prices == said.prices:
        return standing
    return book.note(PRICES, now(), said)


def _picture(path: Path, name: str) -> bytes:
    """The logo that a price file names; SettingsError if it cannot be drawn on a paper."""
    from rig.books.pdf import logo_fault

    file = path.parent / name
    try:
        picture = file.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: shop.logo: {file} cannot be read ({error.strerror})") from error
    if len(picture) > _LARGEST_LOGO:
        raise SettingsError(f"{path}: shop.logo: {file} has {len(picture) // 1024} KiB; at most 256 are kept")
    if not (picture.startswith(b"\x89PNG\r\n\x1a\n") or b"<svg" in picture[:4096]):
        raise SettingsError(f"{path}: shop.logo: {file} is neither a PNG nor an SVG file")
    if fault := logo_fault(picture):
        raise SettingsError(f"{path}: shop.logo: {file} cannot be drawn ({fault}); save it anew as PNG")
    return picture


class PriceLists:
    """A truck's price lists, each read once."""

    def __init__(self, book: Book, records: Sequence[Record]) -> None:
        """``records``: all of them, in the order of the book."""
        self._book, self._records = book, records
        # Python's sort keeps the book's order among lists of one day.
        self._by_day = sorted(((first_day(each), each) for each in records), key=_effective_day)
        self._read: dict[Record, PriceList] = {}

    def in_force(self) -> Record | None:
        """The list in force now; None without one."""
        return next(self._begun(local_day(now())), None)

    def record_for(self, record: Record) -> Record:
        """The list in force when a record was written, if the book had it by then; else the first of the book.

        Refused without any list.
        """
        if not self._records:
            raise no_list()
        begun = self._begun(local_day(_written_at(self._book, record)))
        return next((each for each in begun if precedes(self._book, each, record)), self._records[0])

    def read_for(self, record: Record) -> PriceList:
        """The same, read."""
        found = self.record_for(record)
        if found not in self._read:
            self._read[found] = read_list(found)
        return self._read[found]

    def _begun(self, day: str) -> Iterator[Record]:
        """The lists whose first day is not after a day, the latest first."""
        return (each for first, each in reversed(self._by_day) if first is None or first <= day)

    def came_later(self, record: Record) -> bool:
        """Whether the book had no list yet when a record was written."""
        return not any(precedes(self._book, each, record) for each in self._records)


def price_lists(book: Book) -> PriceLists:
    """The price lists of this truck."""
    return PriceLists(book, book.valid(PRICES, truck=book.own))


def list_now(book: Book) -> Record | None:
    """The record of the price list in force; None without one."""
    return price_lists(book).in_force()


def no_list() -> Refused:
    """What is said where a price list is needed and there is none."""
    words = Wording(
        "price_list.none", "no price list in the book: a supervisor enters it under Settings, or `rig prices {example}`"
    )
    return Refused(words(example=str(EXAMPLE)))


def first_day(record: Record) -> str | None:
    """The local day from which on a price list is in force; None: from its record on, whatever any clock says."""
    return Prices.of(record).first_day


def _effective_day(listed: tuple[str | None, Record]) -> str:
    return listed[0] or local_day(listed[1].at)


def _written_at(book: Book, record: Record) -> str:
    """When a record was first written: of a correction, what it corrects."""
    if Sealed.of(record).corrects is None:
        return record.at
    first = book.at_serial(book.origin(record), record.truck)
    return record.at if first is None else first.at


def precedes(book: Book, prices: Record, record: Record) -> bool:
    """Whether a list precedes a record in the book."""
    return book.in_order([record, prices])[0] == prices


def read_list(record: Record) -> PriceList:
    """The price list in a record."""
    words = Wording("price_list.of", "price list of record {serial}")
    return prices_of(Prices.of(record).prices, words(serial=str(record.serial)))


# --- the shop -------------------------------------------------------------------------------------------------------


def shop_now(book: Book) -> Shop | None:
    """The shop's block of the price list in force; None if it has none."""
    latest = list_now(book)
    return read_list(latest).shop if latest else None


def looks_now(book: Book) -> Looks:
    """The shop's present layout of its papers."""
    return looks_of(shop_now(book))


def head_of(book: Book, shop: Shop | None) -> Head | None:
    """The head of a shop's paper; None without a shop."""
    if shop is None:
        return None
    kept = book.one(LOGO, shop.logo) if shop.logo else None
    picture = base64.b64decode(Picture.of(kept).base64) if kept else b""
    return Head(shop.name, tuple(head_lines(shop)), picture)


def shop_of(paper: Bill | Quote) -> Shop | None:
    """The shop's block in a bill or a quote; None in one of a version without it."""
    return None if paper.shop is None else Shop.model_validate(paper.shop)


def _prices_text(record: Record) -> str:
    prices, since = read_list(record), first_day(record) or local(record.at)
    lines = [f"{prices.name} ({prices.currency}), in force since {since}, record {record.serial}"]
    lines += [f"  {name:<24} {each.price:>9} a {each.by}" for name, each in prices.fluids.items()]
    lines += [f"  {name:<24} {each.price:>9} {each.unit}" for name, each in prices.items.items()]
    lines += [f"  {fee.text:<24} {fee.price:>9} per {fee.per}" for fee in prices.fees]
    taxes = ", ".join(f"{name} {rate} %" for name, rate in prices.taxes.items())
    lines.append(f"  at least {prices.minimum} a job; {prices.tax.name}, rounded by {prices.tax.rounding}: {taxes}")
    shop = prices.shop.name if prices.shop else "no [shop] table: papers carry no name and no address"
    return "\n".join([*lines, f"  shop: {shop}"])
