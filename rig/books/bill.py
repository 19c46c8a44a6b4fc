"""`rig bill`, `rig prices`, and the price lines of a ticket: what work costs, from the records alone."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Mapping, Sequence
from decimal import Decimal
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.paper import Block, Paper
from rig.books.printing import add_print_options, printed, prints_of
from rig.books.where import OK, Add, add_config, book_asked, local, now, told
from rig.ledger.pricing import (
    Drawn,
    Extra,
    Line,
    PriceError,
    PriceList,
    Work,
    bill_document,
    exact,
    lines_of,
    prices_of,
    read_prices,
)
from rig.run.posting import FILL
from rig.run.session import Refused
from rig.run.settings import SettingsError
from rig.shown import NOT_APPROVED, SIMULATED

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

_CELLS = ("text", "quantity", "unit", "price", "amount", "category", "tax_percent", "tax")
_CONTENT = ("customer", "address", "tax_exempt", "currency", "lines", "net", "tax", "total")
"""A bill in which one of these is another is another bill."""
EXAMPLE = "config/prices.toml"
"""A list to begin with."""


def add_bill(add: Add) -> None:
    """The commands ``prices`` and ``bill``."""
    command = add("prices", prices_command, "Hand in a price list, or show the one in force.")
    command.add_argument("file", nargs="?", type=Path, help=f"a list such as {EXAMPLE}")
    add_config(command)
    command = add("bill", bill_command, "What a job costs, from its records.")
    command.add_argument("job", metavar="JOB")
    command.add_argument("--csv", type=Path, metavar="FILE", help="write the lines for a spreadsheet")
    add_print_options(command)
    add_config(command)


# --- price lists ----------------------------------------------------------------------------------------------------


def prices_command(options: argparse.Namespace) -> int:
    """Keep a price list, or show what is in force."""
    with book_asked(options) as book:
        if options.file is not None:
            keep_prices(book, options.file)
        lists = price_lists(book)
    if not lists:
        raise Refused(f"no price list in the book yet: hand one in by `rig prices {EXAMPLE}`")
    record = lists[-1]
    told(options, {"serial": record.serial, "at": record.at, **record.document}, _prices_text(record))
    return OK


def keep_prices(book: Book, path: Path) -> Record:
    """Write a price list into the book; the same as the last one is not written again."""
    try:
        text = path.read_text(encoding="utf-8")
        document = {"prices": read_prices(text, str(path)).model_dump(mode="json")}
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read ({error})") from error
    except PriceError as error:
        raise SettingsError(str(error)) from error
    lists = price_lists(book)
    if lists and lists[-1].document == document:
        return lists[-1]
    at = now()
    return book.append("prices", f"{sha256(text.encode()).hexdigest()[:12]} {at}", at, document)


def price_lists(book: Book) -> list[Record]:
    """Every price list of this truck, oldest first."""
    return book.valid("prices", truck=book.truck)


def list_at(lists: Sequence[Record], at: str) -> Record:
    """The list in force at a time; before the first one, the first."""
    if not lists:
        raise Refused(f"no price list in the book: hand one in by `rig prices {EXAMPLE}`")
    return max((each for each in lists if each.at <= at), key=lambda each: each.serial, default=lists[0])


def _prices_text(record: Record) -> str:
    prices = read_list(record)
    lines = [f"{prices.name} ({prices.currency}), in force since {local(record.at)}, record {record.serial}"]
    lines += [f"  {name:<24} {each.price:>9} a {each.by}" for name, each in prices.fluids.items()]
    lines += [f"  {name:<24} {each.price:>9} {each.unit}" for name, each in prices.items.items()]
    lines += [f"  {fee.text:<24} {fee.price:>9} per {fee.per}" for fee in prices.fees]
    taxes = ", ".join(f"{name} {rate} %" for name, rate in prices.taxes.items())
    return "\n".join([*lines, f"  at least {prices.minimum} a job; tax: {taxes}"])


def read_list(record: Record) -> PriceList:
    """The price list that a record keeps."""
    document = record.document["prices"]
    assert isinstance(document, dict)
    return prices_of(document, f"price list of record {record.serial}")


# --- a job's bill ---------------------------------------------------------------------------------------------------


def bill_command(options: argparse.Namespace) -> int:
    """Make a job's bill, keep it as a record, print it; the same bill again is a duplicate."""
    with book_asked(options) as book:
        record = bill_record(book, options.job)
        what = f"bill {record.serial}"
        if options.csv is not None:
            _write_csv(options.csv, record)
            told(options, record.document | {"serial": record.serial, "csv": str(options.csv)}, f"bill: {options.csv}")
        else:
            paper = bill_paper(record, prints_of(book, what), now())
            printed(book, options, paper, what, {"serial": record.serial, **record.document}, [record])
    return OK


def bill_record(book: Book, job: str) -> Record:
    """The job's bill as the book keeps it: the one that stands, or a new one where the job has changed since."""
    document = job_bill(book, job)
    standing = next(iter(book.valid("bill", job=job, truck=book.truck)), None)
    if standing is not None and all(document.get(name) == standing.document.get(name) for name in _CONTENT):
        return standing
    at = now()
    if standing is not None:
        document["corrects"] = standing.serial
    return book.append("bill", f"{job} {at}", at, document)


