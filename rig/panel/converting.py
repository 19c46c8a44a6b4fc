"""A change of liquid in the wheels of a job, for the page: steps and their status, hand work, parts, the bill.

The form's fields go through the parser of the command line's options, so both accept the same words. The status comes
from the records. It must not know requests, and it decides nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from rig.books.billing import looked_at, paper_of, printed_as
from rig.books.invoicing import issued_bill
from rig.books.notes import add_notes, keep_conversion, keep_note
from rig.books.prices import price_lists, read_list
from rig.books.printing import copy_marks, keep_print
from rig.books.where import options_of
from rig.field.points import Strict
from rig.panel.asking import Touch
from rig.panel.jobs import book_of_rig, book_to_keep, forms_of_job
from rig.record import delivery_in
from rig.run.settings import Settings
from rig.shop.posting import place_of
from rig.shop.wheels import BY_HAND, REFILL, Step, Work, inside, work_of_job

if TYPE_CHECKING:
    from rig.ledger.book import Book

_TEXT = Field(default="", max_length=60)
_LITRES = ("net_l", "drawn_l")
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
        document, issued, marks = looked_at(book, job)
        return as_pdf(paper_of(book, document, issued, marks))


def invoice_pdf(settings: Settings, job: str) -> bytes:
    """Issue a job's invoice as PDF; a second print says DUPLICATE. Refused as a bill, and where one is in force."""
    from rig.books.pdf import as_pdf

    with book_to_keep(settings) as book:
        record = issued_bill(book, job)
        copies = keep_print(book, printed_as(record), [record])
        return as_pdf(paper_of(book, record.document, record, copy_marks(copies)))


def _view(book: Book, job: str) -> View:
    forms = {place_of(form.position): form for form in forms_of_job(book, job)}
    changing = {work.position: work for work in work_of_job(book, job) if work.to is not None}
    prices = price_lists(book)
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
            {name: each.document.get(name) for name in ("item", "quantity", "position", "by")}
            for each in book.valid("charge", job=job)
        ],
        "items": list(read_list(prices[-1]).items) if prices else [],
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
        "holds_fluid": next(iter(held.fluids), ""),
        "fill_id": refill.document["fill_id"] if refill else None,
    }


def _step(step: Step) -> View:
    """A step, the words for noting it, and for a done one what was done, by whom and when."""
    body = step.record.document if step.record else {}
    return {
        "step": step.name,
        "notes": [word for word, done in BY_HAND.items() if done == step.name],
        "done": step.record is not None,
        "at": step.record.at if step.record else None,
        "by": body.get("by"),
        "what": body.get("step"),
        "litres": next((body[name] for name in _LITRES if name in body and delivery_in(body) != "not known"), None),
        "final_kpa": body.get("final_kpa"),
    }
