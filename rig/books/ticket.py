"""`rig ticket`: the delivery into a wheel or all wheels of a job, for the customer. Text; computes no volumes.

One page per machine: a table of its wheels, the volume per axle, notes on single wheels; the basis of the metering is
in small type at the end.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rig.books.asked import fills_asked
from rig.books.bill import addressee, price_block
from rig.books.looks import Looks, looks_of
from rig.books.paper import Block, Head, Paper
from rig.books.prices import head_of, shop_now
from rig.books.printing import add_print_options, book_for, copy_marks, keep_print, printed
from rig.books.where import add_config, now
from rig.books.wording import CAUTIONS, NOT_APPROVED, SIMULATED, cavity_line, held_words, next_steps, unseen_words
from rig.cli.table import OK, Add
from rig.control.guards import GUARD_NAMED
from rig.ledger.matching import axle_of
from rig.record import delivery_in, moved_words, pressure_left_words
from rig.shop.filled import OF_A_FILL, Filled, filled
from rig.shop.posting import number_of
from rig.shop.wheels import finish_faults, finish_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

Fields = Mapping[str, object]
NOT_FINISHED = "NOT FINISHED"
_DUALS = ("inner", "outer")


def add_ticket(add: Add) -> None:
    """The command ``ticket``."""
    command = add("ticket", ticket_command)
    which = command.add_mutually_exclusive_group(required=True)
    which.add_argument("id", nargs="?", help="the fill, as `rig ledger list` names it, or its number on a ticket")
    which.add_argument("--job", metavar="J")
    add_print_options(command)
    add_config(command)


def ticket_command(options: argparse.Namespace) -> int:
    """Show a ticket, or issue it; a second issue of the same one is marked as a duplicate."""
    from rig.ledger.writing import WritableBook

    with book_for(options) as book:
        records = fills_asked(book, options)
        what = f"ticket {options.job if options.job is not None else records[0].document['fill_id']}"
        copies = keep_print(book, what, records) if isinstance(book, WritableBook) else None
        paper, ends = ticket_of(book, records, copies), [finish_of(book, record) for record in records]
        fills = [
            document_of(record) | {"finish": None if end is None else document_of(end)}
            for record, end in zip(records, ends, strict=True)
        ]
        printed(options, paper, {"fills": fills})
    return OK


def document_of(record: Record) -> dict[str, object]:
    """A book record as one document."""
    own = {"truck": record.truck, "serial": record.serial, "hash": record.hash}
    return {**record.document, **own, **({"number": number_of(record)} if "number" in record.document else {})}


def ticket_of(book: Book, records: Sequence[Record], copies: int | None) -> Paper:
    """The ticket of one or more fills with all the book's data on them; ``copies`` as in ``copy_marks``."""
    shop, first = shop_now(book), records[0].document
    to = addressee(book, first)
    return ticket_paper(
        records,
        [finish_of(book, record) for record in records],
        [_noted(filled(book, records, book.valid(OF_A_FILL)), looks_of(shop)), price_block(book, records)],
        copies,
        now(),
        looks=looks_of(shop),
        head=head_of(book, shop),
        to=(to.name, *to.lines()) if to else (),
    )


# --- the paper ------------------------------------------------------------------------------------------------------


