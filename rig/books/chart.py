"""`rig chart`: what fills measured of each size, what of it counts, and its exchange with other shops."""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.asked import fill_asked
from rig.books.printing import write_file
from rig.books.where import add_config, book_asked, book_written, now, print_answer, settings_of
from rig.cli.table import OK, Add
from rig.ledger.moment import local_day
from rig.record.notes import Chart, NotInChart
from rig.run.refused import Refused
from rig.shop.chart import (
    CHART,
    NOT_IN_CHART,
    Entry,
    entries,
    learned_of,
    make_of,
    recent,
    rows_for_others,
    spreads_beside,
    spreads_of,
)  # fmt: skip
from rig.units import show_volume
from rig.wheel import Learned, cavity_of, liquid_at_valve, read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook


def add_chart(add: Add) -> None:
    """The command ``chart``."""
    command = add("chart", chart_command)
    command.add_argument("action", choices=tuple(_ACTIONS))
    command.add_argument(
        "what", nargs="?", default="", metavar="SIZE|ID|FILE", help="show: a size; void, undo: a fill or a shop"
    )
    command.add_argument("--make", default="", metavar="TEXT", help="of show: maker and tread, as on the sidewall")
    command.add_argument("--shop", default="", metavar="NAME", help="of export: the name that other shops read")
    command.add_argument("--why", default="", metavar="TEXT", help="of void and undo")
    command.add_argument("--by", default="", metavar="NAME")
    add_config(command)


def chart_command(options: argparse.Namespace) -> int:
    """Run one action; returns the exit status."""
    if options.action != "list" and not options.what.strip():
        raise Refused(f"what? write `rig chart {options.action} {_ACTIONS[options.action]}`")
    match options.action:
        case "list":
            _list(options)
        case "show":
            _show(options)
        case "export":
            _export(options)
        case "import":
            _import(options)
        case _:
            _leave_out(options)
    return OK


_ACTIONS = {
    "list": "", "show": "16.9-28", "void": 'ID --why "…"', "undo": 'ID --why "…"', "export": "FILE", "import": "FILE",
}  # fmt: skip
"""Each action, and what is written after it."""


# --- read -----------------------------------------------------------------------------------------------------------


def _list(options: argparse.Namespace) -> None:
    with book_asked(options) as book:
        found = entries(book)
    by_size = {size: [each for each in found if each.size == size] for size in sorted({each.size for each in found})}
    spreads = spreads_of(each for each in found if each.left_out is None)
    cavities = {size: learned_of(size, own, others=spreads_beside(spreads, size)) for size, own in by_size.items()}
    rows = [{"size": size, **_document(size, cavities[size], own)} for size, own in by_size.items()]
    lines = [f"{size:<12} {_words(size, cavities[size])}" for size in by_size]
    print_answer(options, rows, "\n".join(lines) or "no fill has measured a cavity yet")


def _show(options: argparse.Namespace) -> None:
    size = read_size(options.what).text
    with book_asked(options) as book:
        found, others = entries(book, size), spreads_beside(spreads_of(recent(book)), size)
    if not found:
        raise Refused(f"no fill has measured a {size} yet: its cavity is by {cavity_of(read_size(size)).basis}")
    cavity = learned_of(size, found, options.make, others=others)
    makes = sorted({each.measurement.make for each in found if each.measurement.make})
    lines = [f"{size}{f', {options.make}' if options.make else ''}: {_words(size, cavity)}"]
    for make in makes if not options.make else ():
        lines.append(f"  {make}: {_words(size, learned_of(size, found, make, others=others))}")
    lines += [_line(each) for each in found if options.make == "" or each.measurement.make == make_of(options.make)]
    document = {"size": size, **_document(size, cavity, found), "measurements": [_row(each) for each in found]}
    print_answer(options, document, "\n".join(lines))


def _document(size: str, cavity: Learned | None, found: list[Entry]) -> dict[str, object]:
    known = cavity_of(read_size(size), learned=cavity)
    return {
        "wheels": 0 if cavity is None else cavity.wheels,
        "measurements_counted": sum(each.left_out is None for each in found),
        "cavity_l": round(known.volume_l, 2),
        "cavity_low_l": round(known.low_l, 2),
        "cavity_high_l": round(known.high_l, 2),
        "at_valve_l": round(liquid_at_valve(known), 2),
        "cavity_basis": known.basis,
    }


def _words(size: str, cavity: Learned | None) -> str:
    known = cavity_of(read_size(size), learned=cavity)
    half_l, share = (known.high_l - known.low_l) / 2, known.fraction_at_clock(12)
    count = "no wheel that counts" if cavity is None else cavity.counted
    whole = f"whole {known.volume_l:.0f} ± {half_l:.0f} L by {known.basis}"
    return f"{count}: {show_volume(share * known.volume_l)} ± {share * half_l:.0f} L to the valve; {whole}"


def _line(each: Entry) -> str:
    measurement = each.measurement
    u_l = (measurement.u_l**2 + measurement.shared_u_l**2) ** 0.5
    state = "" if each.left_out is None else f"  LEFT OUT by record {each.left_out.serial}"
    make = f", {measurement.make}" if measurement.make else ""
    whose = each.id if each.truck else f"{each.id} of another shop"
    litres = f"{measurement.litres:7.1f} ± {u_l:4.1f} L"
    return f"  {litres}  {each.how:<12} {local_day(each.at)}  {each.name}, {whose}{make}{state}"


