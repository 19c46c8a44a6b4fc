"""`rig job`, `rig convert`, `rig note`: a person's entries in the book: the job's customer, planned and done work.

Text to records; mistakes are corrected or voided by `rig.books.undo`. Decides nothing.
"""

from __future__ import annotations

import argparse
import secrets
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, get_args

from rig.books.asked import fill_asked
from rig.books.fields import (
    BASES,
    NO_TOTE,
    quantity_of,
    refuse_unpriced,
    volume_above_zero_l,
    volume_l_of,
)
from rig.books.kind_words import KIND_WORDS
from rig.books.records import words_of
from rig.books.undo import correct_asked, take_back_asked, tell_work, void_asked
from rig.books.where import (
    add_config,
    add_sure,
    book_asked,
    book_written,
    iso_day,
    now,
    print_answer,
    settings_of,
    surely,
)
from rig.books.working import work_document, work_lines
from rig.cli.table import OK, Add
from rig.ledger.chain import VOID
from rig.record.notes import (
    Charge,
    Conversion,
    Figure,
    FigureBasis,
    Finish,
    HandWork,
    Holds,
    Job,
    Moved,
    OnWheel,
    Returned,
    Rinsed,
    Spilled,
)  # fmt: skip
from rig.record.unfit import either
from rig.record.work import Basis, PumpWork
from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.customers import of_customer
from rig.shop.filled import unknown_because
from rig.shop.plausible import refuse_doubtful
from rig.shop.posting import FILL, RETURN, job_facts, pumped
from rig.shop.sites import of_site
from rig.shop.totes import as_written, by_name, returned_to, totes_of
from rig.shop.wheels import BY_HAND, CONVERSION, FINISH, finish_faults, in_job, work_of_job
from rig.units import parse, show_pressure

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_JOB = ("customer", "address", "site", "machine", "tax_exempt", "day")
_NUMBERS = ("customer_number", "site_number")


def add_notes(add: Add) -> None:
    """The commands ``job``, ``convert`` and ``note``."""
    job = add("job", job_command)
    job.add_argument("job", metavar="JOB")
    for name in _JOB:
        job.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT")
    add_config(job)
    convert = add("convert", convert_command)
    convert.add_argument("job", metavar="JOB")
    convert.add_argument("--position", action="append", required=True, metavar="P", help="a wheel; may repeat")
    convert.add_argument("--to", required=True, metavar="F", help="the liquid that it is to hold")
    convert.add_argument("--by", default="", metavar="NAME")
    add_sure(convert)
    add_config(convert)
    note = add("note", note_command)
    note.add_argument("kind", choices=tuple(_NOTES))
    note.add_argument("record", nargs="?", metavar="RECORD", help="to correct or void: its number, or a fill's id")
    note.add_argument("--job", default="", metavar="J")
    note.add_argument("--position", default="", help="for example rear left")
    note.add_argument("--tote", metavar="NAME", help="rinsed or spilled out of it (default: the connected one)")
    note.add_argument("--volume", metavar="Q", help="drawn out, rinsed, spilled, or what is in the wheel")
    note.add_argument("--within", metavar="Q", help="of a corrected load or dip: how well its volume is known")
    note.add_argument("--fluid", metavar="F", help="what it was")
    note.add_argument("--to", metavar="TEXT", help="where it went: tote, waste tank, ground …")
    note.add_argument("--basis", choices=BASES, help="by what the volume is known (default: estimated)")
    note.add_argument("--item", metavar="NAME", help="of the price list")
    note.add_argument("--quantity", metavar="N", help="of the item (default: 1)")
    note.add_argument("--pressure", metavar="Q", help="final pressure, valve at the top")
    note.add_argument("--leak", choices=("none", "core", "bead", "stem"), help="what the leak check showed")
    note.add_argument("--cap", action=argparse.BooleanOptionalAction, help="the sealing cap is on")
    note.add_argument("--step", choices=tuple(BY_HAND), help="of a conversion, done by hand")
    note.add_argument("--fill", metavar="ID", help="the fill that it is about")
    note.add_argument("--size", metavar="S", help="of a fill: the size that the wheel really has")
    note.add_argument("--make", metavar="TEXT", help="of a fill: maker and tread of the tyre")
    note.add_argument("--lot", metavar="TEXT", help="of a correction: the lot that went in")
    note.add_argument("--why", default="", metavar="TEXT")
    note.add_argument("--by", default="", metavar="NAME")
    add_sure(note)
    add_config(note)


# --- jobs -----------------------------------------------------------------------------------------------------------


