"""After a fill: a person's findings at the wheel, and its ticket to read or as PDF. Text only; computes nothing.

The ticket states what was not reported. It must not know requests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from rig.books.asked import fill_asked
from rig.books.notes import add_notes, keep_note
from rig.books.paper import as_text
from rig.books.printing import keep_print
from rig.books.ticket import ticket_of
from rig.books.where import options_of
from rig.panel.asking import Touch
from rig.panel.jobs import book_of_rig, book_to_keep
from rig.record.notes import Finish
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.posting import FILL
from rig.shop.wheels import finish_faults, finish_of

if TYPE_CHECKING:
    from rig.ledger.book import Book

_COLUMNS = 32
"""A ticket on the page is as narrow as a phone."""


class AfterForm(Touch):
    """Findings once the wheel was aired up."""

    pressure: str = Field(max_length=20)
    """With its unit."""
    leak: Literal["none", "core", "bead", "stem"]
    cap: bool
    sure: bool = False


def keep_after(settings: Settings, fill_id: str, form: AfterForm, by: str) -> dict[str, object]:
    """Keep the findings at a wheel; later ones replace earlier ones.

    Returns the findings and the ticket with them. Raises QuantityError, Refused.
    """
    words = ["finish", f"--fill={fill_id}", f"--pressure={form.pressure}", f"--leak={form.leak}", f"--by={by}"]
    words += [*(["--cap"] if form.cap else []), *(["--sure"] if form.sure else [])]
    with book_to_keep(settings) as book:
        keep_note(book, options_of(add_notes, "note", words), form.id)
    return after_of(settings, fill_id)


def after_of(settings: Settings, fill_id: str) -> dict[str, object]:
    """The findings at a wheel after its fill, and the ticket with them."""
    with book_of_rig(settings) as book:
        return {"after": after_view(book, fill_id), "ticket": ticket_words(book, fill_id)}


def after_view(book: Book, fill_id: str) -> dict[str, object] | None:
    """The findings at a wheel after its fill, with its faults; None when nothing was reported."""
    fill = fill_asked(book, fill_id)
    record = finish_of(book, fill)
    if record is None:
        return None
    finish = Finish.of(record)
    faults = finish_faults(finish, PumpWork.of(fill).working_kpa)
    return {**{name: getattr(finish, name) for name in ("final_kpa", "leak", "cap", "by")}, "faults": faults}


# --- the paper -------------------------------------------------------------------------------------------------------


def ticket_words(book: Book, fill_id: str) -> str:
    """The ticket of one fill to read; Refused when it is not in the book. Reading does not count as a print."""
    return as_text(ticket_of(book, [fill_asked(book, fill_id)], None), _COLUMNS)


def ticket_pdf(settings: Settings, *, fill_id: str = "", job: str = "") -> bytes:
    """The ticket of a fill or of a job's fills as PDF; keeps the print in the book. Refused without a fill."""
    from rig.books.pdf import as_pdf

    with book_to_keep(settings) as book:
        records = book.valid(FILL, job=job) if job else [fill_asked(book, fill_id)]
        if not records:
            raise Refused(Wording("refused.no_fill_of_job", "no fill of job '{job}' in the book")(job=job))
        copies = keep_print(book, f"ticket {job or PumpWork.of(records[0]).fill_id}", records)
        return as_pdf(ticket_of(book, records, copies))
