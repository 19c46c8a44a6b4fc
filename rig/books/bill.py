"""`rig bill`, `rig prices`, and the price lines of a ticket: what work costs, from the records alone."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.paper import Block, Paper
from rig.books.printing import add_print_options, book_for, copy_marks, keep_print, printed
from rig.books.where import OK, Add, add_config, book_asked, book_written, dated, local, now, told
from rig.ledger.pricing import (
    Drawn,
    Extra,
    Line,
    PriceError,
    PriceList,
    Work,
    bill_document,
    exact,
    fluid_price,
    lines_of,
    prices_of,
    read_prices,
)
from rig.run.filled import OF_A_FILL, Filled, filled, filled_one, unknown_because
from rig.run.posting import FILL, RETURN, number_of
from rig.run.session import Refused
from rig.run.settings import SettingsError
from rig.run.totes import litres_of
from rig.shown import NOT_APPROVED, SIMULATED
from rig.units import L_PER_GAL, show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_CELLS = ("text", "quantity", "unit", "price", "amount", "category", "tax_percent", "tax")
_CONTENT = ("customer", "address", "tax_exempt", "currency", "lines", "net", "tax", "total")
"""A bill in which one of these is another is another bill."""
CHARGE = "charge"
BILLED = (FILL, CHARGE, RETURN)
"""Kinds of records that a bill is made of."""
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
    if options.file is not None:
        with book_written(options) as written:
            keep_prices(written, options.file)
    with book_asked(options) as book:
        lists = price_lists(book)
    if not lists:
        raise Refused(f"no price list in the book yet: hand one in by `rig prices {EXAMPLE}`")
    record = lists[-1]
    told(options, {"serial": record.serial, "at": record.at, **record.document}, _prices_text(record))
    return OK


def keep_prices(book: WritableBook, path: Path) -> Record:
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
    return book.note("prices", now(), document)


def price_lists(book: Book) -> list[Record]:
    """Every price list of this truck, oldest first."""
    return book.valid("prices", truck=book.own)


def list_for(book: Book, lists: Sequence[Record], record: Record) -> Record:
    """The list in force when a record was written, by the order of the book; before the first one, the first."""
    if not lists:
        raise Refused(f"no price list in the book: hand one in by `rig prices {EXAMPLE}`")
    return next((each for each in reversed(lists) if _precedes(book, each, record)), lists[0])


def _precedes(book: Book, prices: Record, record: Record) -> bool:
    return book.in_order([record, prices])[0] == prices


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
    """Show a job's bill as a draft, or issue it: then the book keeps it, and the same bill again is a duplicate."""
    from rig.ledger.writing import WritableBook

    with book_for(options) as book:
        if isinstance(book, WritableBook):
            record: Record | None = issued_bill(book, options.job)
            assert record is not None
            bill, copies = record.document, keep_print(book, f"bill {record.serial}", [record])
        else:
            bill, record = bill_of(book, options.job)
            copies = None
    document = {"serial": record.serial if record else None, "issued": copies is not None, **bill}
    if options.csv is not None:
        _write_csv(options.csv, bill, record)
        told(options, document | {"csv": str(options.csv)}, f"bill: {options.csv}")
    else:
        printed(options, bill_paper(bill, record, copies, now()), document)
    return OK


def bill_of(book: Book, job: str) -> tuple[dict[str, object], Record | None]:
    """What a job costs now, and the bill that was issued for it with the same content, None where none was."""
    document = job_bill(book, job)
    standing = _standing_bill(book, job)
    return document, standing if standing is not None and _same_bill(document, standing) else None


def issued_bill(book: WritableBook, job: str) -> Record:
    """The job's bill as the book keeps it: the one that stands, or a new one where the job has changed since."""
    document, same = bill_of(book, job)
    if same is not None:
        return same
    at, standing = now(), _standing_bill(book, job)
    return book.note("bill", at, document) if standing is None else book.replace(standing, document, at)


def _standing_bill(book: Book, job: str) -> Record | None:
    return next(iter(book.valid("bill", job=job, truck=book.own)), None)


def _same_bill(document: Mapping[str, object], standing: Record) -> bool:
    kept = standing.document
    return all(document.get(name) == kept.get(name) for name in _CONTENT)


def job_bill(book: Book, job: str) -> dict[str, object]:
    """What a job costs, computed from its records; Refused when there is nothing to bill or no price for it."""
    work = book.valid(BILLED, job=job)
    if not work:
        raise Refused(f"nothing was done in job {job!r}, as far as the book knows")
    refuse_copies(work)
    lists, fills = price_lists(book), [record for record in work if record.kind == FILL]
    known = book.one("job", job)
    about = known.document if known else {}
    noted = book.valid(OF_A_FILL, job=job)
    currency, lines = job_lines(book, lists, work, noted, exempt=bool(about.get("tax_exempt")))
    priced = [list_for(book, lists, record) for record in (*fills, work[-1])]
    return {
        "job": job,
        **{name: about.get(name) for name in ("customer", "address", "site", "machine", "tax_exempt")},
        "device": next((record.document["device"] for record in fills), None),
        "prices": sorted({each.serial for each in priced}),
        "prices_came_later": any(not _precedes(book, lists[0], record) for record in (*fills, work[-1])),
        "simulated": any(record.document.get("simulated") for record in fills),
        **bill_document(currency, lines),
    }


def refuse_copies(work: Sequence[Record]) -> None:
    """Refuse to bill what stands in the book twice."""
    keys = [(record.kind, record.key, record.at) for record in work]
    twice = next((record for record, key in zip(work, keys, strict=True) if keys.count(key) > 1), None)
    if twice is not None:
        raise Refused(
            f"{twice.kind} {twice.key} stands in the book twice: `rig ledger verify` names the copies, "
            "`rig ledger repair` declares them void; then it can be billed"
        )


