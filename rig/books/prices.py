"""`rig prices`: the shop's price file in the book: prices, tax, the shop's data and logo, its accounts."""

from __future__ import annotations

import argparse
import base64
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.looks import Looks, looks_of
from rig.books.paper import Head
from rig.books.where import add_config, book_asked, book_written, local, now, print_answer
from rig.cli.table import OK, Add
from rig.ledger.pricing import PriceError, PriceList, prices_of, read_prices
from rig.ledger.shop import Shop, head_lines
from rig.record.notes import Picture, Prices
from rig.record.papers import Bill, Quote
from rig.run.refused import Refused
from rig.run.settings import SettingsError

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
        lists = price_lists(book)
    if not lists:
        raise Refused(f"no price list in the book yet: hand one in by `rig prices {EXAMPLE}`")
    record = lists[-1]
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
    lists = price_lists(book)
    if lists and Prices.of(lists[-1]).prices == said.prices:
        return lists[-1]
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


def price_lists(book: Book) -> list[Record]:
    """Every price list of this truck, oldest first."""
    return book.valid(PRICES, truck=book.own)


def list_for(book: Book, lists: Sequence[Record], record: Record) -> Record:
    """The list in force when a record was written, by the order of the book; before the first list, the first."""
    if not lists:
        raise Refused(f"no price list in the book: a supervisor enters it under Settings, or `rig prices {EXAMPLE}`")
    return next((each for each in reversed(lists) if precedes(book, each, record)), lists[0])


def precedes(book: Book, prices: Record, record: Record) -> bool:
    """Whether a list precedes a record in the book."""
    return book.in_order([record, prices])[0] == prices


def read_list(record: Record) -> PriceList:
    """The price list in a record."""
    return prices_of(Prices.of(record).prices, f"price list of record {record.serial}")


# --- the shop -------------------------------------------------------------------------------------------------------


def shop_now(book: Book) -> Shop | None:
    """The shop's block of the price list in force; None if it has none."""
    latest = book.latest(PRICES)
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
    prices = read_list(record)
    lines = [f"{prices.name} ({prices.currency}), in force since {local(record.at)}, record {record.serial}"]
    lines += [f"  {name:<24} {each.price:>9} a {each.by}" for name, each in prices.fluids.items()]
    lines += [f"  {name:<24} {each.price:>9} {each.unit}" for name, each in prices.items.items()]
    lines += [f"  {fee.text:<24} {fee.price:>9} per {fee.per}" for fee in prices.fees]
    taxes = ", ".join(f"{name} {rate} %" for name, rate in prices.taxes.items())
    lines.append(f"  at least {prices.minimum} a job; {prices.tax.name}, rounded by {prices.tax.rounding}: {taxes}")
    shop = prices.shop.name if prices.shop else "no [shop] table: papers carry no name and no address"
    return "\n".join([*lines, f"  shop: {shop}"])
