"""`rig stock`, `rig balance`, `rig tag`: what is in the tote and of which lot, a day's balance, a label for a wheel."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import segno

from rig.books.asked import fill_asked
from rig.books.where import OK, Add, add_config, book_asked, local, now, told
from rig.ledger.balance import Balance, Booked, Move, balance, content_l
from rig.run.posting import FILL
from rig.run.session import Refused
from rig.units import parse, show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

_NOTED: dict[str, tuple[Move, str]] = {
    "load": ("load", "loaded_l"), "dip": ("dip", "tote_l"), "rinse": ("rinse", "rinsed_l"),
    "spill": ("spill", "spilled_l"), "return": ("return", "drawn_l"),
}  # fmt: skip
"""Records that a person made: what they move, and under which name the litres stand."""
_OF_A_FILL: tuple[tuple[Move, str], ...] = (
    ("ticket", "net_l"), ("hose", "hose_change_l"), ("vent", "vented_l"), ("spill", "spilled_l"),
)  # fmt: skip


def add_stock(add: Add) -> None:
    """The commands ``stock``, ``balance`` and ``tag``."""
    stock = add("stock", stock_command, "What is in the tote; `load` and `dip` tell what came and what stands.")
    stock.add_argument("action", nargs="?", choices=("show", "load", "dip"), default="show")
    stock.add_argument("--volume", metavar="Q", help="loaded, or what stands in the tote")
    stock.add_argument("--lot", default="", help="which lot was loaded")
    stock.add_argument("--fluid", help="what was loaded")
    stock.add_argument("--reorder", metavar="Q", help="order again when less than this is left")
    stock.add_argument("--by", default="", metavar="NAME")
    add_config(stock)
    nightly = add("balance", balance_command, "One line: tote drop = tickets + rinse + spills - returns, and the rest.")
    nightly.add_argument("--date", metavar="YYYY-MM-DD", help="local day (default: today)")
    add_config(nightly)
    tag = add("tag", tag_command, "A QR label for a wheel, readable without a network: what is in it.")
    tag.add_argument("id", metavar="ID")
    tag.add_argument("--out", type=Path, metavar="FILE", help="an .svg or .png (default: shown on the terminal)")
    add_config(tag)


# --- stock ----------------------------------------------------------------------------------------------------------


def stock_command(options: argparse.Namespace) -> int:
    """Show the tote's content, or tell what was loaded or dipped."""
    with book_asked(options) as book:
        if options.action != "show":
            _tell(book, options)
        loads, moves = book.valid("load", truck=book.truck), movements(book)
    left_l = content_l(moves)
    last = loads[-1].document if loads else {}
    marks = [mark for each in loads if isinstance(mark := each.document.get("reorder_l"), int | float)]
    short = bool(marks) and left_l is not None and left_l < marks[-1]
    document = {
        "left_l": None if left_l is None else round(left_l, 1),
        "lot": last.get("lot"),
        "fluid": last.get("fluid"),
        "reorder": short,
    }
    held = "not known: `rig stock dip --volume Q`" if left_l is None else show_volume(left_l)
    lot = f", {last.get('fluid') or ''} lot {last['lot']}" if last.get("lot") else ""
    told(options, document, f"in the tote: {held}{lot}" + ("\nORDER AGAIN: below the mark" if short else ""))
    return OK


def _tell(book: Book, options: argparse.Namespace) -> None:
    if options.volume is None:
        raise Refused(f'how much? write for example `rig stock {options.action} --volume "900 L"`')
    volume_l = parse(options.volume, "volume")
    if volume_l < 0:
        raise Refused("a volume is not negative")
    at = now()
    body: dict[str, object] = {_NOTED[options.action][1]: round(volume_l, 3), "by": options.by}
    if options.action == "load":
        reorder_l = None if options.reorder is None else parse(options.reorder, "volume")
        body |= {"lot": options.lot, "fluid": options.fluid, "reorder_l": reorder_l}
    book.append(options.action, at, at, body)


def movements(book: Book, since: str | None = None, until: str | None = None) -> list[Booked]:
    """Everything that moved this truck's tote in a time, in its order."""
    found: list[Booked] = []
    for kind, (move, name) in _NOTED.items():
        for record in book.valid(kind, since=since, until=until, truck=book.truck):
            if _of_the_tote(record):
                found.append(Booked(record.at, move, _litres(record, name)))
    for record in book.valid(FILL, since=since, until=until, truck=book.truck):
        found += [Booked(record.at, move, _litres(record, name)) for move, name in _OF_A_FILL]
    return sorted(found, key=lambda each: each.at)