def ticket_paper(
    records: Sequence[Record],
    ends: Sequence[Record | None],
    further: Sequence[Block | None],
    copies: int | None,
    at: str,
    *,
    looks: Looks,
    head: Head | None = None,
    to: tuple[str, ...] = (),
) -> Paper:
    """The ticket of one or more fills, each with its finish record; ``copies`` as in ``copy_marks``."""
    first = records[0].document
    faulty = any(end is not None and finish_faults(end, None) for end in ends)
    marks = (
        copy_marks(copies)
        + ([SIMULATED] if any(r.document["simulated"] for r in records) else [])
        + ([NOT_FINISHED] if faulty else [])
    )
    blocks = [Block("Wheels", (), _wheels(records, looks), "named"), *_sums(records, looks), _liquids(records, looks)]
    blocks += [_notes(records, ends, looks), *(each for each in further if each), _details(records, looks)]
    return Paper(
        title="DELIVERY TICKET",
        number=f"{first['device']}  {_numbers(records)}",
        at=at,
        marks=tuple(marks),
        blocks=tuple(each for each in blocks if each.rows or each.table),
        feet=(NOT_APPROVED, "Prices are of the net volume in the tyre.", *CAUTIONS, f"Printed {looks.moment(at)}"),
        signed=("received",),
        head=head,
        to=to,
        facts=_facts(records, looks),
        letter=looks.letter,
    )


def _noted(fills: Sequence[Filled], looks: Looks) -> Block:
    """Notes entered after the fills: a person's own figure, spills."""
    rows = []
    for each in fills:
        if each.figure is not None:
            what = f"{looks.volume(each.moved_l)} by {each.figure.document['basis']}, a person's figure"
            rows.append((f"No. {number_of(each.record)}", what))
        elif each.spilled_l:
            what = f"{looks.volume(each.spilled_l)} spilled; {looks.volume(each.moved_l)} in the wheel"
            rows.append((f"No. {number_of(each.record)}", what))
    return Block("Noted afterwards", tuple(rows))


def _numbers(records: Sequence[Record]) -> str:
    numbers = [number_of(record) for record in records]
    return (
        f"No. {', '.join(numbers)}" if len(numbers) < 7 else f"No. {numbers[0]} … {numbers[-1]}, {len(numbers)} fills"
    )


def _facts(records: Sequence[Record], looks: Looks) -> tuple[tuple[str, str], ...]:
    first, last = records[0].document, records[-1].document
    by = dict.fromkeys(_words(record.document.get("by")) for record in records)
    rows = [
        ("customer no.", _words(first.get("customer_number"))),
        ("site", _words(first.get("site"))),
        ("machine", _words(first.get("machine"))),
        ("job", _words(first.get("job"))),
        ("from", looks.dated(first, str(first["started_at"]))),
        ("to", looks.dated(last, str(last["ended_at"]))),
        ("filled by", ", ".join(name for name in by if name)),
    ]
    return tuple(row for row in rows if row[1])


def _wheels(records: Sequence[Record], looks: Looks) -> tuple[tuple[str, ...], ...]:
    bodies = [record.document for record in records]
    mixed = len({_liquid_name(body) for body in bodies}) > 1
    # In capitals only if the figure is known.
    known = all(_known(body) for body in bodies)
    held = dict.fromkeys(held_words(body, known=known) for body in bodies)
    return (
        ("wheel", "size", *(["liquid"] if mixed else []), " / ".join(held), "± (95 %)", "weight", "pressure left"),
        *(
            (
                _called(record) if body.get("position") else f"{_called(record)} position not told",
                str(body["size"]),
                *([_liquid_name(body)] if mixed else []),
                moved_words(body, looks.volume) + (" est." if body["net_basis"] == "estimated" else ""),
                f"{_number(body, 'net_u_l'):.1f} L",
                looks.mass(abs(_number(body, "mass_kg"))) if _known(body) else "not known",
                _left(body, looks).partition(";")[0] if body.get("valve") else "-",
            )
            for record, body in zip(records, bodies, strict=True)
        ),
    )


def _known(fill: Fields) -> bool:
    return delivery_in(fill) == "known"


def _left(fill: Fields, looks: Looks) -> str:
    return pressure_left_words(fill, looks.pressure)


def _net_l(fill: Fields) -> float:
    return _number(fill, "net_l" if fill.get("recovered_l") is None else "recovered_l")