def job_lines(
    book: Book, lists: Sequence[Record], work: Sequence[Record], noted: Sequence[Record], *, exempt: bool
) -> tuple[str, list[Line]]:
    """Currency and lines of a job's records, at least one, in the order of the book, with what was noted of its fills.

    Refused without a price, and for a fill that cannot tell where its litres are and of which no person has.
    """
    fills = filled(book, (each for each in work if each.kind == FILL), noted)
    for each in fills:
        refuse_unknown(each)
    try:
        works = [_priced(each, read_list(list_for(book, lists, each.record))) for each in fills]
        extras = [_extra_of(each) for each in work if each.kind == CHARGE]
        drawn = [Drawn(r.truck, r.serial, exact(r.document["drawn_l"])) for r in work if r.kind == RETURN]
        prices = read_list(list_for(book, lists, work[-1]))
        return prices.currency, lines_of(prices, works, extras, drawn, exempt=exempt)
    except PriceError as error:
        raise Refused(str(error)) from error


def refuse_unknown(fill: Filled) -> None:
    """Refuse to bill a fill that cannot tell where its litres are before a person has."""
    if fill.known:
        return
    body = fill.record.document
    what = f"{body['size']} {body.get('position') or ''}".strip()
    raise Refused(
        f"fill No. {number_of(fill.record)} ({what}) is not billed by itself: {unknown_because(body)}. Metered "
        f"{show_volume(fill.metered_l)} ± {litres_of(body, 'net_u_l'):.1f} L. Say what went in: "
        f'`rig note figure --fill {body["fill_id"]} --volume Q --basis scale|level|chart --why "…"`'
    )


def _priced(fill: Filled, prices: PriceList) -> tuple[Work, PriceList]:
    """A fill as its price list sees it, with what a person noted of its litres, in the unit that it is sold by."""
    work = work_of(fill)
    _, price = fluid_price(prices, work)
    per_unit, unit = (1.0, "L") if price.by in ("litre", "kilogram") else (L_PER_GAL, "gal")
    said = []
    if fill.figure is not None:
        doubt = litres_of(fill.record.document, "net_u_l")
        said.append(
            f"billed {fill.in_wheel_l / per_unit:.1f} {unit} by {fill.figure.document['basis']}; "
            f"metered {fill.metered_l / per_unit:.1f} ± {doubt / per_unit:.1f} {unit}"
        )
    if fill.spilled_l:
        off = "" if fill.figure is not None else ", taken off"
        said.append(f"{fill.spilled_l / per_unit:.1f} {unit} spilled{off}")
    return replace(work, remark="; ".join(said)), prices


def work_of(fill_in: Filled) -> Work:
    """A fill as the price list sees it."""
    record, fill = fill_in.record, fill_in.record.document
    names = [str(fill[name]) for name in ("fluid", "fluid_text") if fill.get(name)]
    return Work(
        truck=record.truck,
        serial=record.serial,
        fluid=tuple(dict.fromkeys(names)),
        size=str(fill["size"]),
        position=str(fill.get("position") or ""),
        net_l=exact(round(fill_in.in_wheel_l, 3)),
        mass_kg=exact(fill_in.mass_kg),
        estimated=fill.get("net_basis") == "estimated" and fill_in.figure is None,
    )


def _extra_of(record: Record) -> Extra:
    return Extra(record.truck, record.serial, str(record.document["item"]), exact(record.document["quantity"]))


def price_block(book: Book, records: Sequence[Record]) -> Block | None:
    """The price lines of a ticket; None where the book has no price for it."""
    lists = price_lists(book)
    if not lists:
        return None
    try:
        fills = [filled_one(book, record) for record in records]
        if not all(each.known for each in fills):
            return None
        works = [_priced(each, read_list(list_for(book, lists, each.record))) for each in fills]
        lines = lines_of(works[0][1].model_copy(update={"fees": (), "minimum": Decimal(0)}), works)
    except PriceError:
        return None
    document = bill_document(works[0][1].currency, lines)
    return Block("Price of the liquid; fees and parts are on the bill", (), _lines_table(document)) if lines else None


# --- its looks ------------------------------------------------------------------------------------------------------


def bill_paper(bill: Mapping[str, object], record: Record | None, copies: int | None, at: str) -> Paper:
    """A bill on paper; ``record`` keeps it where it was issued, ``copies`` as in ``copy_marks``."""
    marks = copy_marks(copies) + ([SIMULATED] if bill["simulated"] else [])
    rows = [
        (name, str(bill[name]))
        for name in ("customer", "address", "site", "machine", "job")
        if bill.get(name) is not None
    ]
    rows.append(("date", dated(record.document, record.at) if record else local(at)))
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
    number = f"{bill.get('device') or ''}  No. {record.serial}".strip() if record else "no number"
    return Paper("BILL", number, at, tuple(marks), blocks, feet)


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


def _write_csv(path: Path, bill: Mapping[str, object], record: Record | None) -> None:
    """One row a line, the same columns in each, so that a spreadsheet and an accounting program read it."""
    from rig.ledger.keeping import plain_cell

    try:
        with path.open("w", encoding="utf-8-sig", newline="") as sheet:
            table = csv.writer(sheet)
            table.writerow(("bill", "date", "customer", "job", *_CELLS, "currency"))
            for line in _lines(bill):
                head = (
                    record.serial if record else "",
                    (record.at if record else now())[:10],
                    bill.get("customer"),
                    bill["job"],
                )
                cells = (*head, *(line[name] for name in _CELLS), bill["currency"])
                table.writerow([plain_cell(cell) for cell in cells])
    except OSError as error:
        raise Refused(f"{path}: cannot be written ({error.strerror}); check the folder") from error
