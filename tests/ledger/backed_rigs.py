"""A rig's folder with everything in it that a backup takes, for the tests."""

from __future__ import annotations

import contextlib
from pathlib import Path

from shop_books import TRUCK, about_of, fill_of, journal_only, proving_of

from rig.ledger.journal import Journal
from rig.shop.posting import JOURNAL_NAME, book_to_write

AT = "2026-11-28T08:00:00.000+00:00"


def prove(folder: Path, factor: float = 0.99553) -> int:
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        return journal.append_proving(AT, "pulses", "Jo", proving_of(factor), accepted=True)


def rig_in(folder: Path, *fill_ids: str) -> Path:
    """A rig's folder with fills, a proving, a dip, people, and a fill that was never finished."""
    folder.mkdir(parents=True, exist_ok=True)
    journal_only(folder, *(fill_of(each) for each in fill_ids))
    prove(folder)
    with book_to_write(folder, TRUCK, simulated=True) as book:
        book.note("dip", AT, {"tote": "", "tote_l": 900.0, "fluid": "beet", "lot": "", "by": ""})
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        journal.open_fill("begun", AT, about_of(fill_of("begun")), "{}", "{}")
    (folder / "people.json").write_text('[{"name": "Jo", "role": "technician", "pin": "$argon2id$x"}]')
    (folder / "people.json").chmod(0o600)
    (folder / "controller.lock").write_text("1")
    return folder
