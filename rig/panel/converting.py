"""A change of liquid in the wheels of a job, for the page: steps and their status, hand work, parts, the bill.

The form's fields go through the parser of the command line's options, so both accept the same words. The status comes
from the records. It must not know requests, and it decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from rig.books.billing import bill_in, looked_at, paper_of, printed_as
from rig.books.invoicing import issued_bill
from rig.books.notes import add_notes, keep_conversion, keep_note
from rig.books.prices import list_now, read_list
from rig.books.printing import copy_marks, keep_print
from rig.books.where import options_of
from rig.field.points import Strict
from rig.panel.asking import Touch
from rig.panel.jobs import book_of_rig, book_to_keep, forms_of_job
from rig.record.base import Sealed
from rig.record.kinds import read_kind
from rig.record.notes import Charge, Finish, HandWork, Returned
from rig.record.work import PumpWork
from rig.run.settings import Settings
from rig.shop.posting import place_of
from rig.shop.wheels import BY_HAND, REFILL, Step, Work, inside, work_of_job

if TYPE_CHECKING:
    from rig.ledger.book import Book

_TEXT = Field(default="", max_length=60)
View = dict[str, object]


class ConvertForm(Strict):
    """Wheels of a job that are to be changed to another liquid."""

    positions: tuple[str, ...] = Field(min_length=1, max_length=24)
    to: str = Field(min_length=1, max_length=60)
    sure: bool = False


class NoteForm(Touch):
    """A step done by hand at a wheel, a volume taken out by other means, or a part for the job's bill."""

    kind: Literal["step", "return", "charge"]
    position: str = _TEXT
    step: str = _TEXT
    volume: str = _TEXT
    fluid: str = _TEXT
    to: str = _TEXT
    item: str = _TEXT
    quantity: str = _TEXT
    sure: bool = False


def convert(settings: Settings, config: str, job: str, form: ConvertForm, by: str) -> View:
    """Keep a change of liquid for wheels; returns the steps."""
    words = [job, *(f"--position={each}" for each in form.positions), f"--to={form.to}", f"--by={by}"]
    words += ["--sure"] if form.sure else []
    options = options_of(add_notes, "convert", [*words, f"--config={config}"])
    with book_to_keep(settings) as book:
        keep_conversion(book, options)
        return _view(book, job)


def note_work(settings: Settings, config: str, job: str, form: NoteForm, by: str) -> View:
    """Keep a step done by hand, or a part for the bill; returns the updated steps. Refused."""
    given = form.model_dump(exclude={"id", "kind", "sure"}) | {"job": job, "by": by}
    words = [f"--{name}={text.strip()}" for name, text in given.items() if text.strip()]
    words += ["--sure"] if form.sure else []
    options = options_of(add_notes, "note", [form.kind, *words, f"--config={config}"])
    with book_to_keep(settings) as book:
        keep_note(book, options, form.id)
        return _view(book, job)


def conversion_view(settings: Settings, job: str) -> View:
    """The wheels of a job that are to be changed to another liquid, the next step of each, and the parts so far."""
    with book_of_rig(settings) as book:
        return _view(book, job)


def bill_pdf(settings: Settings, job: str) -> bytes:
    """A job's bill as PDF to look at; Refused where nothing was done or a price is missing."""
    from rig.books.pdf import as_pdf

    with book_of_rig(settings) as book:
        bill, issued, marks = looked_at(book, job)
        return as_pdf(paper_of(book, bill, issued, marks))


def invoice_pdf(settings: Settings, job: str) -> bytes:
    """Issue a job's invoice as PDF; a second print says DUPLICATE. Refused as a bill, and where one is in force."""
    from rig.books.pdf import as_pdf

    with book_to_keep(settings) as book:
        record = issued_bill(book, job)
        copies = keep_print(book, printed_as(record), [record])
        return as_pdf(paper_of(book, bill_in(record), record, copy_marks(copies)))


def _view(book: Book, job: str) -> View:
    forms = {place_of(form.position): form for form in forms_of_job(book, job)}
    changing = {work.position: work for work in work_of_job(book, job) if work.to is not None}
    prices = list_now(book)
    return {
        "job": job,
        "positions": [
            {"position": form.position, "to": changing[place].to if place in changing else None}
            for place, form in forms.items()
        ],
        "wheels": [
            {**_work(book, job, work), "form": forms[place].model_dump() if place in forms else None}
            for place, work in changing.items()
        ],
        "charges": [
            {"item": each.item, "quantity": each.quantity, "position": each.position, "by": each.by}
            for each in map(Charge.of, book.valid("charge", job=job))
        ],
        "items": list(read_list(prices).items) if prices else [],
    }


def _work(book: Book, job: str, work: Work) -> View:
    held = inside(book, job, work.position)
    refill = next((step.record for step in work.steps if step.name == REFILL), None)
    return {
        "position": work.position,
        "to": work.to,
        "steps": [_step(step) for step in work.steps],
        "next": next(iter(work.open_steps), None),
        "faults": list(work.faults),
        "holds_l": held.left_l,
        "holds_fluid": held.fluids[0] if len(held.fluids) == 1 else "",
        "fill_id": PumpWork.of(refill).fill_id if refill else None,
    }


def _step(step: Step) -> View:
    """A step, the words for noting it, and for a done one what was done, by whom and when."""
    record = step.record
    said = read_kind(record.kind, record.body) if record else None
    return {
        "step": step.name,
        "notes": [word for word, done in BY_HAND.items() if done == step.name],
        "done": step.record is not None,
        "at": step.record.at if step.record else None,
        "by": said.by if said else None,
        "what": said.step if isinstance(said, HandWork) else None,
        "litres": _litres(said),
        "final_kpa": said.final_kpa if isinstance(said, Finish) else None,
    }


def _litres(said: Sealed | None) -> float | None:
    """What a step moved, as far as it is known."""
    if isinstance(said, PumpWork):
        return None if said.known_as == "not known" else said.net_l
    return said.drawn_l if isinstance(said, Returned) else None