def job_bill(book: Book, job: str) -> dict[str, object]:
    """What a job costs, computed from its records; Refused when there is nothing to bill or no price for it."""
    fills = [record for record in book.valid(FILL, job=job) if not record.document.get("void")]
    charges, returns = book.valid("charge", job=job), book.valid("return", job=job)
    if not (fills or charges or returns):
        raise Refused(f"nothing was done in job {job!r}, as far as the book knows")
    lists = price_lists(book)
    known = book.one("job", job)
    about = known.document if known else {}
    last = max([*fills, *charges, *returns], key=lambda each: each.at)
    currency, lines = job_lines(lists, fills, charges, returns, exempt=bool(about.get("tax_exempt")))
    used = {list_at(lists, record.at).serial for record in (*fills, last)}
    return {
        "job": job,
        **{name: about.get(name) for name in ("customer", "address", "site", "machine", "tax_exempt")},
        "prices": sorted(used),
        "prices_came_later": any(record.at < lists[0].at for record in (*fills, last)),
        "simulated": any(record.document.get("simulated") for record in fills),
        **bill_document(currency, lines),
    }


def job_lines(
    lists: Sequence[Record],
    fills: Sequence[Record],
    charges: Sequence[Record],
    returns: Sequence[Record],
    *,
    exempt: bool,
) -> tuple[str, list[Line]]:
    """Currency and lines of a job's records, at least one; Refused without a price."""
    last = max([*fills, *charges, *returns], key=lambda each: each.at)
    try:
        works = [(work_of(record), read_list(list_at(lists, record.at))) for record in fills]
        extras = [_extra_of(record) for record in charges]
        drawn = [Drawn(r.truck, r.serial, exact(r.document["drawn_l"])) for r in returns]
        prices = read_list(list_at(lists, last.at))
        return prices.currency, lines_of(prices, works, extras, drawn, exempt=exempt)
    except PriceError as error:
        raise Refused(str(error)) from error


def work_of(record: Record) -> Work:
    """A fill as the price list sees it."""
    fill = record.document
    names = [str(fill[name]) for name in ("fluid", "fluid_text") if fill.get(name)]
    return Work(
        truck=record.truck,
        serial=record.serial,
        fluid=tuple(dict.fromkeys(names)),
        size=str(fill["size"]),
        position=str(fill.get("position") or ""),
        net_l=exact(fill["net_l"]),
        mass_kg=exact(fill["mass_kg"]),
        estimated=fill.get("net_basis") == "estimated",
    )


def _extra_of(record: Record) -> Extra:
    return Extra(record.truck, record.serial, str(record.document["item"]), exact(record.document["quantity"]))


def price_block(book: Book, records: Sequence[Record]) -> Block | None:
    """The price lines of a ticket; None where the book has no price for it."""
    lists = price_lists(book)
    if not lists:
        return None
    try:
        works = [(work_of(record), read_list(list_at(lists, record.at))) for record in records]
        lines = lines_of(works[0][1].model_copy(update={"fees": (), "minimum": Decimal(0)}), works)
    except PriceError:
        return None
    document = bill_document(works[0][1].currency, lines)
    return Block("Price of the liquid; fees and parts are on the bill", (), _lines_table(document)) if lines else None


# --- its looks ------------------------------------------------------------------------------------------------------


def bill_paper(record: Record, copies: int, at: str) -> Paper:
    """A bill on paper."""
    bill = record.document
    marks = (["DUPLICATE"] if copies else []) + ([SIMULATED] if bill["simulated"] else [])
    rows = [
        (name, str(bill[name]))
        for name in ("customer", "address", "site", "machine", "job")
        if bill.get(name) is not None
    ]
    rows.append(("date", local(record.at)))
    if bill.get("corrects"):
        rows.append(("CORRECTED", f"stands in for bill No. {bill['corrects']}"))
    if bill.get("tax_exempt"):
        rows.append(("tax exempt", str(bill["tax_exempt"])))
    numbers = bill["prices"]
    assert isinstance(numbers, list)
    when = "handed in after the work" if bill["prices_came_later"] else "in force when the work was done"
    feet = (
        f"Rounding: {bill['rounding']}.",
        f"Prices by the list in record {', '.join(map(str, numbers))} of this truck, {when}.",
        NOT_APPROVED,
        f"Printed {local(at)}",
    )
    blocks = (Block("For", tuple(rows)), Block("Work", (), _lines_table(bill)), Block("Sum", _totals(bill)))
    return Paper("BILL", f"{record.truck}  No. {record.serial}", at, tuple(marks), blocks, feet)


def _lines_table(bill: Mapping[str, object]) -> tuple[tuple[str, ...], ...]:
    return (
        ("what", "quantity", "price", "tax", "amount"),
        *(
            (
                line["text"],
                f"{line['quantity']} {line['unit']}",
                f"{line['price']}",
                f"{line['tax_percent']} %",
                line["amount"],
            )
            for line in _lines(bill)
        ),
    )


def _lines(bill: Mapping[str, object]) -> list[dict[str, str]]:
    lines = bill["lines"]
    assert isinstance(lines, list)
    return lines


def _totals(bill: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    taxes, currency = bill["taxes"], bill["currency"]
    assert isinstance(taxes, list)
    return (
        ("before tax", f"{bill['net']} {currency}"),
        *((f"tax {each['percent']} % of {each['of']}", f"{each['tax']} {currency}") for each in taxes),
        ("TOTAL", f"{bill['total']} {currency}"),
    )


def _write_csv(path: Path, record: Record) -> None:
    """One row a line, the same columns in each, so that a spreadsheet and an accounting program read it."""
    from rig.ledger.keeping import plain_cell

    bill = record.document
    try:
        with path.open("w", encoding="utf-8-sig", newline="") as sheet:
            table = csv.writer(sheet)
            table.writerow(("bill", "date", "customer", "job", *_CELLS, "currency"))
            for line in _lines(bill):
                head = (record.serial, record.at[:10], bill.get("customer"), bill["job"])
                cells = (*head, *(line[name] for name in _CELLS), bill["currency"])
                table.writerow([plain_cell(cell) for cell in cells])
    except OSError as error:
        raise Refused(f"{path}: cannot be written ({error.strerror}); check the folder") from error
