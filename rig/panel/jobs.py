"""Jobs as the page keeps them: customer, wheels, and the progress of each wheel.

The customer is in the job's record of the book, the wheels are in a second record. Progress is never kept: it is read
from the fills. It must not know requests.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import Field

from rig.books.compare import compare_document, compared
from rig.books.invoicing import number_in_series, standing_invoice
from rig.books.notes import keep_job
from rig.books.prices import list_now
from rig.books.quote import accept_quote, make_quote, paper_of_quote, quote_document, quote_of
from rig.books.where import now
from rig.field.points import Strict
from rig.ledger.moment import local_day
from rig.panel.asking import Touch, WheelForm, answered, asked
from rig.panel.refusals import NO_QUOTE
from rig.record.notes import Job, JobWheels
from rig.record.papers import Quote
from rig.record.work import PumpWork
from rig.run.messages import Controller
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.filled import OF_A_FILL, Filled, filled
from rig.shop.posting import FILL, book_to_write, place_of
from rig.shop.second_copy import after_record
from rig.shop.taught import taught_in
from rig.shop.wheels import CONVERSION, Work, work_of_job
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Head, Record
    from rig.ledger.writing import WritableBook

WHEELS = "wheels of a job"
"""The kind of record that lists a job's wheels."""
MOST_WHEELS = 24
_SHOWN = 40
_FACTS = ("customer", "machine", "site")
View = dict[str, object]


class JobForm(Strict):
    """A new job; for an existing one, its new list of wheels."""

    job: str = Field(max_length=60)
    """Empty: the next number of the day."""
    customer: str = Field(default="", max_length=80)
    machine: str = Field(default="", max_length=80)
    site: str = Field(default="", max_length=80)
    wheels: tuple[WheelForm, ...] = Field(max_length=MOST_WHEELS)


class AwayForm(Strict):
    """The reason for putting a job away."""

    why: str = Field(max_length=120)


class AcceptForm(Touch):
    """The quote that a person sees and accepts."""

    serial: int


def book_of_rig(settings: Settings) -> Book:
    """Open the rig's book for reading; an empty one where nothing was kept yet."""
    from rig.ledger.keeping import book_or_empty

    return book_or_empty(Path(settings.rig.data))


@contextlib.contextmanager
def book_to_keep(settings: Settings) -> Iterator[WritableBook]:
    """Open the rig's book for writing; the second copy is updated automatically."""
    with book_to_write(Path(settings.rig.data), settings.rig.name, simulated=settings.rig.simulated) as book:
        yield book
    after_record(settings, wait_s=0.0)


@contextlib.contextmanager
def _opened(settings: Settings) -> Iterator[tuple[Book, Settings]]:
    """Open the rig's book for reading; the settings have the wheels taught in it."""
    with book_of_rig(settings) as book:
        yield book, taught_in(book, settings)


@contextlib.contextmanager
def _to_keep(settings: Settings) -> Iterator[tuple[WritableBook, Settings]]:
    """Open the rig's book for writing; the settings have the wheels taught in it."""
    with book_to_keep(settings) as book:
        yield book, taught_in(book, settings)


# --- made ------------------------------------------------------------------------------------------------------------


def keep(rig: Controller, form: JobForm, by: str) -> View:
    """Keep a job and its wheels; raises the errors of an answer for one of its wheels, Refused without a wheel."""
    if not form.wheels:
        raise Refused(Wording("refused.no_wheel", "a job needs a wheel: enter its size and where it sits")())
    for wheel in dict.fromkeys(form.wheels):
        if not wheel.position.strip():
            raise Refused(
                Wording(
                    "refused.no_position",
                    "where does the wheel sit? for example rear left: left and right are told apart by it",
                )()
            )
        answered(rig, asked(rig.settings, wheel))
    with _to_keep(rig.settings) as (book, shop):
        job = form.job.strip() or _next_name(book)
        facts = {name: text for name in _FACTS if (text := getattr(form, name).strip())}
        keep_job(book, job, facts)
        _keep_wheels(book, job, form.wheels, by)
        return job_view(book, shop, job)