def _of_the_tote(record: Record) -> bool:
    """Whether it moved the tote: what was drawn out only where it went back there, a rinse unless it was water."""
    if record.kind == "return":
        return str(record.document.get("to", "")).strip().lower() == "tote"
    return record.document.get("from_tote") is not False


def _litres(record: Record, name: str) -> float:
    value = record.document.get(name) or 0.0
    assert isinstance(value, int | float)
    return float(value)


# --- balance --------------------------------------------------------------------------------------------------------


def balance_command(options: argparse.Namespace) -> int:
    """The day's balance of this truck."""
    since, until = day_of(options.date)
    with book_asked(options) as book:
        found, truck = balance(movements(book, since, until)), book.truck
    rest = None if found.rest_l is None else round(found.rest_l, 1)
    document = {
        "truck": truck,
        "since": since,
        "until": until,
        "drop_l": None if found.drop_l is None else round(found.drop_l, 1),
        "sums_l": {move: round(litres, 3) for move, litres in found.sums_l.items()},
        "booked_l": round(found.booked_l, 3),
        "unexplained_l": rest,
    }
    told(options, document, balance_line(truck, since, found))
    return OK


def balance_line(truck: str, since: str, found: Balance) -> str:
    """A day in one line."""

    def sum_of(*moves: Move) -> str:
        return f"{sum(found.sums_l.get(move, 0.0) for move in moves):.1f}"

    drop = "not dipped twice" if found.drop_l is None else f"{found.drop_l:.1f} L"
    rest = "not known" if found.rest_l is None else f"{found.rest_l + 0.0:.1f} L"
    return (
        f"{truck} {local(since)[:10]}: tote drop {drop} = tickets {sum_of('ticket')} + hose {sum_of('hose')} + vented "
        f"{sum_of('vent')} + rinse {sum_of('rinse')} + spills {sum_of('spill')} - returns {sum_of('return')}; "
        f"unexplained {rest}"
    )


def day_of(text: str | None) -> tuple[str, str]:
    """First moment of a local day and of the next, as times of records are written."""
    try:
        day = datetime.now().astimezone().date() if text is None else date.fromisoformat(text)
    except ValueError as error:
        raise Refused(f"--date {text}: write for example 2026-11-25") from error
    ends = (datetime(each.year, each.month, each.day).astimezone() for each in (day, day + timedelta(days=1)))
    since, until = (end.astimezone(UTC).isoformat(timespec="milliseconds") for end in ends)
    return since, until


# --- tag ------------------------------------------------------------------------------------------------------------


def tag_command(options: argparse.Namespace) -> int:
    """Write the label of a wheel."""
    with book_asked(options) as book:
        record = fill_asked(book, options.id)
        lots = book.valid("load", until=record.at, truck=record.truck)
    text = tag_text(record, lots)
    code = segno.make(text, error="m", micro=False)
    if options.out is None:
        told(options, {"text": text}, text)
        if not options.json:
            code.terminal(compact=True)
        return OK
    if options.out.suffix.lower() not in (".svg", ".png"):
        raise Refused(f"{options.out}: write a name that ends in .svg or .png")
    try:
        code.save(str(options.out), scale=8, border=4)
    except OSError as error:
        raise Refused(f"{options.out}: cannot be written ({error.strerror}); check the folder") from error
    told(options, {"text": text, "file": str(options.out)}, f"{options.out}: {text}")
    return OK


def tag_text(record: Record, lots: Sequence[Record]) -> str:
    """What the label says: plain words, so that any reader shows them without a network."""
    fill = record.document
    held_l = _litres(record, "net_l") + _litres(record, "existing_l")
    freeze = fill.get("freeze_c")
    parts = [
        "LIQUID BALLAST INSIDE",
        f"{fill['size']} {fill.get('position') or ''}".strip(),
        f"{fill.get('fluid_text') or fill['fluid']}, {show_volume(held_l)}",
        *([f"first ice {freeze:.0f} C"] if isinstance(freeze, int | float) else []),
        f"filled {record.at[:10]}",
        *([f"lot {lots[-1].document['lot']}"] if lots and lots[-1].document.get("lot") else []),
        f"{record.truck} No. {record.serial}",
        *(["SIMULATED"] if fill.get("simulated") else []),
    ]
    return "; ".join(parts)