def job_command(options: argparse.Namespace) -> int:
    """Store or show what is known of a job."""
    entered = {name: value for name in _JOB if (value := getattr(options, name)) is not None}
    if entered:
        with book_written(options) as written:
            keep_job(written, options.job, entered)
    with book_asked(options) as book:
        record, wheels = book.one("job", options.job), work_of_job(book, options.job)
        if record is None and not wheels:
            raise Refused(f"nothing is known of job {options.job!r}: enter it, for example --customer NAME")
    said = Job.of(record) if record else Job(job=options.job)
    body = record.document if record else {"job": options.job}
    document = {"serial": record.serial if record else None, **body, "wheels": [work_document(each) for each in wheels]}
    head = f"job {options.job}" + (f", record {record.serial}" if record else "")
    given = ((name, getattr(said, name)) for name in (*_JOB, *_NUMBERS))
    rows = [f"  {name.replace('_', ' '):<12} {value}" for name, value in given if value]
    print_answer(options, document, "\n".join([head, *rows, *(line for each in wheels for line in work_lines(each))]))
    return OK


def convert_command(options: argparse.Namespace) -> int:
    """Store the conversion of a job's wheels to another liquid; show its steps."""
    with book_written(options) as book:
        surely(options, lambda: keep_conversion(book, options))
        wheels = [each for each in work_of_job(book, options.job) if each.to is not None]
    document = {"job": options.job, "wheels": [work_document(each) for each in wheels]}
    print_answer(options, document, "\n".join(line for each in wheels for line in work_lines(each)))
    return OK


def keep_conversion(book: WritableBook, options: argparse.Namespace) -> None:
    """Store the conversion of a job's wheels to another liquid; an existing identical record is not repeated."""
    settings = settings_of(options)
    to = as_written(settings, options.to)
    refuse_doubtful(book, settings, Conversion(to=options.to), sure=options.sure)
    for position in options.position:
        standing = next(iter(in_job(book, CONVERSION, options.job, position)[-1:]), None)
        if standing is not None and Conversion.of(standing).to == to:
            continue
        facts = job_facts(book, options.job, position)
        said = Conversion(**facts, job=options.job, position=position, to=to, by=options.by)
        if standing is None:
            book.note(CONVERSION, now(), said)
        else:
            book.replace(standing, said, now())


def keep_job(book: WritableBook, job: str, facts: Mapping[str, str | None]) -> Record:
    """Write a job's facts; earlier ones remain unless entered again, and the records of its work are updated."""
    if not job.strip():
        raise Refused(Wording("refused.no_job_name", "a job needs a name, for example 2026-114")())
    standing = book.one("job", job)
    before = Job.of(standing) if standing else Job(job=job)
    at = now()
    if "customer" in facts:
        facts = {**facts, **of_customer(book, facts["customer"] or "", at)}
    whose = facts.get("customer_number", before.customer_number)
    if "site" in facts:
        facts = {**facts, **of_site(book, whose, facts["site"] or "")}
    elif whose != before.customer_number:
        # A numbered site is one of its customer's.
        facts = {**facts, "site_number": None}
    if facts.get("day"):
        facts = {**facts, "day": iso_day(facts["day"] or "", "--day")}
    given: dict[str, Any] = {name: getattr(before, name) for name in (*_JOB, *_NUMBERS)}
    said = Job(**given | dict(facts), job=job)
    if standing is not None and all(getattr(before, name) == getattr(said, name) for name in given):
        return standing
    record = book.put("job", job, at, said, standing)
    tell_work(book, job)
    return record


# --- notes ----------------------------------------------------------------------------------------------------------


def note_command(options: argparse.Namespace) -> int:
    """Write one note, correction or void."""
    with book_written(options) as book:
        record = surely(options, lambda: keep_note(book, options))
        text = _note_text(book, record)
    print_answer(options, {"serial": record.serial, "kind": record.kind, **record.document}, text)
    return OK


def keep_note(book: WritableBook, options: argparse.Namespace, once: str = "") -> Record:
    """Write a person's note for a request ``once``; QuantityError, Doubtful or Refused with what to write instead.

    Without a request each call is a separate note: two identical ones within a millisecond are two.
    """
    return _NOTES[options.kind](book, options, once or secrets.token_hex(12))


def _note_text(book: Book, record: Record) -> str:
    faults = finish_faults(Finish.of(record), None) if record.kind == FINISH else []
    lines = [f"record {record.serial}: {words_of(record)}", *(f"  ! {fault}" for fault in faults)]
    if record.kind == VOID:
        lines.append(f"  It can be taken back: `rig note take-back {record.serial} --why …`")
    return "\n".join(lines)


