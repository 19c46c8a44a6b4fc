"""`rig ticket`: the delivery into a wheel or all wheels of a job, for the customer. Text; computes no volumes.

One page per machine: a table of its wheels, the volume per axle, notes on single wheels; the basis of the metering is
in small type at the end.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.books.asked import fills_asked
from rig.books.bill import addressee, price_block
from rig.books.looks import Looks, looks_of
from rig.books.paper import Block, Head, Paper
from rig.books.prices import head_of, shop_now
from rig.books.printing import add_print_options, book_for, copy_marks, keep_print, printed
from rig.books.where import add_config, now
from rig.books.wording import (
    CAUTIONS,
    NOT_APPROVED,
    SIMULATED,
    cavity_line,
    held_words,
    mix_words,
    next_steps,
    unseen_words,
)
from rig.cli.table import OK, Add
from rig.control.safety.guards import GUARD_NAMED
from rig.ledger.matching import axle_of
from rig.record.base import Document
from rig.record.delivery import moved_words, pressure_left_words, within_words
from rig.record.notes import Figure, Finish
from rig.record.work import PumpWork
from rig.shop.filled import OF_A_FILL, Filled, filled
from rig.shop.posting import number_of, pumped
from rig.shop.sites import site_words
from rig.shop.wheels import finish_faults, finish_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record, SignedHead

NOT_FINISHED = "NOT FINISHED"
_SHOWN = 32
"""Characters of a countersignature on paper: 192 bits, more than anybody can find twice."""
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
        what = f"ticket {options.job if options.job is not None else PumpWork.of(records[0]).fill_id}"
        copies = keep_print(book, what, records) if isinstance(book, WritableBook) else None
        paper, ends = ticket_of(book, records, copies), [finish_of(book, record) for record in records]
        fills = [
            document_of(record) | {"finish": None if end is None else document_of(end)}
            for record, end in zip(records, ends, strict=True)
        ]
        printed(options, paper, {"fills": fills})
    return OK


def document_of(record: Record) -> Document:
    """A book record as one document."""
    own = {"truck": record.truck, "serial": record.serial, "hash": record.hash}
    return {**record.document, **own, **({"number": number_of(record)} if pumped(record) else {})}


def ticket_of(book: Book, records: Sequence[Record], copies: int | None) -> Paper:
    """The ticket of one or more fills with all the book's data on them; ``copies`` as in ``copy_marks``."""
    shop, first = shop_now(book), PumpWork.of(records[0])
    to = addressee(book, first)
    return ticket_paper(
        records,
        [finish_of(book, record) for record in records],
        [
            _noted(filled(book, records, book.valid(OF_A_FILL)), looks_of(shop)),
            price_block(book, records),
            _countersigned(book, records),
        ],
        copies,
        now(),
        looks=looks_of(shop),
        head=head_of(book, shop),
        to=(to.name, *to.lines()) if to else (),
        site=site_words(book, first),
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
    site: str | None = None,
) -> Paper:
    """The ticket of one or more fills, each with its finish record; ``copies`` as in ``copy_marks``."""
    works = [PumpWork.of(record) for record in records]
    faulty = any(end is not None and finish_faults(Finish.of(end), None) for end in ends)
    marks = (
        copy_marks(copies)
        + ([SIMULATED] if any(work.simulated for work in works) else [])
        + ([NOT_FINISHED] if faulty else [])
    )
    blocks = [Block("Wheels", (), _wheels(records, looks), "named"), *_sums(records, looks), _liquids(records, looks)]
    blocks += [_notes(records, ends, looks), *(each for each in further if each), _details(records, looks)]
    return Paper(
        title="DELIVERY TICKET",
        number=f"{works[0].device}  {_numbers(records)}",
        at=at,
        marks=tuple(marks),
        blocks=tuple(each for each in blocks if each.rows or each.table),
        feet=(NOT_APPROVED, "Prices are of the net volume in the tyre.", *CAUTIONS, f"Printed {looks.moment(at)}"),
        signed=("received",),
        head=head,
        to=to,
        facts=_facts(records, site, looks),
        letter=looks.letter,
    )


def _noted(fills: Sequence[Filled], looks: Looks) -> Block:
    """Notes entered after the fills: a person's own figure, spills."""
    rows = []
    for each in fills:
        if each.figure is not None:
            what = f"{looks.volume(each.moved_l)} by {Figure.of(each.figure).basis}, a person's figure"
            rows.append((f"No. {number_of(each.record)}", what))
        elif each.spilled_l:
            what = f"{looks.volume(each.spilled_l)} spilled; {looks.volume(each.moved_l)} in the wheel"
            rows.append((f"No. {number_of(each.record)}", what))
    return Block("Noted afterwards", tuple(rows))


