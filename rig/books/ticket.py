"""`rig ticket`: what went into a wheel or into all wheels of a job, for the customer. Words; computes no volumes."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rig.books.asked import fills_asked
from rig.books.bill import price_block
from rig.books.paper import Block, Paper
from rig.books.printing import add_print_options, book_for, copy_marks, keep_print, printed
from rig.books.where import OK, Add, add_config, dated, local, now
from rig.control.guards import GUARD_NAMED
from rig.record import delivery_in, moved_words, pressure_left_words
from rig.run.posting import number_of
from rig.run.wheels import finish_faults, finish_of
from rig.shown import CAUTIONS, NOT_APPROVED, SIMULATED, cavity_line, held_words, next_steps, unseen_words
from rig.units import gallons, show_mass, show_pressure, show_volume

if TYPE_CHECKING:
    from rig.ledger.chain import Record

Fields = Mapping[str, object]
NOT_FINISHED = "NOT FINISHED"


def add_ticket(add: Add) -> None:
    """The command ``ticket``."""
    command = add("ticket", ticket_command, "Print the ticket of a fill, or of all fills of a job.")
    which = command.add_mutually_exclusive_group(required=True)
    which.add_argument("id", nargs="?", help="the fill, as `rig ledger list` names it, or its number on a ticket")
    which.add_argument("--job", metavar="J")
    add_print_options(command)
    add_config(command)


def ticket_command(options: argparse.Namespace) -> int:
    """Show a ticket, or issue it; the second issue of the same says that it is a duplicate."""
    from rig.ledger.writing import WritableBook

    with book_for(options) as book:
        records = fills_asked(book, options)
        what = f"ticket {options.job if options.job is not None else records[0].document['fill_id']}"
        copies = keep_print(book, what, records) if isinstance(book, WritableBook) else None
        ends = [finish_of(book, record) for record in records]
        paper = ticket_paper(records, ends, price_block(book, records), copies, now())
        fills = [
            document_of(record) | {"finish": None if end is None else document_of(end)}
            for record, end in zip(records, ends, strict=True)
        ]
        printed(options, paper, {"fills": fills})
    return OK


def document_of(record: Record) -> dict[str, object]:
    """A record of the book as one document."""
    own = {"truck": record.truck, "serial": record.serial, "hash": record.hash}
    return {**record.document, **own, **({"number": number_of(record)} if "number" in record.document else {})}


# --- the paper ------------------------------------------------------------------------------------------------------


def ticket_paper(
    records: Sequence[Record], ends: Sequence[Record | None], prices: Block | None, copies: int | None, at: str
) -> Paper:
    """The ticket of some fills, at least one, each with the note of its end; ``copies`` as in ``copy_marks``."""
    first, faulty = records[0].document, False
    blocks = [_head(records)]
    for record, end in zip(records, ends, strict=True):
        blocks.append(_fill_block(record, end))
        faulty |= end is not None and bool(finish_faults(end, None))
    marks = (
        copy_marks(copies)
        + ([SIMULATED] if any(r.document["simulated"] for r in records) else [])
        + ([NOT_FINISHED] if faulty else [])
    )
    if len(records) > 1:
        blocks.append(_sum(records))
    number = ", ".join(f"No. {number_of(record)}" for record in records)
    return Paper(
        title="DELIVERY TICKET",
        number=f"{first['device']}  {number}",
        at=at,
        marks=tuple(marks),
        blocks=(*blocks, *([prices] if prices else [])),
        feet=(NOT_APPROVED, "Prices are of the net volume in the tyre.", *CAUTIONS, f"Printed {local(at)}"),
        signed=("received",),
    )


def _head(records: Sequence[Record]) -> Block:
    first, last = records[0].document, records[-1].document
    software = first["software"]
    assert isinstance(software, dict)
    rows = [
        ("customer", _words(first.get("customer"))),
        ("address", _words(first.get("address"))),
        ("site", _words(first.get("site"))),
        ("machine", _words(first.get("machine"))),
        ("job", _words(first.get("job"))),
        ("from", dated(first, str(first["started_at"]))),
        ("to", dated(last, str(last["ended_at"]))),
        ("filled by", _words(first.get("by"))),
        ("device", str(first["device"])),
        ("software", f"{software['version']}, source {software['hash']}"),
    ]
    return Block("Job", tuple(row for row in rows if row[1]))


def _fill_block(record: Record, end: Record | None) -> Block:
    fill = record.document
    where = fill.get("position") or "position not told"
    title = f"No. {number_of(record)}: {fill['size']}, {where}"
    rows = (*_delivered(fill), *_meter_rows(fill), *_after(fill), *_end_rows(fill, end))
    return Block(title, (*rows, ("record", f"{record.serial} of {record.truck}, seal {record.hash[:16]}")))


def _end_rows(fill: Fields, end: Record | None) -> list[tuple[str, str]]:
    """Final pressure, leak check and sealing cap, as a person noted them after the fill."""
    steps = [("next", step) for step in next_steps(dict(fill))]
    if fill.get("valve") is None or fill.get("recovered_l") is not None:
        return steps
    if end is None:
        return [("at the end", "final pressure, leak check and cap are not recorded"), *steps]
    body = end.document
    leak = "no leak" if body.get("leak") == "none" else f"leak at the {body.get('leak')}"
    cap = "sealing cap on" if body.get("cap") else "no sealing cap"
    noted = f"{show_pressure(_number(body, 'final_kpa'))}, valve at the top"
    rows = [("final pressure", noted), ("leak check, cap", f"{leak}, {cap}")]
    return [*rows, *(("CHECK", fault) for fault in finish_faults(end, fill.get("working_kpa")))]


def _delivered(fill: Fields) -> list[tuple[str, str]]:
    known = delivery_in(fill) == "known"
    rows = [
        ("liquid", _liquid(fill)),
        *([("lot", _lot(fill))] if fill.get("lot") or fill.get("tote") else []),
        ("target", show_volume(_number(fill, "target_l"))),
        ("forward", show_volume(_number(fill, "forward_l"))),
        ("returned", show_volume(_number(fill, "returned_l"))),
        ("in the hose", f"{round(_number(fill, 'hose_change_l'), 1) + 0.0:.1f} L more than before"),
        (held_words(fill, known=known), moved_words(fill, _gallons_first)),
        ("known to", f"± {_number(fill, 'net_u_l'):.1f} L (95 %), {fill['net_basis']}"),
        *([("of which unseen", unseen_words(fill))] if _number(fill, "unattended_l") else []),
        ("weight", show_mass(abs(_number(fill, "mass_kg"))) if known else "not known"),
        ("temperature", f"{_number(fill, 'fluid_c'):.1f} °C; not temperature compensated (CTL {fill['ctl']})"),
    ]
    for name, label in (("vented_l", "vented"), ("spilled_l", "spilled"), ("existing_l", "held before")):
        if _number(fill, name):
            rows.append((label, show_volume(_number(fill, name))))
    if fill.get("corrects"):
        rows.insert(0, ("CORRECTED", _words(fill.get("why"))))
    return rows


def _gallons_first(litres: float) -> str:
    return f"{gallons(litres):z.1f} gal ({litres:z.1f} L)"


def _liquid(fill: Fields) -> str:
    parts = [str(fill.get("fluid_text") or fill["fluid"])]
    if isinstance(density := fill.get("density_kg_m3"), int | float):
        parts.append(f"{density:.0f} kg/m³")
    if isinstance(freeze := fill.get("freeze_c"), int | float):
        parts.append(f"first ice {freeze:.0f} °C")
    return ", ".join(parts)


def _lot(fill: Fields) -> str:
    """The lot that went in, and out of which tote."""
    tote = [f"tote {fill['tote']}"] if fill.get("tote") else []
    return ", ".join([str(fill.get("lot") or "not told"), *tote])


def _meter_rows(fill: Fields) -> list[tuple[str, str]]:
    factor_on = fill.get("meter_factor_on") or "never proven"
    ends = [_number(fill, name) / 1000 for name in ("totaliser_start_ml", "totaliser_end_ml")]
    return [
        ("meter", f"{fill['pulses']} pulses, K {fill['k_per_l']} per L, factor {fill['meter_factor']} of {factor_on}"),
        ("totaliser", f"{ends[0]:.3f} to {ends[1]:.3f} L forward"),
        (
            "events",
            f"calibration {_words(fill.get('calibration_events')) or '-'}, "
            f"configuration {_words(fill.get('configuration_events')) or '-'}",
        ),
    ]


def _after(fill: Fields) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    if fill.get("valve"):
        rows.append(("pressure left", f"{pressure_left_words(fill)}, valve at {fill['valve_at']} o'clock"))
    if line := cavity_line(dict(fill)):
        rows.append(("air space", line))
    if fill["outcome"] != "complete":
        rows.append(("ended", str(fill["outcome"])))
    if fill["first_out"]:
        rows.append(("stopped because", GUARD_NAMED[str(fill["first_out"])].text))
    flags = fill["flags"]
    if isinstance(flags, list) and flags:
        rows.append(("marked", ", ".join(str(flag) for flag in flags)))
    return rows


def _sum(records: Sequence[Record]) -> Block:
    known = [record.document for record in records if delivery_in(record.document) != "not known"]
    net_l, mass_kg = (sum(_number(fill, name) for fill in known) for name in ("net_l", "mass_kg"))
    unknown = len(records) - len(known)
    rows = [("wheels", str(len(records))), ("in the tyres", show_volume(net_l)), ("weight", show_mass(mass_kg))]
    if unknown:
        rows.append(("not in the sum", f"{unknown} whose litres are not known"))
    return Block("Together", tuple(rows))


def _words(value: object) -> str:
    return "" if value is None else str(value)


def _number(fill: Fields, name: str) -> float:
    value = fill.get(name) or 0
    assert isinstance(value, int | float), name
    return float(value)