def _moved(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    if options.volume is None:
        raise Refused(Wording("note.how_much", 'how much? write for example `--volume "12 gal"`')())
    litres, to = volume_above_zero_l(options.volume), options.to or ""
    said = _MOVED[options.kind](litres)
    basis: Basis | FigureBasis = options.basis or "estimated"
    said = replace(said, fluid=options.fluid, to=to, basis=basis, by=options.by, why=options.why)
    if options.kind == "spill" and options.fill is not None:
        fill = _of_fill(book, options, FILL)
        return _noted(book, options, replace(said, fill_id=fill.fill_id, tote=fill.tote, fluid=fill.fluid), once)
    tote = returned_to(book, to) if options.kind == "return" else _tote(book, options)
    return _noted(book, options, replace(said, tote=tote), once)


_MOVED: dict[str, Callable[[float], Moved]] = {
    "return": lambda litres: Returned(drawn_l=litres),
    "rinse": lambda litres: Rinsed(rinsed_l=litres),
    "spill": lambda litres: Spilled(spilled_l=litres),
}


def _of_fill(book: Book, options: argparse.Namespace, *kinds: str) -> PumpWork:
    """The pump work that a note is about; the note gets its job and position."""
    record = fill_asked(book, options.fill)
    fill = pumped(record)
    if fill is None or (kinds and record.kind not in kinds):
        raise Refused(
            Wording("note.no_kind", "{fill} is no {kinds}: `rig ledger list --records` shows what it is")(
                fill=options.fill, kinds=either([KIND_WORDS[each]() for each in kinds])
            )
        )
    options.job, options.position = fill.job or "", fill.position or ""
    return fill


def _tote(book: Book, options: argparse.Namespace) -> str:
    """The tote of a note: the named one, or the connected one."""
    tote = by_name(totes_of(book), options.tote)
    if tote is None:
        raise Refused(NO_TOTE(name=options.tote or ""))
    return tote.name


def _noted(book: WritableBook, options: argparse.Namespace, said: OnWheel, once: str) -> Record:
    facts = job_facts(book, options.job, options.position)
    whole = replace(said, **facts, job=options.job or None, position=options.position)
    refuse_doubtful(book, settings_of(options), whole, sure=options.sure)
    return book.note(options.kind, now(), whole, once)


def _charge(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    if not (options.job and options.item):
        words = Wording(
            "note.charge", 'what on whose bill? write for example `rig note charge --job J --item "core" --quantity 2`'
        )
        raise Refused(words())
    refuse_unpriced(book, options.item)
    said = Charge(item=options.item, quantity=quantity_of(options.quantity or "1"), by=options.by)
    return _noted(book, options, said, once)


def _finish(book: WritableBook, options: argparse.Namespace, once: str = "") -> Record:
    """Store the finish of a filled wheel: final pressure, leak check, cap; Refused without the first two."""
    if options.pressure is None or options.leak is None:
        words = Wording(
            "note.finish", 'write the final pressure and the leak check: `--pressure "16 psi" --leak none [--cap]`'
        )
        raise Refused(words())
    kpa = parse(options.pressure, "pressure")
    said = Finish(
        final_kpa=round(kpa, 1),
        leak=options.leak,
        cap=bool(options.cap),
        by=options.by,
        fill_id=None if options.fill is None else _of_fill(book, options).fill_id,
        told=show_pressure(kpa),
    )
    return _noted(book, options, said, once)


def _step(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    if not (options.job and options.position and options.step):
        raise Refused(
            Wording(
                "note.step",
                'which step on which wheel? write `rig note step --step "inspect rim" --job J --position "rear left"`; '
                "steps: {steps}",
            )(steps=", ".join(BY_HAND))
        )
    return _noted(book, options, HandWork(step=options.step, by=options.by, why=options.why), once)


def _holds(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    if not (options.job and options.position) or options.volume is None:
        words = Wording(
            "note.holds", 'what was found in which wheel? write `rig note holds --job J --position P --volume "0 L"`'
        )
        raise Refused(words())
    fluid = as_written(settings_of(options), options.fluid) if options.fluid else ""
    said = Holds(holds_l=volume_l_of(options.volume), fluid=fluid, by=options.by, why=options.why)
    return _noted(book, options, said, once)


def _figure(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    """A person's figure for the volume of a fill or removal whose record leaves it uncertain."""
    if options.fill is None or options.volume is None or options.basis not in get_args(FigureBasis) or not options.why:
        raise Refused(
            Wording(
                "note.what_figure",
                'what went in, and how is it known? write `rig note figure --fill ID --volume "41 gal" '
                '--basis scale|level|chart --why "…"`',
            )()
        )
    about, fill = _of_fill(book, options, FILL, RETURN), fill_asked(book, options.fill)
    if unknown_because(fill) is None:
        raise Refused(
            Wording(
                "note.metered",
                "{kind} {fill} is billed by what was metered, which its record knows well enough; what "
                "was counted stays as counted",
            )(kind=KIND_WORDS[fill.kind](), fill=options.fill)
        )
    said = Figure(
        figure_l=volume_l_of(options.volume),
        basis=options.basis,
        by=options.by,
        why=options.why,
        fill_id=about.fill_id,
    )
    return _noted(book, options, said, once)


_NOTES: dict[str, Callable[[WritableBook, argparse.Namespace, str], Record]] = {
    "return": _moved,
    "rinse": _moved,
    "spill": _moved,
    "charge": _charge,
    "step": _step,
    "holds": _holds,
    "finish": _finish,
    "figure": _figure,
    "correct": correct_asked,
    "void": void_asked,
    "take-back": take_back_asked,
}