def _row(each: Entry) -> dict[str, object]:
    measurement = each.measurement
    return {
        "id": each.id, "how": each.how, "at": each.at, "make": measurement.make, "shop": measurement.shop,
        "litres_l": round(measurement.litres, 2), "u_l": round(measurement.u_l, 3),
        "shared_u_l": round(measurement.shared_u_l, 3),
        "left_out_by": None if each.left_out is None else each.left_out.serial,
    }  # fmt: skip


# --- leave out ------------------------------------------------------------------------------------------------------


def _leave_out(options: argparse.Namespace) -> None:
    """Leave a fill, a measurement of another shop or all of that shop's out, or count it again."""
    if not options.why.strip():
        raise Refused(f'why? write `rig chart {options.action} {options.what} --why "…"`')
    with book_written(options) as book:
        whole = book.last(CHART, options.what)
        if whole is not None:
            record = _void(book, whole, options) if options.action == "void" else _undo(book, whole, options)
        else:
            fill_id = _id_of(book, options.what)
            standing = book.last(NOT_IN_CHART, fill_id)
            if options.action == "undo":
                if standing is None:
                    raise Refused(f"{options.what} was not left out; `rig chart show SIZE` lists what counts")
                record = _void(book, standing, options)
            else:
                said = NotInChart(fill_id=fill_id, why=options.why, by=options.by)
                record = book.put(NOT_IN_CHART, fill_id, now(), said, book.one(NOT_IN_CHART, fill_id))
    counts = "counts again" if options.action == "undo" else "does not count for others of its size"
    other = "void" if options.action == "undo" else "undo"
    text = f"record {record.serial}: {options.what} {counts}; `rig chart {other} {options.what} --why …` reverses it"
    print_answer(options, {"serial": record.serial, "id": options.what, "counts": options.action == "undo"}, text)


def _void(book: WritableBook, standing: Record, options: argparse.Namespace) -> Record:
    if standing.kind == "void":
        raise Refused(f"{options.what}: record {standing.serial} did that already")
    return book.void(standing, now(), options.why, options.by)


def _undo(book: WritableBook, standing: Record, options: argparse.Namespace) -> Record:
    if standing.kind != "void":
        raise Refused(f"{options.what} counts already")
    return book.take_back(standing, now(), options.why, options.by)


def _id_of(book: Book, name: str) -> str:
    """The id of a fill by id or number, or of another shop's measurement; Refused if it is in no chart."""
    fill_id = name if "/" in name else str(fill_asked(book, name).document["fill_id"])
    if not any(each.id == fill_id for each in entries(book)):
        raise Refused(f"{name} measured nothing that counts: `rig chart show SIZE` lists what does")
    return fill_id


# --- other shops ----------------------------------------------------------------------------------------------------


def _export(options: argparse.Namespace) -> None:
    from rig.shop.chart_file import file_text, read_file

    with book_asked(options) as book:
        rows = rows_for_others(entries(book))
        shop = options.shop.strip() or f"shop {hashlib.sha256(book.truck.encode()).hexdigest()[:8]}"
    if not rows:
        raise Refused("no fill has measured a cavity yet: there is nothing to give")
    content = file_text(shop, rows, simulated=_is_simulated(options)).encode()
    # What another shop would refuse is refused here.
    read_file(content)
    write_file(Path(options.what), content)
    sizes = len({row.size for row in rows})
    text = f"{options.what}: {len(rows)} measurements of {sizes} sizes as {shop!r}, no customers, places or dates"
    print_answer(options, {"file": options.what, "shop": shop, "measurements": len(rows), "sizes": sizes}, text)


def _import(options: argparse.Namespace) -> None:
    """Take over another shop's file, in place of an earlier one of that shop."""
    from rig.shop.chart_file import chart_of, read_file

    try:
        content = Path(options.what).read_bytes()
    except OSError as error:
        raise Refused(f"{options.what}: cannot be read ({error.strerror})") from error
    file = read_file(content)
    if file.simulated != _is_simulated(options):
        kind = "a simulated" if file.simulated else "a real"
        raise Refused(f"{options.what} is of {kind} rig and this is none: simulated and real wheels are never mixed")
    with book_written(options) as book:
        said = chart_of(file, frozenset(row.id for row in rows_for_others(entries(book))))
        if not said.rows:
            raise Refused(f"{options.what}: every measurement in it is this shop's own")
        record = _kept(book, said)
    own = len(file.rows) - len(said.rows)
    text = f"record {record.serial}: {len(said.rows)} measurements of {said.shop}" + (
        f", without {own} of this shop's own" if own else ""
    )
    document = {"serial": record.serial, "shop": said.shop, "measurements": len(said.rows), "own": own}
    print_answer(options, document, f"{text}; `rig chart void '{said.shop}' --why …` removes them")


def _kept(book: WritableBook, said: Chart) -> Record:
    standing = book.one(CHART, said.shop)
    if standing is not None and Chart.of(standing).sha256 == said.sha256:
        return standing
    return book.put(CHART, said.shop, now(), said, standing)


def _is_simulated(options: argparse.Namespace) -> bool:
    settings = settings_of(options)
    return settings.rig.simulated if settings else True
