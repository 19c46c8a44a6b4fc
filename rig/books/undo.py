"""`rig note correct`, `void`, `take-back`: a mistake is undone by a further record with a reason; nothing is deleted.

A record is named by its number in the book, or a fill by its id. A proving counts by the journal, so voiding it is an
event there, which the book follows. Makes no judgement on what was measured.
"""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.bill import CHARGE
from rig.books.fields import CORRECTABLE, Changes, changed
from rig.books.records import VOIDABLE, words_of
from rig.books.where import folder_of, now, settings_of
from rig.ledger.chain import VOID
from rig.ledger.journal import Journal
from rig.ledger.lock import LockedError
from rig.record.base import Sealed
from rig.record.kinds import read_kind
from rig.record.notes import Figure, Finish, Job, Moved, Void
from rig.record.proving import Proving
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.run.work import at_work
from rig.sentence import Wording, said_by
from rig.shop.filled import OF_A_FILL
from rig.shop.plausible import refuse_doubtful
from rig.shop.posting import FILL, RETURN, RINSE, VESSEL, follow_provings, job_facts, pumped
from rig.shop.wheels import FINISH, OF_A_WHEEL

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_WORK = (FILL, VESSEL, RETURN, RINSE)
_OTHERWISE = {
    "bill": "an issued bill is cancelled by a credit note: `rig credit NUMBER --why …`",
    "invoice": "an issued bill is cancelled by a credit note: `rig credit NUMBER --why …`",
    "tote": "enter it anew by `rig stock tote`",
    "job": "enter it anew by `rig job JOB`",
    "wheels of a job": "enter its wheels anew on the page",
    "conversion": "enter it anew by `rig convert`",
    "prices": "hand in another list by `rig prices FILE`",
    "quote": "quote it anew by `rig quote`",
    "wheel": "teach it anew by `rig teach`",
    "chart": "take the file over anew by `rig chart import`",
    "not in chart": "void it, and leave out another one by `rig chart void`",
    "proving": "void it and prove anew by `rig prove`",
}
"""How to correct kinds of records that have no correction by field."""


def tell_work(book: WritableBook, job: str) -> None:
    """Update the records of a job's work and their notes with the job's present facts."""
    for each in book.valid((*OF_A_WHEEL, *OF_A_FILL, CHARGE), job=job, truck=book.own):
        said = read_kind(each.kind, each.body)
        own = job_facts(book, job, getattr(said, "position", None) or "")
        if any(getattr(said, name) != value for name, value in own.items()):
            correct(book, each, own, "the job was entered afterwards")


def correct(book: WritableBook, record: Record, changes: Changes, why: str, by: str = "", once: str = "") -> Record:
    """Write a record that replaces ``record``: the same with ``changes``, at the original time.

    CorrectedError if another one has already replaced it.
    """
    at = now()
    own = {"corrected_at": at, "why": why, **({"corrected_by": by} if by else {})}
    said = read_kind(record.kind, record.body).changed({**changes, **own})
    return book.replace(record, said, at, at=record.at, once=once)


def _why(options: argparse.Namespace) -> str:
    why = str(options.why).strip()
    if not why:
        raise Refused(Wording("undo.why", 'why? write `rig note {kind} RECORD --why "…"`')(kind=options.kind))
    return why


def record_named(book: Book, options: argparse.Namespace) -> Record:
    """The present state, possibly void, of the record that a person names; Refused if there is none."""
    named = options.fill if options.record is None else options.record
    if named is None:
        raise Refused(
            Wording(
                "undo.which", "which record? `rig ledger list --records` numbers them: `rig note {kind} 12 --why …`"
            )(kind=options.kind)
        )
    if options.record is not None and named.isdecimal():
        found = book.at_serial(int(named))
        return book.end(found) if found is not None else _none(named)
    for kind in _WORK:
        if (found := book.last(kind, named)) is not None:
            return found
    number = named.partition("-")[0]
    works = (each for each in book.every(book.truck) if each.kind in _WORK and each.corrects is None)
    found = next((each for each in works if (own := pumped(each)) and str(own.number) == number), None)
    return book.end(found) if found is not None else _none(named)


def _none(named: str) -> Record:
    raise Refused(
        Wording("undo.no_record", "no record '{name}' in the book; `rig ledger list --records` shows them")(name=named)
    )


# --- correct --------------------------------------------------------------------------------------------------------