def _countersigned(book: Book, records: Sequence[Record]) -> Block | None:
    """The office's countersignatures that cover these records; none on a truck without one.

    With such a line on paper, a book that was sealed anew shows: that needs the truck's key and the office's.
    """
    if book.last_signed(records[0].truck) is None:
        return None
    heads: dict[int, SignedHead] = {}
    waiting: list[str] = []
    for record in records:
        found = book.signed_heads(record.truck, since=record.serial, most=1)
        heads |= {head.serial: head for head in found}
        waiting += [] if found else [str(record.serial)]
    rows = [
        (f"to record {head.serial}", f"seal {head.hash[:16]}, countersigned {head.countersignature[:_SHOWN]}")
        for head in heads.values()
    ]
    rows += [("not yet", f"record {', '.join(waiting)}: the office has not had it when this was printed")] * bool(
        waiting
    )
    return Block("Countersigned by the office", tuple(rows), kind="small")


def _numbers(records: Sequence[Record]) -> str:
    numbers = [number_of(record) for record in records]
    return (
        f"No. {', '.join(numbers)}" if len(numbers) < 7 else f"No. {numbers[0]} … {numbers[-1]}, {len(numbers)} fills"
    )


def _facts(records: Sequence[Record], site: str | None, looks: Looks) -> tuple[tuple[str, str], ...]:
    works = [PumpWork.of(record) for record in records]
    first, last = works[0], works[-1]
    rows = [
        ("customer no.", first.customer_number),
        ("site", site),
        ("machine", first.machine),
        ("job", first.job),
        ("from", looks.dated(first.clock, first.started_at)),
        ("to", looks.dated(last.clock, last.ended_at)),
        ("filled by", ", ".join(name for name in dict.fromkeys(work.by for work in works) if name)),
    ]
    return tuple((label, text) for label, text in rows if text)


def _wheels(records: Sequence[Record], looks: Looks) -> tuple[tuple[str, ...], ...]:
    works = [PumpWork.of(record) for record in records]
    mixed = len({_liquid_name(work) for work in works}) > 1
    # In capitals only if the figure is known.
    known = all(work.known_as == "known" for work in works)
    held = dict.fromkeys(held_words(work, known=known) for work in works)
    return (
        ("wheel", "size", *(["liquid"] if mixed else []), " / ".join(held), "± (95 %)", "weight", "pressure left"),
        *(
            (
                _called(record) if work.position else f"{_called(record)} position not stated",
                work.shown_size,
                *([_liquid_name(work)] if mixed else []),
                moved_words(work, looks.volume) + (" est." if work.net_basis == "estimated" else ""),
                within_words(work).removeprefix("± "),
                looks.mass(abs(work.moved_kg)) if work.known_as == "known" else "not known",
                _left(work, looks).partition(";")[0] if work.valve else "-",
            )
            for record, work in zip(records, works, strict=True)
        ),
    )


def _left(work: PumpWork, looks: Looks) -> str:
    return pressure_left_words(work, looks.pressure)


def _sums(records: Sequence[Record], looks: Looks) -> list[Block]:
    """Volume per axle, inner and outer wheels together, and of the whole machine; nothing for a single wheel."""
    if len(records) == 1:
        return []
    axles: dict[str, list[PumpWork]] = {}
    told = [work for work in map(PumpWork.of, records) if work.known_as != "not known"]
    for work in told:
        words = axle_of(work.position or "").split()
        axles.setdefault(" ".join(word for word in words if word not in _DUALS) or "-", []).append(work)
    rows: list[tuple[str, Sequence[PumpWork]]] = [(f"axle {name}", own) for name, own in axles.items()]
    rows = rows if len(rows) > 1 else []
    table = [
        (
            name,
            str(len(own)),
            looks.volume(sum(work.moved_l for work in own)),
            looks.mass(sum(work.moved_kg for work in own)),
        )
        for name, own in (*rows, ("TOGETHER", told))
    ]
    unknown = len(records) - len(told)
    left_out = (("not in the sum", f"{unknown} whose litres are not known"),) if unknown else ()
    return [Block("Axles", left_out, (("axle", "wheels", "in the tyres", "weight"), *table), "named")]


def _liquid_name(work: PumpWork) -> str:
    return work.fluid_text or work.fluid


def _liquids(records: Sequence[Record], looks: Looks) -> Block:
    """Each liquid once, with density, freeze point, lot and tote."""
    return Block("Liquid", tuple(dict.fromkeys(_liquid(PumpWork.of(record), looks) for record in records)))


def _liquid(work: PumpWork, looks: Looks) -> tuple[str, str]:
    parts = [f"{work.moved_kg_m3:.0f} kg/m³"]
    if work.moved_freeze_c is not None:
        parts.append(f"first ice at {looks.temperature(work.moved_freeze_c)}")
    if work.lot or work.tote:
        parts.append(f"lot {work.lot or 'not stated'}")
    parts += [f"tote {work.tote}"] if work.tote else []
    return _liquid_name(work), ", ".join(parts)


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
    return f"No. {number_of(record)} {PumpWork.of(record).position or ''}".strip()


