"""Records under a permanent number: the shop's own, or the next free one. Must not know what they are of."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from rig.ledger.moment import says
from rig.ledger.shop import Strict
from rig.record.base import Sealed
from rig.record.unfit import unfit
from rig.run.refused import Refused
from rig.sentence import Sentence, Wording

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_TRIES = 100


def facts_in(model: type[Strict], kind: str, given: Mapping[str, object]) -> dict[str, Any]:
    """The data that a record of a kind has besides its number, validated; Refused with what to write."""
    try:
        facts = model.model_validate(dict(given))
    except ValidationError as error:
        raise Refused(_fault(kind, error.errors()[0])) from error
    return {name: value for name, value in facts.model_dump().items() if value}


def _fault(kind: str, first: ErrorDetails) -> Sentence:
    name, given = ".".join(str(part) for part in first["loc"]), repr(first.get("input"))
    if first["type"] == "string_too_long":
        long = Wording("fact.long", "{kind}: {name}: write at most {most:number} letters")
        return long(kind=kind, name=name, most=first["ctx"]["max_length"])
    if name == "country":
        return Wording("fact.country", "{kind}: country: write two capital letters, such as DE, not {given}")(
            kind=kind, given=given
        )
    return Wording("fact.other", "{kind}: {name}: {what}")(kind=kind, name=name, what=unfit(first))


def known_facts(model: type[Strict], said: Sealed) -> dict[str, Any]:
    """The data of a record that ``model`` has; without those that it does not state."""
    return {name: value for name in model.model_fields if (value := getattr(said, name)) is not None}


def earlier(book: Book, record: Record) -> list[Record]:
    """The records that one has replaced, the latest first."""
    before = None if record.corrects is None else book.at_serial(record.corrects, record.truck)
    return [] if before is None else [before, *earlier(book, before)]


def numbered(book: WritableBook, kind: str, number: str, at: str, made: Callable[[str], Sealed]) -> Record:
    """Write what ``made`` makes of a number: ``number``, or the next free one if that is empty.

    The record has its number in the field ``<kind>_number``, and a ``name``. Refused if ``number`` is taken.
    """
    for _ in range(_TRIES):
        own = number or _next_number(book, kind)
        body = made(own).document()
        record = book.append(kind, own, at, body)
        # Another program may have taken the number since it was looked up.
        if says(record, at, body):
            return record
        if number:
            words = Wording("fact.taken", "{kind} {number} is {name}: leave the number out for the next free one")
            raise Refused(words(kind=kind, number=number, name=str(record.document["name"])))
    raise Refused(Wording("fact.busy", "the book is written by others all the time: try again")())


def _next_number(book: Book, kind: str) -> str:
    """One above the highest numeric number; a correction's key is no number."""
    numbers = (str(each.document[f"{kind}_number"]) for each in book.valid(kind, truck=book.own))
    taken = [int(number) for number in numbers if number.isdecimal()] + [
        int(key) for key in book.keys(kind) if key.isdecimal() and len(key) < 18
    ]
    return str(max(taken, default=0) + 1)
