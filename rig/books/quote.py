"""`rig quote`: what a job would cost before it is done, its acceptance, and what was done beside it."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from rig.books.bill import EXAMPLE, job_bill, price_lists, read_list
from rig.books.where import OK, Add, add_config, book_asked, book_written, now, told
from rig.ledger.pricing import Extra, PriceError, Work, bill_document, exact, lines_of
from rig.questions import add_question_options, question_of
from rig.run.assembly import Question, answer
from rig.run.filled import OF_A_FILL, filled
from rig.run.posting import FILL
from rig.run.session import Refused
from rig.run.settings import Settings, load_settings
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook


def add_quote(add: Add) -> None:
    """The command ``quote``."""
    command = add("quote", quote_command, "What a job would cost, its acceptance, and beside it what was done.")
    command.add_argument("job", metavar="JOB")
    command.add_argument("sizes", nargs="*", metavar="SIZE", help="each wheel that is to be filled")
    command.add_argument("--item", action="append", default=[], metavar="NAME", help="a part; may repeat")
    command.add_argument("--accept", metavar="WHO", help="who accepts the quote that stands")
    add_question_options(command)
    add_config(command)


def quote_command(options: argparse.Namespace) -> int:
    """Make, accept or look up a quote."""
    if options.sizes or options.accept:
        with book_written(options) as written:
            _keep(written, options)
    with book_asked(options) as book:
        document = quote_document(book, _asked_quote(book, options))
    told(options, document, _text(document))
    return OK


def _keep(book: WritableBook, options: argparse.Namespace) -> None:
    """Make the quote that is asked for, and keep who accepts it."""
    if options.sizes:
        wheels = [(f"wheel {number}", question_of(options, size)) for number, size in enumerate(options.sizes, 1)]
        standing = quote_of(book, options.job)
        make_quote(book, load_settings(options.config), options.job, wheels, standing, options.item)
    if options.accept:
        accept_quote(book, _asked_quote(book, options), options.accept)


def _asked_quote(book: Book, options: argparse.Namespace) -> Record:
    standing = quote_of(book, options.job)
    if standing is None:
        raise Refused(f"no quote for job {options.job!r}: name the sizes, as in `rig quote J1 18.4-38 18.4-38`")
    return standing


def quote_of(book: Book, job: str) -> Record | None:
    """The quote of a job that stands, None where none was made."""
    return next(iter(book.valid("quote", job=job, truck=book.own)), None)


def accept_quote(book: WritableBook, standing: Record, who: str) -> Record:
    """Keep who accepts the quote that stands, and when; one that was accepted stays as it was accepted."""
    if standing.document["accepted_by"]:
        return standing
    at = now()
    return book.replace(standing, standing.document | {"accepted_by": who, "accepted_at": at}, at)


def quote_document(book: Book, standing: Record) -> dict[str, object]:
    """A quote with what was done so far beside it (money as decimal text, litres); None while nothing was done."""
    return {"serial": standing.serial, **standing.document, "done": _done(book, standing)}


def make_quote(
    book: WritableBook,
    settings: Settings,
    job: str,
    wheels: Iterable[tuple[str, Question]],
    standing: Record | None,
    items: Sequence[str] = (),
) -> Record:
    """Keep what a job's wheels, by place, and parts would cost; it replaces the quote that was ``standing``.

    Refused without a price list or a price, CorrectedError if another one has replaced it meanwhile; what ``answer``
    raises of a wheel.
    """
    lists = price_lists(book)
    if not lists:
        raise Refused(f"no price list in the book: hand one in by `rig prices {EXAMPLE}`")
    at = now()
    in_force = lists[-1]
    works = []
    for number, (place, question) in enumerate(wheels, start=1):
        target = answer(settings, question)
        litres, mass_kg = exact(round(target.target_l, 3)), exact(round(target.mass_kg, 2))
        fluid = tuple(dict.fromkeys((target.fluid.name, question.fluid or settings.tote.fluid)))
        works.append(Work("quote", number, fluid, target.cavity.designation.text, place, litres, mass_kg))
    prices = read_list(in_force)
    extras = [Extra("quote", 0, item, Decimal(1)) for item in items]
    try:
        lines = lines_of(prices, [(work, prices) for work in works], extras)
    except PriceError as error:
        raise Refused(str(error)) from error
    body: dict[str, object] = {
        "job": job,
        "prices": [in_force.serial],
        "planned_l": str(sum((work.net_l for work in works), Decimal(0))),
        "accepted_by": None,
        **bill_document(prices.currency, lines),
    }
    return book.note("quote", at, body) if standing is None else book.replace(standing, body, at)


def _done(book: Book, standing: Record) -> dict[str, object] | None:
    job = str(standing.document["job"])
    try:
        bill = job_bill(book, job)
    except Refused:
        return None
    fills = filled(book, book.valid(FILL, job=job), book.valid(OF_A_FILL, job=job))
    over = Decimal(str(bill["total"])) - Decimal(str(standing.document["total"]))
    net_l = sum((exact(round(fill.in_wheel_l, 3)) for fill in fills), Decimal(0))
    return {"total": bill["total"], "net_l": str(net_l), "over": f"{over:+}"}


def _text(quote: dict[str, object]) -> str:
    lines = quote["lines"]
    assert isinstance(lines, list)
    rows = [f"  {line['text']:<36} {line['quantity']:>8} {line['unit']:<5} {line['amount']:>10}" for line in lines]
    planned = show_volume(float(str(quote["planned_l"])))
    accepted = f"accepted by {quote['accepted_by']}" if quote.get("accepted_by") else "not accepted yet"
    text = [f"QUOTE No. {quote['serial']}, job {quote['job']}, {accepted}", *rows]
    text.append(
        f"  total {quote['total']} {quote['currency']} with tax, {planned} planned; the bill is of what goes in"
    )
    done = quote["done"]
    if isinstance(done, dict):
        net = show_volume(float(str(done["net_l"])))
        text.append(f"  done so far: {done['total']}, {net}; {done['over']} beside the quote")
    return "\n".join(text)
