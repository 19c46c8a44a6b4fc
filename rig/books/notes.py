"""`rig job`, `rig convert`, `rig note`: what a person tells the book: whose job it is, what is to be and was done.

Words to records; every correction is a new record. Decides nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from rig.books.asked import fill_asked
from rig.books.where import OK, Add, add_config, book_asked, book_written, now, settings_of, told
from rig.books.working import work_document, work_lines
from rig.ledger.pricing import tenths
from rig.run.customers import of_customer
from rig.run.posting import job_facts
from rig.run.session import Refused
from rig.run.totes import as_written, by_name, returned_to, totes_of
from rig.run.wheels import BY_HAND, CONVERSION, FINISH, OF_A_WHEEL, finish_faults, in_job, work_of_job
from rig.units import parse, show_pressure, show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_JOB = ("customer", "address", "site", "machine", "tax_exempt")
Body = dict[str, object]


def add_notes(add: Add) -> None:
    """The commands ``job``, ``convert`` and ``note``."""
    job = add("job", job_command, "Whose job it is; without options, what is known of it and done on each wheel.")
    job.add_argument("job", metavar="JOB")
    for name in _JOB:
        job.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT")
    add_config(job)
    convert = add("convert", convert_command, "Wheels that are to hold another liquid: the steps, and which are done.")
    convert.add_argument("job", metavar="JOB")
    convert.add_argument("--position", action="append", required=True, metavar="P", help="a wheel; may repeat")
    convert.add_argument("--to", required=True, metavar="F", help="the liquid that it is to hold")
    convert.add_argument("--by", default="", metavar="NAME")
    add_config(convert)
    note = add("note", note_command, "Tell the book: return, rinse, spill, charge, step, holds, finish, correct, void.")
    note.add_argument("kind", choices=tuple(_NOTES))
    note.add_argument("--job", default="", metavar="J")
    note.add_argument("--position", default="", help="for example rear left")
    note.add_argument("--tote", metavar="NAME", help="rinsed or spilled out of it (default: the connected one)")
    note.add_argument("--volume", metavar="Q", help="drawn out, rinsed or spilled")
    note.add_argument("--fluid", metavar="F", help="what it was")
    note.add_argument("--to", default="", metavar="TEXT", help="where it went: tote, waste tank, ground …")
    note.add_argument("--basis", choices=("counted", "estimated"), default="estimated", help="(%(default)s)")
    note.add_argument("--item", metavar="NAME", help="of the price list")
    note.add_argument("--quantity", default="1", metavar="N")
    note.add_argument("--pressure", metavar="Q", help="final pressure, valve at the top")
    note.add_argument("--leak", choices=("none", "core", "bead", "stem"), help="what the leak check showed")
    note.add_argument("--cap", action="store_true", help="the sealing cap is on")
    note.add_argument("--step", choices=tuple(BY_HAND), help="of a conversion, done by hand")
    note.add_argument("--fill", metavar="ID", help="the fill to finish, to correct or to void")
    note.add_argument("--lot", metavar="TEXT", help="of a correction: the lot that went in")
    note.add_argument("--why", default="", metavar="TEXT")
    note.add_argument("--by", default="", metavar="NAME")
    add_config(note)


# --- jobs -----------------------------------------------------------------------------------------------------------


def job_command(options: argparse.Namespace) -> int:
    """Keep or show what is known of a job."""
    told_now = {name: value for name in _JOB if (value := getattr(options, name)) is not None}
    if told_now:
        with book_written(options) as written:
            keep_job(written, options.job, told_now)
    with book_asked(options) as book:
        record, wheels = book.one("job", options.job), work_of_job(book, options.job)
        if record is None and not wheels:
            raise Refused(f"nothing is known of job {options.job!r}: tell it, for example --customer NAME")
    body = record.document if record else {"job": options.job}
    document = {"serial": record.serial if record else None, **body, "wheels": [work_document(each) for each in wheels]}
    head = f"job {options.job}" + (f", record {record.serial}" if record else "")
    rows = [f"  {name.replace('_', ' '):<12} {body[name]}" for name in (*_JOB, "customer_number") if body.get(name)]
    told(options, document, "\n".join([head, *rows, *(line for each in wheels for line in work_lines(each))]))
    return OK


def convert_command(options: argparse.Namespace) -> int:
    """Keep that wheels of a job are to hold another liquid; tell their steps."""
    with book_written(options) as book:
        keep_conversion(book, options)
        wheels = [each for each in work_of_job(book, options.job) if each.to is not None]
    document = {"job": options.job, "wheels": [work_document(each) for each in wheels]}
    told(options, document, "\n".join(line for each in wheels for line in work_lines(each)))
    return OK


def keep_conversion(book: WritableBook, options: argparse.Namespace) -> None:
    """Keep that wheels of a job are to hold another liquid; what stands already is not written again."""
    to = as_written(settings_of(options), options.to)
    for position in options.position:
        standing = next(iter(in_job(book, CONVERSION, options.job, position)[-1:]), None)
        if standing is not None and standing.document["to"] == to:
            continue
        body: Body = {"job": options.job, "position": position, "to": to, "by": options.by}
        at, whole = now(), body | job_facts(book, options.job, position)
        if standing is None:
            book.note(CONVERSION, at, whole)
        else:
            book.replace(standing, whole, at)


def keep_job(book: WritableBook, job: str, facts: Body) -> Record:
    """Write what is known of a job; what was told before stands where it is not told anew, and its work follows it."""
    if not job.strip():
        raise Refused("a job needs a name, for example 2026-114")
    standing = book.one("job", job)
    before = standing.document if standing else {}
    at = now()
    if "customer" in facts:
        facts = facts | of_customer(book, str(facts["customer"] or ""), at)
    body = {name: before.get(name) for name in (*_JOB, "customer_number")} | facts | {"job": job}
    if standing is not None and {name: before.get(name) for name in body} == body:
        return standing
    record = book.append("job", job, at, body) if standing is None else book.replace(standing, body, at)
    for each in book.valid((*OF_A_WHEEL, "charge"), job=job, truck=book.own):
        own = job_facts(book, job, str(each.document.get("position") or ""))
        if any(each.document.get(name) != value for name, value in own.items()):
            correct(book, each, own, "the job was told afterwards")
    return record


def correct(book: WritableBook, record: Record, changes: Body, why: str) -> Record:
    """Write a record that replaces ``record``: the same with ``changes``, at the time of the first.

    CorrectedError where another one has replaced it already.
    """
    at = now()
    return book.replace(record, record.document | changes | {"corrected_at": at, "why": why}, at, at=record.at)


# --- notes ----------------------------------------------------------------------------------------------------------


def note_command(options: argparse.Namespace) -> int:
    """Write one note."""
    with book_written(options) as book:
        record = keep_note(book, options)
    told(options, {"serial": record.serial, "kind": record.kind, **record.document}, _note_text(record))
    return OK


def keep_note(book: WritableBook, options: argparse.Namespace) -> Record:
    """Write what a person notes; QuantityError or Refused with what to write instead."""
    return _NOTES[options.kind](book, options)


def _note_text(record: Record) -> str:
    body = record.document
    names = (*_VOLUMES.values(), "holds_l")
    volume = next((show_volume(value) for name in names if isinstance(value := body.get(name), float)), "")
    words = [f"No. {record.serial}: {record.kind}", *(str(word) for word in (volume, body.get("step")) if word)]
    faults = finish_faults(record, None) if record.kind == FINISH else []
    return "\n".join([" ".join(words), *(f"  ! {fault}" for fault in faults)])


_VOLUMES = {"return": "drawn_l", "rinse": "rinsed_l", "spill": "spilled_l"}


def _moved(book: WritableBook, options: argparse.Namespace) -> Record:
    if options.volume is None:
        raise Refused(f'how much? write for example `rig note {options.kind} --volume "12 gal"`')
    volume_l = parse(options.volume, "volume")
    if volume_l < 0:
        raise Refused("a volume is not negative; correct a wrong note by another one")
    into_or_from = returned_to(book, options.to) if options.kind == "return" else _tote(book, options)
    body: Body = {
        _VOLUMES[options.kind]: round(volume_l, 3),
        "tote": into_or_from,
        "fluid": options.fluid,
        "to": options.to,
        "basis": options.basis,
        "by": options.by,
        "why": options.why,
    }
    return _noted(book, options, body)


def _tote(book: Book, options: argparse.Namespace) -> str:
    """The tote that a note is about: the one that is named, or the one that is connected."""
    tote = by_name(totes_of(book), options.tote)
    if tote is None:
        raise Refused(f"no tote {options.tote!r}; `rig stock` shows them")
    return tote.name


def _noted(book: WritableBook, options: argparse.Namespace, body: Body) -> Record:
    about = {"job": options.job or None, "position": options.position}
    at = now()
    return book.note(options.kind, at, about | job_facts(book, options.job, options.position) | body)


def _charge(book: WritableBook, options: argparse.Namespace) -> Record:
    if not (options.job and options.item):
        raise Refused('what on whose bill? write for example `rig note charge --job J --item "core" --quantity 2`')
    try:
        quantity = Decimal(options.quantity)
        whole = tenths(quantity) == quantity and 0 < quantity <= 100_000
    except InvalidOperation:
        whole = False
    if not whole:
        raise Refused(f"--quantity {options.quantity}: write a number above 0 with at most one decimal")
    return _noted(book, options, {"item": options.item, "quantity": str(quantity), "by": options.by})


def finish(book: WritableBook, options: argparse.Namespace) -> Record:
    """Keep what a person found at a filled wheel: final pressure, leak check, cap; Refused without the first two."""
    if options.pressure is None or options.leak is None:
        raise Refused('write the final pressure and the leak check: `--pressure "16 psi" --leak none [--cap]`')
    kpa = parse(options.pressure, "pressure")
    body: Body = {"final_kpa": round(kpa, 1), "leak": options.leak, "cap": options.cap, "by": options.by}
    if options.fill is not None:
        fill = fill_asked(book, options.fill).document
        body["fill_id"] = fill["fill_id"]
        options.job, options.position = str(fill.get("job") or ""), str(fill.get("position") or "")
    return _noted(book, options, body | {"told": show_pressure(kpa)})


def _step(book: WritableBook, options: argparse.Namespace) -> Record:
    if not (options.job and options.position and options.step):
        raise Refused(
            'which step on which wheel? write `rig note step --step "inspect rim" --job J --position "rear left"`; '
            f"steps: {', '.join(BY_HAND)}"
        )
    return _noted(book, options, {"step": options.step, "by": options.by, "why": options.why})


def _holds(book: WritableBook, options: argparse.Namespace) -> Record:
    if not (options.job and options.position) or options.volume is None:
        raise Refused('what was found in which wheel? write `rig note holds --job J --position P --volume "0 L"`')
    volume_l = parse(options.volume, "volume")
    if volume_l < 0:
        raise Refused("a volume is not negative")
    fluid = as_written(settings_of(options), options.fluid) if options.fluid else ""
    return _noted(book, options, {"holds_l": round(volume_l, 3), "fluid": fluid, "by": options.by, "why": options.why})


def _fill(book: WritableBook, options: argparse.Namespace) -> Record:
    if options.fill is None or not options.why:
        raise Refused(f'which fill and why? write `rig note {options.kind} --fill ID --why "…"`')
    return fill_asked(book, options.fill)


def _correct(book: WritableBook, options: argparse.Namespace) -> Record:
    record = _fill(book, options)
    named = {"job": options.job, "position": options.position, "by": options.by}
    changes: Body = {name: value for name, value in named.items() if value}
    if options.tote is not None:
        changes["tote"] = _tote(book, options)
    if options.lot is not None:
        changes["lot"] = options.lot
    if not changes:
        raise Refused(
            "what is to be corrected? --job, --position, --tote, --lot or --by; what was counted stays as counted"
        )
    job = str(changes.get("job") or record.document.get("job") or "")
    position = str(changes.get("position") or record.document.get("position") or "")
    return correct(book, record, changes | job_facts(book, job, position), options.why)


def _void(book: WritableBook, options: argparse.Namespace) -> Record:
    return correct(book, _fill(book, options), {"void": True}, options.why)


_NOTES: dict[str, Callable[[WritableBook, argparse.Namespace], Record]] = {
    "return": _moved,
    "rinse": _moved,
    "spill": _moved,
    "charge": _charge,
    "step": _step,
    "holds": _holds,
    "finish": finish,
    "correct": _correct,
    "void": _void,
}
