"""`rig quote`: the cost of a job in advance, also on paper, its acceptance, and a comparison with the work done.

A wheel is written ``[PLACE=][N*]SIZE[@LEVEL]``: ``"rear left=18.4-38@75%"``, ``"2*14.9-28@4"``. The level is a share of
the cavity (%), a clock position of the valve, a volume or a mass; by default as in the options for all.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.answer import level_words
from rig.books.bill import addressee, exemption, job_bill
from rig.books.bill_paper import addressed, lines_table, totals
from rig.books.looks import Looks, looks_of
from rig.books.paper import Block, Head, Paper
from rig.books.prices import head_of, list_now, no_list, read_list, shop_now, shop_of
from rig.books.printing import refuse_unwritable, write_file
from rig.books.where import add_config, book_asked, book_written, now, print_answer
from rig.cli.options import add_question_options, question_text
from rig.cli.table import OK, Add
from rig.ledger.pricing import Extra, PriceError, Work, exact, lines_of, priced
from rig.record.base import Document, values_of
from rig.record.notes import Job
from rig.record.papers import Quote, QuotedWheel
from rig.run.assembly import Question, answer
from rig.run.refused import Refused
from rig.run.settings import Settings, load_settings
from rig.sentence import Wording, said_by
from rig.shop.filled import OF_A_FILL, filled
from rig.shop.posting import FILL
from rig.shop.questions import question_of
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook


def add_quote(add: Add) -> None:
    """The command ``quote``."""
    command = add("quote", quote_command)
    command.add_argument("job", metavar="JOB")
    command.add_argument("sizes", nargs="*", metavar="WHEEL", help='each wheel: "[PLACE=][N*]SIZE[@LEVEL]"')
    command.add_argument("--item", action="append", default=[], metavar="[N*]NAME", help="a part; may repeat")
    command.add_argument("--pdf", type=Path, metavar="FILE", help="write the quote as a PDF")
    command.add_argument("--accept", metavar="WHO", help="who accepts the quote that stands")
    add_question_options(command)
    add_config(command)


def quote_command(options: argparse.Namespace) -> int:
    """Make, accept or look up a quote."""
    if options.pdf is not None:
        refuse_unwritable(options.pdf)
    if options.sizes or options.accept:
        with book_written(options) as written:
            _keep(written, options)
    with book_asked(options) as book:
        standing = _asked_quote(book, options)
        document, done = quote_document(book, standing), _done(book, standing)
        if options.pdf is not None:
            from rig.books.pdf import as_pdf

            write_file(options.pdf, as_pdf(paper_of_quote(book, _asked_quote(book, options))))
            document["pdf"] = str(options.pdf)
    print_answer(options, document, _text(standing, done))
    return OK


def _keep(book: WritableBook, options: argparse.Namespace) -> None:
    """Make the requested quote, and store who accepts it."""
    if options.sizes:
        wheels = [each for text in options.sizes for each in _wheels_asked(options, text)]
        # Places that were not given are numbered consecutively.
        placed = [(place or f"wheel {number}", question) for number, (place, question) in enumerate(wheels, 1)]
        standing = quote_of(book, options.job)
        make_quote(book, load_settings(options.config), options.job, placed, standing, options.item)
    if options.accept:
        accept_quote(book, _asked_quote(book, options), options.accept)


_WHEEL = re.compile(r"(?:(?P<place>[^=@]+)=)?(?:(?P<count>\d{1,2})\*)?(?P<size>[^=@*]+)(?:@(?P<level>[^=@]+))?")
_COUNTED = re.compile(r"(?:(?P<count>\d{1,3})\*)?(?P<name>.+)")


def _wheels_asked(options: argparse.Namespace, text: str) -> Iterator[tuple[str, Question]]:
    """Place and question of each wheel in a text; Refused if it cannot be parsed."""
    match = _WHEEL.fullmatch(text.strip())
    if match is None or match["count"] == "0":
        raise Refused(f'{text!r}: write a wheel as "[PLACE=][N*]SIZE[@LEVEL]", for example "rear left=18.4-38@75%"')
    own = question_text(options).model_copy(update=_level_asked((match["level"] or "").strip()))
    place, count = (match["place"] or "").strip(), int(match["count"] or 1)
    for number in range(1, count + 1):
        yield f"{place} {number}" if place and count > 1 else place, question_of(own, match["size"].strip())


def _level_asked(level: str) -> dict[str, str | None]:
    """Translate a wheel's own level into the options that ask for a target."""
    if not level:
        return {}
    nothing: dict[str, str | None] = {"fill": None, "volume": None, "mass": None, "valve_at": "12"}
    if level.endswith("%"):
        return nothing | {"fill": level[:-1].strip()}
    if level.replace(".", "", 1).replace(":", "", 1).isdecimal():
        return nothing | {"valve_at": level}
    return nothing | {"mass" if re.search(r"(kg|lb|t|tons?)$", level) else "volume": level}


