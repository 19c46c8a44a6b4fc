"""Records of the book in one line each, and the actions allowed on them. Reads; decides nothing."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from functools import reduce
from typing import TYPE_CHECKING

from rig.books.fields import CORRECTABLE, VOLUMES
from rig.books.kind_words import KIND_WORDS
from rig.books.where import local
from rig.ledger.chain import VOID
from rig.record.base import Sealed
from rig.record.kinds import read_kind
from rig.record.notes import Finish, Void
from rig.record.proving import Event
from rig.record.work import PumpWork
from rig.sentence import Sentence, Wording
from rig.shop.filled import FIGURE
from rig.shop.posting import FILL, RETURN, RINSE, VESSEL, number_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

VOIDABLE = (
    FILL, VESSEL, RETURN, RINSE, "spill", "charge", "step", "holds", "finish", FIGURE, "load", "dip", "connect", "tote",
    "conversion", "job", "wheels of a job", "wheel", "quote", "prices", "proving", "commissioning",
    "chart", "not in chart",
)  # fmt: skip
"""Kinds of records made by a person, or by the pump on a person's command: all can be declared void."""
MONEY_OR_METER = (FILL, VESSEL, RETURN, "spill", "charge", FIGURE, "quote", "prices", "proving")
"""Kinds that only a supervisor may correct or void on the page, as bills or the meter depend on them."""
_SHOWN = 60


def words_of(record: Record) -> Sentence:
    """A record in a line: its kind, content and work, and the reason if it is a correction."""
    said = read_kind(record.kind, record.body)
    what: list[str] = [KIND_WORDS[record.kind]()]
    if isinstance(said, PumpWork | Event):
        number = number_of(record) if isinstance(said, PumpWork) else said.number
        what.append(Wording("row.number", "No. {number}")(number=str(number)))
    what += [_figure(record.kind, said), *_named(record.kind, said)]
    if tote := getattr(said, "tote", None):
        what.append(Wording("row.tote", "tote {tote}")(tote=tote))
    line = [_run([each for each in what if each], Wording("row.beside", "{one} {other}"))]
    line += [text for name in ("job", "position") if record.kind != "job" and (text := getattr(said, name, None))]
    line += [Wording("row.by", "by {name}")(name=said.by)] if said.by else []
    if said.corrects and record.kind != VOID:
        line.append(Wording("row.corrects", "stands in for record {serial}")(serial=str(said.corrects)))
    return _run([*line, *([said.why] if said.why else [])], Wording("row.then", "{one}, {other}"))


def _run(parts: Sequence[str], words: Wording) -> Sentence:
    """Parts one after another, the first of them a sentence."""
    return reduce(lambda one, other: words(one=one, other=other), parts)  # type: ignore[return-value]


def _named(kind: str, said: Sealed) -> list[str]:
    """What identifies a record within its kind."""
    if isinstance(said, Void):
        words = Wording("row.void", "record {serial} ({kind}) does not count")
        return [words(serial=str(said.corrects), kind=KIND_WORDS[said.voids]())]
    named = [(name, str(value)) for name in _NAMED.get(kind, ()) if (value := getattr(said, name))]
    return [Sentence(text, f"{_OF_THE_PAGE[name]}.{text}", text, {}) if name in _OF_THE_PAGE else text
            for name, text in named]  # fmt: skip


_OF_THE_PAGE = {"step": "work", "leak": "leak", "basis": "basis"}
"""Fields of few values, and what begins the keys of the page's own words for them."""
_NAMED = {
    FILL: ("size", "fluid"),
    RETURN: ("fluid", "to"),
    "charge": ("quantity", "item"),
    "step": ("step",),
    "holds": ("fluid",),
    "finish": ("leak",),
    FIGURE: ("basis",),
    "load": ("fluid", "lot"),
    "dip": ("fluid",),
    "conversion": ("to",),
    "job": ("job", "customer", "machine"),
    "wheel": ("wheel", "size"),
    "chart": ("shop",),
    "not in chart": ("fill_id",),
    "quote": ("total", "currency", "accepted_by"),
    "bill": ("total", "currency"),
    "print": ("what",),
    "commissioning": ("device",),
}
"""Fields that identify a record within its kind."""


def _figure(kind: str, said: Sealed) -> str:
    if isinstance(said, Finish):
        return Wording("row.pressure", "{pressure:pressure}")(pressure=said.final_kpa)
    name = {FILL: "net_l", VESSEL: "net_l", "wheel": "took_l", **VOLUMES}.get(kind)
    return Wording("row.volume", "{volume:volume}")(volume=getattr(said, name)) if name else ""


def state_of(record: Record, ends: Record) -> str:
    """State of a record: ``stands``, ``void``, or ``corrected``; ``ends`` is its latest correction."""
    if ends.kind == VOID or ends.void_in_its_body:
        return "void"
    return "stands" if ends == record else "corrected"


def kind_of(record: Record) -> str:
    """The kind of a record, or of the one that it declares void."""
    return Void.of(record).voids if record.kind == VOID else record.kind


def record_row(book: Book, record: Record) -> dict[str, object]:
    """A record with the actions allowed on it: a document for a program and the page."""
    ends = book.end(record)
    state, kind = state_of(record, ends), record.kind
    may = {
        "correct": state == "stands" and kind in CORRECTABLE,
        "void": state == "stands" and kind in VOIDABLE,
        "take-back": ends == record and state == "void",
    }
    return {
        "serial": record.serial,
        "kind": kind,
        "at": record.at,
        "text": words_of(record),
        "state": state,
        "replaced_by": None if ends == record else ends.serial,
        "may": [name for name, possible in may.items() if possible],
        "fields": list(CORRECTABLE.get(kind, ())) if may["correct"] else [],
        "supervisor": kind_of(record) in MONEY_OR_METER,
    }


def record_rows(
    book: Book, *, job: str | None = None, kind: Collection[str] = (), fill_id: str | None = None, most: int = _SHOWN
) -> list[dict[str, object]]:
    """The latest records of this book's own chain, newest last; by job, kinds or fill."""
    whole = not kind and job is None and fill_id is None
    after = max(0, book.heads().get(book.truck, (0, ""))[0] - most) if whole else 0
    found = [each for each in book.every(book.truck, after=after) if _asked(each, job, kind, fill_id)][-most:]
    found += _voids_of(book, found)
    return [record_row(book, each) for each in sorted(found, key=lambda each: each.serial)[-most:]]


def _asked(record: Record, job: str | None, kind: Collection[str], fill_id: str | None) -> bool:
    if kind and record.kind not in kind:
        return False
    # Test the text first: parsing every body of a year takes seconds.
    if any(each is not None and json.dumps(each, ensure_ascii=False) not in record.body for each in (job, fill_id)):
        return False
    if job is None and fill_id is None:
        return True
    said = read_kind(record.kind, record.body)
    return job in (None, getattr(said, "job", None)) and fill_id in (None, getattr(said, "fill_id", None))


def _voids_of(book: Book, found: Iterable[Record]) -> list[Record]:
    """Declarations of void for these records that are not among them."""
    known = {each.serial for each in found}
    ends = {each.serial: each for each in map(book.end, found) if each.kind == VOID}
    return [each for serial, each in ends.items() if serial not in known]


def rows_text(rows: Iterable[dict[str, object]]) -> str:
    """A line for each record: its number, time, content, and whether it still counts."""
    marks = {"stands": " ", "void": "VOID", "corrected": "old"}
    return "\n".join(
        f"{row['serial']:>6}  {local(str(row['at']))[:16]}  {marks[str(row['state'])]:<4}  {row['text']}"
        for row in rows
    )