def correct_asked(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    """Write a record that replaces the named one, with a person's changes."""
    standing, why = record_named(book, options), _why(options)
    _refuse_void(standing)
    _refuse_kind(standing, CORRECTABLE, "it is not a person's record")
    settings, before = settings_of(options), read_kind(standing.kind, standing.body)
    # The person at work may be corrected; the person who corrects is stored separately.
    changes, _ = changed(book, settings, standing.kind, before, options)
    after = before.changed(changes)
    if {"job", "position"} & set(changes):
        changes |= job_facts(book, getattr(after, "job", None) or "", getattr(after, "position", None) or "")
    refuse_doubtful(book, settings, after, sure=options.sure, standing=standing)
    made = correct(book, standing, changes, why, getattr(options, "signed", ""), once)
    if _of_pump(made):
        _follow(book, made)
    return made


def _of_pump(record: Record) -> str:
    """The id of pump work; empty for a person's note."""
    work = pumped(record) if record.kind in _WORK else None
    return work.fill_id if work else ""


def _refuse_kind(standing: Record, kinds: Collection[str], otherwise: str) -> None:
    if standing.kind not in kinds:
        how = _OTHERWISE.get(standing.kind, otherwise)
        words = Wording("undo.kind", "record {serial} is of the kind '{kind}': {how}")
        raise Refused(words(serial=str(standing.serial), kind=standing.kind, how=how))


def _refuse_void(standing: Record) -> None:
    if standing.kind == VOID or standing.void_in_its_body:
        raise Refused(
            Wording(
                "undo.is_void",
                "it is void by record {serial} ({why}): `rig note take-back {serial} --why …` lets it count again",
            )(serial=str(standing.serial), why=Sealed.of(standing).why or "")
        )


def _follow(book: WritableBook, fill: Record) -> None:
    """Move the notes on a fill with it to another job or wheel."""
    work = PumpWork.of(fill)
    names = ("job", "position", "customer", "machine", "site", "site_number", "wheel", "address")
    own: Changes = {name: getattr(work, name) for name in names}
    for each in book.valid((*OF_A_FILL, FINISH), truck=fill.truck):
        said = read_kind(each.kind, each.body)
        of = said.fill_id if isinstance(said, Moved | Figure | Finish) else None
        if of == work.fill_id and any(getattr(said, name) != own[name] for name in own):
            correct(book, each, own, "the fill was corrected")


# --- void -----------------------------------------------------------------------------------------------------------


def void_asked(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    """Declare the named record void."""
    standing, why = record_named(book, options), _why(options)
    _refuse_void(standing)
    _refuse_kind(standing, VOIDABLE, "it says what was done, and stays")
    by = getattr(options, "signed", "") or options.by
    if standing.kind == "proving":
        return _proving(book, standing, why, by, folder_of(options), void=True)
    made = book.void(standing, now(), why, by, once)
    while (fill_id := _of_pump(standing)) and (copy := book.one(standing.kind, fill_id)) is not None:
        # For a book duplicated by an earlier version.
        book.void(copy, now(), why, by)
    if standing.kind == "job":
        tell_work(book, standing.key if standing.corrects is None else Job.of(standing).job)
    return made


def take_back_asked(book: WritableBook, options: argparse.Namespace, once: str) -> Record:
    """Revoke a declaration of void."""
    void, why = record_named(book, options), _why(options)
    by = getattr(options, "signed", "") or options.by
    if void.void_in_its_body:
        at = now()
        said = read_kind(void.kind, void.body).changed({"void": None, "corrected_at": at, "why": why})
        return book.replace(void, said, at, at=void.at, once=once)
    if void.kind != VOID:
        words = Wording("undo.not_void", "record {serial} is not void: {what}")
        raise Refused(words(serial=str(void.serial), what=words_of(void)))
    if Void.of(void).voids == "proving":
        return _proving(book, void, why, by, folder_of(options), void=False)
    made = book.take_back(void, now(), why, by, once)
    if made.kind == "job":
        tell_work(book, Job.of(made).job)
    return made


def _proving(book: WritableBook, record: Record, why: str, by: str, folder: Path, *, void: bool) -> Record:
    """Void a proving, or revoke that: an event of the journal, which the book follows. Refused while the rig works."""
    said = Proving.of(record if void else _voided(book, record))
    with _between_fills(folder) as journal:
        of = [each for each in journal.provings() if (each.meter, each.document) == (said.meter, said.document_)]
        if not of:
            raise Refused(
                Wording(
                    "undo.no_proving",
                    "proving of record {serial} is not in the journal of {folder}: it counts nowhere here",
                )(serial=record.serial, folder=str(folder))
            )
        judge = journal.void_proving if void else journal.take_back_void
        judge(of[-1].number, now(), by, why)
        follow_provings(book, journal)
    return book.end(record)


@contextlib.contextmanager
def _between_fills(folder: Path) -> Iterator[Journal]:
    """The journal of a rig that is not at work."""
    with contextlib.ExitStack() as work:
        try:
            journal = work.enter_context(at_work(None, folder))
        except LockedError as error:
            words = Wording("undo.at_work", "the rig is at work; a proving is judged anew between two fills\n{error}")
            raise Refused(words(error=said_by(error))) from error
        yield journal


def _voided(book: Book, void: Record) -> Record:
    found = book.at_serial(void.corrects or 0, void.truck)
    assert found is not None
    return found