def _sums(records: Sequence[Record], looks: Looks) -> list[Block]:
    """Volume per axle, inner and outer wheels together, and of the whole machine; nothing for a single wheel."""
    if len(records) == 1:
        return []
    axles: dict[str, list[Fields]] = {}
    told = [record.document for record in records if delivery_in(record.document) != "not known"]
    for body in told:
        words = axle_of(_words(body.get("position"))).split()
        axles.setdefault(" ".join(word for word in words if word not in _DUALS) or "-", []).append(body)
    rows: list[tuple[str, Sequence[Fields]]] = [(f"axle {name}", own) for name, own in axles.items()]
    rows = rows if len(rows) > 1 else []
    table = [
        (
            name,
            str(len(own)),
            looks.volume(sum(_net_l(body) for body in own)),
            looks.mass(sum(_number(body, "mass_kg") for body in own)),
        )
        for name, own in (*rows, ("TOGETHER", told))
    ]
    unknown = len(records) - len(told)
    left_out = (("not in the sum", f"{unknown} whose litres are not known"),) if unknown else ()
    return [Block("Axles", left_out, (("axle", "wheels", "in the tyres", "weight"), *table), "named")]


def _liquid_name(fill: Fields) -> str:
    return str(fill.get("fluid_text") or fill["fluid"])


def _liquids(records: Sequence[Record], looks: Looks) -> Block:
    """Each liquid once, with density, freeze point, lot and tote."""
    return Block("Liquid", tuple(dict.fromkeys(_liquid(record.document, looks) for record in records)))


def _liquid(fill: Fields, looks: Looks) -> tuple[str, str]:
    parts = []
    if isinstance(density := fill.get("density_kg_m3"), int | float):
        parts.append(f"{density:.0f} kg/m³")
    if isinstance(freeze := fill.get("freeze_c"), int | float):
        parts.append(f"first ice at {looks.temperature(freeze)}")
    if fill.get("lot") or fill.get("tote"):
        parts.append(f"lot {fill.get('lot') or 'not told'}")
    parts += [f"tote {fill['tote']}"] if fill.get("tote") else []
    return _liquid_name(fill), ", ".join(parts)


def _notes(records: Sequence[Record], ends: Sequence[Record | None], looks: Looks) -> Block:
    """Further notes: once if common to all wheels, otherwise with the wheels concerned."""
    about: dict[tuple[str, str], list[str]] = {}
    for record, end in zip(records, ends, strict=True):
        for row in _notes_of(record, end, looks):
            about.setdefault(row, []).append(_called(record))
    every = [_called(record) for record in records]
    rows = [
        (label, text if wheels == every else f"{_of(wheels, every)}: {text}") for (label, text), wheels in about.items()
    ]
    return Block("Notes", tuple(rows))


def _called(record: Record) -> str:
    return f"No. {number_of(record)} {_words(record.document.get('position'))}".strip()


def _of(wheels: Sequence[str], every: Sequence[str]) -> str:
    """The shortest list that names these wheels."""
    others = [each for each in every if each not in wheels]
    return ", ".join(wheels) if len(wheels) <= len(others) + 1 else f"all but {', '.join(others)}"


def _notes_of(record: Record, end: Record | None, looks: Looks) -> list[tuple[str, str]]:
    """What stopped one wheel's fill, the findings at its end, and the next steps."""
    fill = record.document
    rows: list[tuple[str, str]] = []
    if record.corrects is not None:
        rows.append(("CORRECTED", _words(fill.get("why"))))
    for name, label in (("vented_l", "vented"), ("spilled_l", "spilled"), ("existing_l", "held before")):
        if _number(fill, name):
            rows.append((label, looks.volume(_number(fill, name))))
    if _number(fill, "unattended_l"):
        rows.append(("of which unseen", unseen_words(fill)))
    if fill.get("valve") and ";" in (left := _left(fill, looks)):
        rows.append(("pressure left", left))
    if line := cavity_line(dict(fill)):
        rows.append(("air space", line))
    if fill["outcome"] != "complete":
        rows.append(("ended", str(fill["outcome"])))
    if fill["first_out"]:
        rows.append(("stopped because", GUARD_NAMED[str(fill["first_out"])].text))
    flags = fill["flags"]
    if isinstance(flags, list) and flags:
        rows.append(("marked", ", ".join(str(flag) for flag in flags)))
    return [*rows, *_end_rows(fill, end, looks)]


