"""Selection of a command's fills by id, serial number or job. Only reads."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.posting import FILL, RETURN, RINSE, VESSEL, posted_under, pumped

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record


def fills_asked(book: Book, options: argparse.Namespace) -> list[Record]:
    """The fills selected by a command; Refused if there are none."""
    if options.job is not None:
        records = book.valid(FILL, job=options.job)
        if not records:
            raise Refused(f"no fill of job {options.job!r} in the book; `rig ledger list` shows what there is")
        return records
    record = fill_asked(book, options.id)
    return [record]


def fill_asked(book: Book, name: str) -> Record:
    """One fill by its id or its number, with or without the suffix of a correction; Refused if there is none."""
    record = posted_under(book, name)
    name, _, _ = name.partition("-") if name.replace("-", "").isdecimal() else (name, "", "")
    if record is None and name.isdecimal():
        work = book.valid((FILL, VESSEL, RETURN, RINSE), truck=book.own)
        record = next((each for each in work if (own := pumped(each)) and str(own.number) == name), None)
    if record is not None and pumped(record) is None:
        raise Refused(
            Wording("refused.a_note", "'{name}' is a person's note of a {kind}, no work with the pump")(
                name=name, kind=record.kind
            )
        )
    if record is None:
        raise Refused(
            Wording("refused.no_fill", "no fill '{name}' in the book; `rig ledger list` shows their ids")(name=name)
        )
    return record
