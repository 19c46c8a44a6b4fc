"""Records of the book for the page, to correct, void or take back; a person's figure or spill of a fill.

The form's fields go through the parser of the command line's options, so both accept the same words. It must not know
requests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args

from pydantic import Field

from rig.books.fields import BASES
from rig.books.notes import add_notes, keep_note
from rig.books.records import MONEY_OR_METER, kind_of, record_rows
from rig.books.where import options_of
from rig.ledger.book import CorrectedError
from rig.panel.asking import Touch
from rig.panel.jobs import book_of_rig, book_to_keep
from rig.record.notes import FigureBasis
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.wheels import BY_HAND

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

Act = Literal["correct", "void", "take-back"]
ACTS: tuple[Act, ...] = get_args(Act)
_TEXT = Field(default="", max_length=60)
_WHY = Field(max_length=120)
_CHOICES = {
    "leak": ("none", "core", "bead", "stem"), "cap": ("on", "off"), "step": tuple(BY_HAND), "basis": BASES,
}  # fmt: skip
View = dict[str, object]


class UndoForm(Touch):
    """Why a record is wrong and, for a correction, the right values; an empty field is unchanged."""

    why: str = _WHY
    sure: bool = False
    job: str = _TEXT
    position: str = _TEXT
    by: str = _TEXT
    tote: str = _TEXT
    volume: str = _TEXT
    within: str = _TEXT
    fluid: str = _TEXT
    to: str = _TEXT
    basis: str = _TEXT
    item: str = _TEXT
    quantity: str = _TEXT
    pressure: str = _TEXT
    leak: str = _TEXT
    cap: Literal["", "on", "off"] = ""
    step: str = _TEXT
    size: str = _TEXT
    make: str = _TEXT
    lot: str = _TEXT


class FillNoteForm(Touch):
    """A person's figure of what a fill put in, or of what was spilled."""

    kind: Literal["figure", "spill"]
    volume: str = Field(max_length=60)
    basis: Literal["", FigureBasis] = ""
    why: str = _WHY
    sure: bool = False


def records_view(settings: Settings, *, job: str = "", fill_id: str = "", kinds: str = "") -> View:
    """The latest records, newest first: all, or those of a job, of a fill, of some kinds (comma-separated)."""
    with book_of_rig(settings) as book:
        kind = tuple(each for each in kinds.split(",") if each)
        rows = record_rows(book, job=job or None, fill_id=fill_id or None, kind=kind)
    return {"records": rows[::-1], "choices": {name: list(values) for name, values in _CHOICES.items()}}


def for_supervisor(settings: Settings, serial: int) -> bool:
    """Whether a bill or the meter depends on a record."""
    with book_of_rig(settings) as book:
        record = _seen(book, serial)
    return kind_of(record) in MONEY_OR_METER


def undo(settings: Settings, config: str, serial: int, act: Act, form: UndoForm, by: str) -> View:
    """Correct, void or take back the record that a person sees; returns the latest records.

    CorrectedError where it was replaced meanwhile; Refused, Doubtful, QuantityError.
    """
    given = form.model_dump(exclude={"id", "sure", "cap"})
    words = [f"--{name}={text.strip()}" for name, text in given.items() if text.strip()]
    words += {"on": ["--cap"], "off": ["--no-cap"], "": []}[form.cap]
    options = options_of(
        add_notes, "note", [act, str(serial), *words, f"--config={config}", *(["--sure"] if form.sure else [])]
    )
    options.signed = by
    with book_to_keep(settings) as book:
        ends = book.end(_seen(book, serial))
        if ends.key != form.id:
            if ends.serial != serial:
                raise CorrectedError(
                    Wording(
                        "refused.corrected_meanwhile",
                        "record {serial} was corrected meanwhile, by record {by}: look at it",
                    )(serial=str(serial), by=str(ends.serial))
                )
            keep_note(book, options, form.id)
    return records_view(settings)


def _seen(book: Book, serial: int) -> Record:
    found = book.at_serial(serial)
    if found is None:
        raise Refused(Wording("refused.no_record", "no record {serial} in the book")(serial=str(serial)))
    return found


def note_of_fill(settings: Settings, config: str, fill_id: str, form: FillNoteForm, by: str) -> View:
    """Keep a person's figure of what a fill put in, or spilled; returns the fill's records."""
    given = {"volume": form.volume, "basis": form.basis, "why": form.why, "by": by, "fill": fill_id, "config": config}
    words = [f"--{name}={text.strip()}" for name, text in given.items() if text.strip()]
    options = options_of(add_notes, "note", [form.kind, *words, *(["--sure"] if form.sure else [])])
    with book_to_keep(settings) as book:
        keep_note(book, options, form.id)
    return records_view(settings, fill_id=fill_id)