def _end_rows(fill: Fields, end: Record | None, looks: Looks) -> list[tuple[str, str]]:
    """Final pressure, leak check and sealing cap, as entered by a person after the fill."""
    steps = [("next", step) for step in next_steps(dict(fill), us=looks.us)]
    if fill.get("valve") is None or fill.get("recovered_l") is not None:
        return steps
    if end is None:
        return [("at the end", "final pressure, leak check and cap are not recorded"), *steps]
    body = end.document
    leak = "no leak" if body.get("leak") == "none" else f"leak at the {body.get('leak')}"
    cap = "sealing cap on" if body.get("cap") else "no sealing cap"
    noted = f"{looks.pressure(_number(body, 'final_kpa'))}, valve at the top"
    rows = [("final pressure", f"{noted}; {leak}, {cap}")]
    return [*rows, *(("CHECK", fault) for fault in finish_faults(end, fill.get("working_kpa")))]


def _details(records: Sequence[Record], looks: Looks) -> Block:
    """The basis of the figures for recalculation: volumes in litres, one row per fill."""
    first = records[0].document
    software = first["software"]
    assert isinstance(software, dict)
    head = (
        "fill", "target", "forward", "returned", "hose", "± 95 %", "by", "pulses", "K per L", "factor", "of",
        "liquid", "CTL", "totaliser from", "to", "calibration", "configuration", "valve at", "record", "seal",
    )  # fmt: skip
    table = [_detail(record, looks) for record in records]
    same = {place for place, values in enumerate(zip(*table, strict=True)) if place and len(set(values)) == 1}
    rows = [
        ("device", f"{first['device']}, software {software['version']}, source {software['hash']}"),
        ("records", f"of {', '.join(dict.fromkeys(record.truck for record in records))}"),
        ("litres", "forward past the meter, less returned, less what stays in the hose; not temperature compensated"),
        ("of each", "; ".join(f"{head[place]} {table[0][place]}" for place in sorted(same))),
    ]
    apart = [tuple(cell for place, cell in enumerate(row) if place not in same) for row in (head, *table)]
    return Block("Metering", tuple(rows), tuple(apart) if len(apart[0]) > 1 else (), kind="small")


def _detail(record: Record, looks: Looks) -> tuple[str, ...]:
    fill = record.document
    litres = [f"{_number(fill, name):.1f}" for name in ("target_l", "forward_l", "returned_l")]
    ends = [f"{_number(fill, name) / 1000:.3f}" for name in ("totaliser_start_ml", "totaliser_end_ml")]
    events = [_words(fill.get(name)) or "-" for name in ("calibration_events", "configuration_events")]
    return (
        f"No. {number_of(record)}",
        *litres,
        f"{round(_number(fill, 'hose_change_l'), 1) + 0.0:.1f}",
        f"{_number(fill, 'net_u_l'):.1f}",
        str(fill["net_basis"]),
        str(fill["pulses"]),
        str(fill["k_per_l"]),
        str(fill["meter_factor"]),
        str(fill.get("meter_factor_on") or "never proven"),
        looks.temperature(_number(fill, "fluid_c"), 1),
        str(fill["ctl"]),
        *ends,
        *events,
        str(fill["valve_at"]),
        str(record.serial) + (f" for {record.corrects}" if record.corrects is not None else ""),
        record.hash[:8],
    )


def _words(value: object) -> str:
    return "" if value is None else str(value)


def _number(fill: Fields, name: str) -> float:
    value = fill.get(name) or 0
    assert isinstance(value, int | float), name
    return float(value)
