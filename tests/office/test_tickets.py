"""A ticket carries the office's countersignature: paper can be held against a book that was sealed anew."""

from __future__ import annotations

from pathlib import Path

from offices import Desk
from shop_books import fill_of, journal_with

from rig.books.ticket import ticket_of
from rig.ledger.keeping import book_of, book_read


def lines(folder: Path) -> dict[str, str]:
    """The ticket's block about the office."""
    with book_read(folder) as book:
        paper = ticket_of(book, book.valid("fill"), None)
    return {row[0]: row[1] for block in paper.blocks if "office" in block.title for row in block.rows}


def test_from_enrolment_to_a_countersigned_ticket(office: Desk, tmp_path: Path) -> None:
    folder = tmp_path / "a"
    journal_with(folder, fill_of("first", 0))
    assert lines(folder) == {}
    link = office.enrol(folder)
    office.sync(folder, link)
    signed = office.register.last_signed(link.truck)
    assert signed is not None
    shown = lines(folder)[f"to record {signed.serial}"]
    assert shown == f"seal {signed.hash[:16]}, countersigned {signed.countersignature[:32]}"
    with book_of(folder) as book:
        [first] = book.valid("fill")
        book.append("fill", "second", first.at, {**first.document, "fill_id": "second", "number": 2})
        serial = book.heads()[link.truck][0]
    assert set(lines(folder)) == {f"to record {signed.serial}", "not yet"}
    office.sync(folder, link)
    assert set(lines(folder)) == {f"to record {signed.serial}", f"to record {serial}"}