def _of(wheels: Sequence[str], every: Sequence[str]) -> str:
    """The shortest list that names these wheels."""
    others = [each for each in every if each not in wheels]
    return ", ".join(wheels) if len(wheels) <= len(others) + 1 else f"all but {', '.join(others)}"


def _notes_of(record: Record, end: Record | None, looks: Looks) -> list[tuple[str, str]]:
    """What stopped one wheel's fill, the findings at its end, and the next steps."""
    work = PumpWork.of(record)
    rows: list[tuple[str, str]] = []
    if record.corrects is not None:
        rows.append(("CORRECTED", work.why or ""))
    for litres, label in ((work.vented_l, "vented"), (work.spilled_l, "spilled"), (work.existing_l, "held before")):
        if litres:
            rows.append((label, looks.volume(litres)))
    if words := mix_words(work, looks.mass, looks.temperature):
        rows.append(("in the wheel", words))
    if work.meter_factor_why:
        rows.append(("meter", work.meter_factor_why))
    if work.unattended_l:
        rows.append(("of which unseen", unseen_words(work)))
    if work.valve and ";" in (left := _left(work, looks)):
        rows.append(("pressure left", left))
    if line := cavity_line(work):
        rows.append(("air space", line))
    if work.outcome != "complete":
        rows.append(("ended", work.outcome))
    if work.first_out:
        rows.append(("stopped because", GUARD_NAMED[work.first_out].text))
    if work.flags:
        rows.append(("marked", ", ".join(work.flags)))
    return [*rows, *_end_rows(work, end, looks)]


def _end_rows(work: PumpWork, end: Record | None, looks: Looks) -> list[tuple[str, str]]:
    """Final pressure, leak check and sealing cap, as entered by a person after the fill."""
    steps = [("next", step.in_order(us=looks.us)) for step in next_steps(work)]
    if work.valve is None or work.recovered_l is not None:
        return steps
    if end is None:
        return [("at the end", "final pressure, leak check and cap are not recorded"), *steps]
    finish = Finish.of(end)
    leak = "no leak" if finish.leak == "none" else f"leak at the {finish.leak}"
    cap = "sealing cap on" if finish.cap else "no sealing cap"
    rows = [("final pressure", f"{looks.pressure(finish.final_kpa)}, valve at the top; {leak}, {cap}")]
    return [*rows, *(("CHECK", fault) for fault in finish_faults(finish, work.working_kpa))]


def _details(records: Sequence[Record], looks: Looks) -> Block:
    """The basis of the figures for recalculation: volumes in litres, one row per fill."""
    first = PumpWork.of(records[0])
    head = (
        "fill", "target", "forward", "returned", "hose", "± 95 %", "by", "pulses", "K per L", "factor", "of",
        "liquid", "CTL", "totaliser from", "to", "calibration", "configuration", "valve at", "record", "seal",
    )  # fmt: skip
    table = [_detail(record, looks) for record in records]
    same = {place for place, values in enumerate(zip(*table, strict=True)) if place and len(set(values)) == 1}
    rows = [
        ("device", f"{first.device}, software {first.software.version}, source {first.software.hash}"),
        ("records", f"of {', '.join(dict.fromkeys(record.truck for record in records))}"),
        ("litres", "forward past the meter, less returned, less what stays in the hose; not temperature compensated"),
        ("of each", "; ".join(f"{head[place]} {table[0][place]}" for place in sorted(same))),
    ]
    apart = [tuple(cell for place, cell in enumerate(row) if place not in same) for row in (head, *table)]
    return Block("Metering", tuple(rows), tuple(apart) if len(apart[0]) > 1 else (), kind="small")


def _detail(record: Record, looks: Looks) -> tuple[str, ...]:
    work = PumpWork.of(record)
    return (
        f"No. {number_of(record)}",
        f"{work.target_l:.1f}",
        f"{work.forward_l:.1f}",
        f"{work.returned_l:.1f}",
        f"{round(work.hose_change_l, 1) + 0.0:.1f}",
        within_words(work).removeprefix("± ").removesuffix(" L"),
        work.net_basis,
        str(work.pulses),
        str(work.k_per_l),
        str(work.meter_factor),
        work.meter_factor_on or "never proven",
        looks.temperature(work.fluid_c, 1),
        str(work.ctl),
        f"{work.totaliser_start_ml / 1000:.3f}",
        f"{work.totaliser_end_ml / 1000:.3f}",
        "-" if work.calibration_events is None else str(work.calibration_events),
        "-" if work.configuration_events is None else str(work.configuration_events),
        str(work.valve_at),
        str(record.serial) + (f" for {record.corrects}" if record.corrects is not None else ""),
        record.hash[:8],
    )