def _next_name(book: Book) -> str:
    """The date and the day's next free number."""
    day = local_day(now())
    taken = book.keys("job")
    return next(name for number in range(1, 1000) if (name := f"{day}-{number}") not in taken)


def _keep_wheels(book: WritableBook, job: str, wheels: Sequence[WheelForm], by: str) -> None:
    standing = book.one(WHEELS, job)
    listed = [wheel.model_copy(update={"job": job}).model_dump(exclude_defaults=True) for wheel in wheels]
    if standing is not None and list(JobWheels.of(standing).wheels) == listed and not _away(standing):
        return
    book.put(WHEELS, job, now(), JobWheels(job=job, wheels=tuple(listed), by=by), standing)


def put_away(settings: Settings, job: str, form: AwayForm, by: str) -> View:
    """Put a job's list of wheels away: a record with the reason replaces it. The work done remains.

    Keeping the job again takes it up again. Refused for an unknown one, and without a reason.
    """
    why = form.why.strip()
    if not why:
        raise Refused(Wording("refused.why_away", "why is it put away? for example: entered twice")())
    with _to_keep(settings) as (book, shop):
        standing = _plan(book, job)
        if not _away(standing):
            book.replace(standing, replace(JobWheels.of(standing), put_away=why, by=by), now())
        return job_view(book, shop, job)


def quote(settings: Settings, job: str) -> View:
    """Quote a job's wheels at the price list in force.

    Refused for a job that is put away, for a quote already accepted, and without a price.
    """
    with _to_keep(settings) as (book, shop):
        plan = _plan(book, job)
        if _away(plan):
            raise Refused(Wording("refused.is_away", "job '{job}' is put away: take it up again first")(job=job))
        standing = quote_of(book, job)
        if standing is not None and Quote.of(standing).accepted_by:
            raise Refused(
                Wording("refused.quote_accepted", "quote No. {serial} is accepted: another one is made by `rig quote`")(
                    serial=str(standing.serial)
                )
            )
        wheels = [(form.position, asked(shop, form)) for form in _forms(plan)]
        make_quote(book, shop, job, wheels, standing)
        return job_view(book, shop, job)


def accept(settings: Settings, job: str, form: AcceptForm, by: str) -> View:
    """Accept a job's quote as shown; Refused without one, and for one that was replaced meanwhile."""
    with _to_keep(settings) as (book, shop):
        standing = quote_of(book, job)
        if standing is None:
            raise Refused(NO_QUOTE(job=job))
        if standing.serial != form.serial and not Quote.of(standing).accepted_by:
            raise Refused(
                Wording(
                    "refused.quote_changed", "the quote is another one by now, No. {serial}: look at it and accept that"
                )(serial=str(standing.serial))
            )
        accept_quote(book, standing, by)
        return job_view(book, shop, job)


def quote_pdf(settings: Settings, job: str) -> bytes:
    """A job's quote as PDF; Refused without one."""
    from rig.books.pdf import as_pdf

    with book_of_rig(settings) as book:
        standing = quote_of(book, job)
        if standing is None:
            raise Refused(NO_QUOTE(job=job))
        return as_pdf(paper_of_quote(book, standing))


# --- shown -----------------------------------------------------------------------------------------------------------


def jobs_view(settings: Settings) -> list[View]:
    """The jobs that have wheels: unfinished ones first, within each group the latest first."""
    with _opened(settings) as (book, shop):
        kept = book.valid(WHEELS, truck=book.own)[-_SHOWN:]
        views = [job_view(book, shop, JobWheels.of(each).job) for each in reversed(kept)]
    return sorted(views, key=lambda view: view["next"] is None)


def one_view(settings: Settings, job: str) -> View:
    """One job from the book, with what its bill needs and the invoice in force; Refused for an unknown one."""
    with _opened(settings) as (book, shop):
        issued = standing_invoice(book, job)
        bill = {"priced": list_now(book) is not None, "invoice": None if issued is None else number_in_series(issued)}
        return job_view(book, shop, job) | bill