def _asked_quote(book: Book, options: argparse.Namespace) -> Record:
    standing = quote_of(book, options.job)
    if standing is None:
        raise Refused(f"no quote for job {options.job!r}: name the sizes, as in `rig quote J1 18.4-38 18.4-38`")
    return standing


def quote_of(book: Book, job: str) -> Record | None:
    """The valid quote of a job, None if there is none."""
    return next(iter(book.valid("quote", job=job, truck=book.own)), None)


def accept_quote(book: WritableBook, standing: Record, who: str) -> Record:
    """Store who accepts the valid quote, and when; an accepted one remains unchanged."""
    said = Quote.of(standing)
    if said.accepted_by:
        return standing
    at = now()
    return book.replace(standing, replace(said, accepted_by=who, accepted_at=str(at)), at)


def quote_document(book: Book, standing: Record) -> Document:
    """A quote and the work done so far (money as decimal text, litres); None while nothing was done."""
    return {"serial": standing.serial, **standing.document, "done": _done(book, standing)}


def make_quote(
    book: WritableBook,
    settings: Settings,
    job: str,
    wheels: Iterable[tuple[str, Question]],
    standing: Record | None,
    items: Sequence[str] = (),
) -> Record:
    """Store the cost of a job's wheels, by place, and parts; it replaces the quote ``standing``.

    Refused without a price list or a price, CorrectedError if another one has replaced it meanwhile; what ``answer``
    raises for a wheel.
    """
    in_force = list_now(book)
    if in_force is None:
        raise no_list()
    at = now()
    works, planned = [], []
    for number, (place, question) in enumerate(wheels, start=1):
        target = answer(settings, question)
        litres, mass_kg = exact(round(target.target_l, 3)), exact(round(target.added_kg, 2))
        fluid = tuple(dict.fromkeys((target.fluid.name, question.fluid or settings.tote.fluid)))
        works.append(Work("quote", number, fluid, target.cavity.designation.text, place, litres, mass_kg))
        own = (place, works[-1].size, fluid[0], level_words(target), str(litres), str(mass_kg))
        planned.append(QuotedWheel(*own, freeze_c=target.mix.freeze_c))
    prices, known, shop = read_list(in_force), book.one("job", job), shop_now(book)
    about = Job.of(known) if known else Job(job=job)
    to, exempt = addressee(book, about), exemption(book, about)
    try:
        lines = lines_of(prices, [(work, prices) for work in works], _parts(items), exempt=bool(exempt))
    except PriceError as error:
        raise Refused(said_by(error)) from error
    said = Quote(
        **values_of(priced(prices.currency, lines, prices.tax.rounding)),
        job=job,
        prices=(in_force.serial,),
        planned_l=str(sum((work.net_l for work in works), Decimal(0))),
        wheels=tuple(planned),
        accepted_by=None,
        to=to.model_dump(mode="json", exclude_defaults=True) if to else None,
        shop=shop.model_dump(mode="json", exclude_defaults=True) if shop else None,
        tax_name=prices.tax.name,
        tax_exempt=exempt,
        made_at=str(at),
    )
    return book.note("quote", at, said) if standing is None else book.replace(standing, said, at)


