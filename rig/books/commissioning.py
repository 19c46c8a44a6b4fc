"""The commissioning sheet: the latest one of the book as a paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.looks import Looks, looks_of
from rig.books.paper import Block, Head, Paper, as_text
from rig.books.prices import head_of, shop_now
from rig.books.wording import NOT_APPROVED, SIMULATED
from rig.ledger.keeping import book_read
from rig.record.commissioning import Commissioned
from rig.run.refused import Refused
from rig.run.settings import Settings

if TYPE_CHECKING:
    from rig.ledger.chain import Record

_WIDTH = 78
_NOT_GOOD = "NOT ALL TESTS WERE GOOD: no tyre before they are"
_FIRST = "The first wet use is water into an open can, by a qualified person, relief valve and emergency stop proven."


def latest_sheet(settings: Settings) -> Paper:
    """The latest commissioning of the rig's book as a paper; Refused if there is none."""
    with book_read(Path(settings.rig.data)) as book:
        records = book.valid("commissioning", truck=book.own)
        if not records:
            raise Refused("the book has no commissioning yet: `rig commission` enters it")
        shop = shop_now(book)
        return sheet_of(records[-1], looks_of(shop), head_of(book, shop))


def sheet_of(record: Record, looks: Looks, head: Head | None = None) -> Paper:
    """A record of a commissioning as a paper: values with their source, tests with expected and seen."""
    said = Commissioned.of(record)
    tests = (
        ("Test", "Expected", "Seen", ""),
        *((t.what, t.expected, t.seen, "good" if t.good else "NOT GOOD") for t in said.tests),
    )
    values = (("Value", "", "By"), *((row.what, row.value, row.how) for row in said.values))
    marks = ([SIMULATED] if said.simulated else []) + ([] if all(test.good for test in said.tests) else [_NOT_GOOD])
    return Paper(
        title="COMMISSIONING SHEET",
        number=f"{said.device}  record {record.serial}",
        at=record.at,
        marks=tuple(marks),
        blocks=(Block("Tests", (), tests, "named"), Block("Values", (), values, "named")),
        feet=(NOT_APPROVED, _FIRST, f"Configuration SHA-256 {said.config_hash}"),
        signed=(f"commissioned by {said.by or '..............'}",),
        facts=(("Finished", looks.dated(said.clock, record.at)),),
        head=head,
        letter=looks.letter,
    )


def sheet_text(paper: Paper, width: int = _WIDTH) -> str:
    """The sheet for a terminal."""
    return as_text(paper, width)