def job_view(book: Book, settings: Settings, job: str) -> View:
    """One job: its wheels with their progress, the next one, their comparison, and its quote.

    Refused for an unknown one.
    """
    plan, known, quote = _plan(book, job), book.one("job", job), quote_of(book, job)
    away = _away(plan)
    fills = book.valid(FILL, job=job, truck=book.own)
    facts = Job.of(known) if known else Job(job=job)
    work = {each.position: each for each in work_of_job(book, job)} if book.valid(CONVERSION, job=job) else {}
    counted = filled(book, fills, book.valid(OF_A_FILL, job=job, truck=book.own))
    wheels = _wheels(settings, _forms(plan), counted, work)
    alike = compare_document(*compared(fills))
    open_wheels = (number for number, wheel in enumerate(wheels) if wheel["status"] != "done")
    return {
        "job": job,
        **{name: getattr(facts, name) for name in (*_FACTS, "site_number", "day")},
        "wheels": wheels,
        "away": away,
        "next": None if away else next(open_wheels, None),
        **{name: alike[name] for name in ("pairs", "groups")},
        "quote": quote_document(book, quote) if quote else None,
    }


def compare_view(settings: Settings) -> View:
    """Compare all the wheels that this rig filled."""
    with book_of_rig(settings) as book:
        return compare_document(*compared(book.valid(FILL, truck=book.own)))


def heads_of(settings: Settings) -> dict[str, Head]:
    """The ends of the book's chains: the same while nothing was written."""
    with book_of_rig(settings) as book:
        return book.heads()


def _away(plan: Record) -> str:
    """The reason why a list of wheels is put away; empty where it is not. Earlier versions used two fields."""
    said = JobWheels.of(plan)
    return said.put_away or (said.why if said.void else None) or ""


def _plan(book: Book, job: str) -> Record:
    plan = book.one(WHEELS, job)
    if plan is None:
        raise Refused(Wording("refused.no_list", "job '{job}' has no list of wheels")(job=job))
    return plan


def forms_of_job(book: Book, job: str) -> list[WheelForm]:
    """The wheels of a job as entered; Refused for a job without a list of wheels."""
    return _forms(_plan(book, job))


def _forms(plan: Record) -> list[WheelForm]:
    return [WheelForm.model_validate(each) for each in JobWheels.of(plan).wheels]


def _wheels(
    settings: Settings, forms: Sequence[WheelForm], fills: Sequence[Filled], work: Mapping[str, Work]
) -> list[View]:
    """Each wheel with its fills: of two wheels at one place the first takes the first completed fill."""
    done = _by_wheel(fills)
    views: list[View] = []
    for form in forms:
        size = _size(settings, form)
        waiting = done.get((form.position.strip(), size), [])
        views.append(
            {
                "form": form.model_dump(),
                "size": size,
                **_how_far(waiting.pop(0) if waiting else []),
                **_converted(work.get(place_of(form.position))),
            }
        )
    return views


def _converted(work: Work | None) -> View:
    """A wheel's new liquid and its next step; such a wheel is done when all its steps are."""
    if work is None or work.to is None:
        return {"to": None, "step": None}
    left = work.open_steps
    status = "done" if not left else "open" if len(left) == len(work.steps) else "begun"
    return {"to": work.to, "step": left[0] if left else None, "status": status}


def _size(settings: Settings, form: WheelForm) -> str:
    wheel = settings.wheels.get(form.wheel)
    return read_size(wheel.size if wheel else form.size).text if wheel or form.size else form.wheel


def _by_wheel(fills: Sequence[Filled]) -> dict[tuple[str, str], list[list[Filled]]]:
    """The fills of each place and size, one list for each wheel, which ends with a completed fill."""
    found: dict[tuple[str, str], list[list[Filled]]] = {}
    for fill in fills:
        work = PumpWork.of(fill.record)
        wheels = found.setdefault((work.position or "", work.size), [])
        if not wheels or PumpWork.of(wheels[-1][-1].record).outcome == "complete":
            wheels.append([])
        wheels[-1].append(fill)
    return found


def _how_far(fills: Sequence[Filled]) -> View:
    if not fills:
        return {"status": "open", "net_l": None, "fill_id": None}
    net_l = round(sum(fill.moved_l for fill in fills), 3) if all(fill.known for fill in fills) else None
    last = PumpWork.of(fills[-1].record)
    return {"status": "done" if last.outcome == "complete" else "begun", "net_l": net_l, "fill_id": last.fill_id}