def _parts(items: Sequence[str]) -> list[Extra]:
    """Parts as requested, ``2*core`` for two of them."""
    found = []
    for text in items:
        match = _COUNTED.fullmatch(text.strip())
        if match is None or match["count"] == "0":
            raise Refused(
                Wording("refused.no_item", "--item '{text}': write a name of the price list, or \"2*core\" for two")(
                    text=text
                )
            )
        found.append(Extra("quote", 0, match["name"].strip(), Decimal(match["count"] or 1)))
    return found


def _done(book: Book, standing: Record) -> dict[str, str] | None:
    quote = Quote.of(standing)
    job = quote.job
    try:
        bill = job_bill(book, job)
    except Refused:
        return None
    fills = filled(book, book.valid(FILL, job=job), book.valid(OF_A_FILL, job=job))
    over = Decimal(bill.total) - Decimal(quote.total)
    net_l = sum((exact(round(fill.moved_l, 3)) for fill in fills), Decimal(0))
    return {"total": bill.total, "net_l": str(net_l), "over": f"{over:+}"}


def _text(standing: Record, done: dict[str, str] | None) -> str:
    quote = Quote.of(standing)
    rows = [f"  {line.text:<36} {line.quantity:>8} {line.unit:<5} {line.amount:>10}" for line in quote.lines]
    planned = show_volume(float(quote.planned_l))
    accepted = f"accepted by {quote.accepted_by}" if quote.accepted_by else "not accepted yet"
    text = [f"QUOTE No. {standing.serial}, job {quote.job}, {accepted}", *rows]
    text.append(f"  total {quote.total} {quote.currency} with tax, {planned} planned; the bill is of what goes in")
    if done is not None:
        net = show_volume(float(done["net_l"]))
        text.append(f"  done so far: {done['total']}, {net}; {done['over']} beside the quote")
    return "\n".join(text)


# --- on paper -------------------------------------------------------------------------------------------------------


def paper_of_quote(book: Book, standing: Record) -> Paper:
    """A stored quote on paper."""
    shop = shop_of(Quote.of(standing))
    return quote_paper(standing, looks_of(shop), head_of(book, shop), now())


def quote_paper(standing: Record, looks: Looks, head: Head | None, at: str) -> Paper:
    """A quote on paper: each wheel with its place, level and volume, then the price."""
    quote = Quote.of(standing)
    accepted = quote.accepted_by
    facts = [("job", quote.job), ("date", looks.day(quote.made_at or at).isoformat())]
    if accepted:
        facts.append(("accepted", f"by {accepted}, {looks.day(quote.accepted_at or at).isoformat()}"))
    blocks = [
        Block("Wheels", (), _wheels_table(quote, looks), "named"),
        Block("Price", (), lines_table(quote)),
        Block("", totals(quote), kind="sums"),
    ]
    return Paper(
        title="QUOTE",
        number=f"No. {standing.serial}",
        at=at,
        marks=() if accepted else ("NOT ACCEPTED YET",),
        blocks=tuple(each for each in blocks if each.rows or each.table),
        feet=(
            "Volumes are planned from the size of the tyre; the bill is of what goes in, at these prices.",
            f"Rounding: {quote.rounding}.",
            f"Printed {looks.moment(at)}",
        ),
        signed=() if accepted else ("accepted",),
        head=head,
        to=addressed(quote),
        facts=tuple(facts),
        letter=looks.letter,
    )


def _wheels_table(quote: Quote, looks: Looks) -> tuple[tuple[str, ...], ...]:
    if quote.wheels is None:
        # A quote of an earlier version has only prices.
        return ()
    rows = [
        (
            each.position,
            each.size,
            each.fluid,
            each.level,
            looks.volume(float(each.planned_l)),
            looks.mass(float(each.mass_kg)),
            "not known" if each.freeze_c is None else looks.temperature(each.freeze_c),
        )
        for each in quote.wheels
    ]
    return (("wheel", "size", "liquid", "level", "volume", "weight", "first ice at"), *rows)
