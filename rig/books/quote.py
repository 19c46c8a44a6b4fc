"""`rig quote`: the cost of a job in advance, also on paper, its acceptance, and a comparison with the work done.

A wheel is written ``[PLACE=][N*]SIZE[@LEVEL]``: ``"rear left=18.4-38@75%"``, ``"2*14.9-28@4"``. The level is a share of
the cavity (%), a clock position of the valve, a volume or a mass; by default as in the options for all.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.bill import addressee, exemption, job_bill
from rig.books.bill_paper import addressed, lines_table, totals
from rig.books.looks import Looks, looks_of
from rig.books.paper import Block, Head, Paper
from rig.books.prices import EXAMPLE, head_of, price_lists, read_list, shop_now, shop_of
from rig.books.printing import refuse_unwritable, write_file
from rig.books.where import add_config, book_asked, book_written, now, told
from rig.books.wording import level_words
from rig.cli.options import add_question_options, question_text
from rig.cli.table import OK, Add
from rig.ledger.pricing import Extra, PriceError, Work, bill_document, exact, lines_of
from rig.run.assembly import Question, answer
from rig.run.session import Refused
from rig.run.settings import Settings, load_settings
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
        document = quote_document(book, _asked_quote(book, options))
        if options.pdf is not None:
            from rig.books.pdf import as_pdf

            write_file(options.pdf, as_pdf(paper_of_quote(book, _asked_quote(book, options))))
            document["pdf"] = str(options.pdf)
    told(options, document, _text(document))
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
    if standing.document["accepted_by"]:
        return standing
    at = now()
    return book.replace(standing, standing.document | {"accepted_by": who, "accepted_at": at}, at)


def quote_document(book: Book, standing: Record) -> dict[str, object]:
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
    lists = price_lists(book)
    if not lists:
        raise Refused(f"no price list in the book: hand one in by `rig prices {EXAMPLE}`")
    at = now()
    in_force = lists[-1]
    works, planned = [], []
    for number, (place, question) in enumerate(wheels, start=1):
        target = answer(settings, question)
        litres, mass_kg = exact(round(target.target_l, 3)), exact(round(target.mass_kg, 2))
        fluid = tuple(dict.fromkeys((target.fluid.name, question.fluid or settings.tote.fluid)))
        works.append(Work("quote", number, fluid, target.cavity.designation.text, place, litres, mass_kg))
        own = {"position": place, "size": works[-1].size, "fluid": fluid[0], "level": level_words(target)}
        planned.append(own | {"planned_l": str(litres), "mass_kg": str(mass_kg), "freeze_c": target.fluid.freeze_c})
    prices, known, shop = read_list(in_force), book.one("job", job), shop_now(book)
    about = known.document if known else {}
    to, exempt = addressee(book, about), exemption(book, about)
    try:
        lines = lines_of(prices, [(work, prices) for work in works], _parts(items), exempt=bool(exempt))
    except PriceError as error:
        raise Refused(str(error)) from error
    body: dict[str, object] = {
        "job": job,
        "prices": [in_force.serial],
        "planned_l": str(sum((work.net_l for work in works), Decimal(0))),
        "wheels": planned,
        "accepted_by": None,
        "to": to.model_dump(mode="json", exclude_defaults=True) if to else None,
        "shop": shop.model_dump(mode="json", exclude_defaults=True) if shop else None,
        "tax_name": prices.tax.name,
        "tax_exempt": exempt,
        "made_at": at,
        **bill_document(prices.currency, lines, prices.tax.rounding),
    }
    return book.note("quote", at, body) if standing is None else book.replace(standing, body, at)


def _parts(items: Sequence[str]) -> list[Extra]:
    """Parts as requested, ``2*core`` for two of them."""
    found = []
    for text in items:
        match = _COUNTED.fullmatch(text.strip())
        if match is None or match["count"] == "0":
            raise Refused(f'--item {text!r}: write a name of the price list, or "2*core" for two')
        found.append(Extra("quote", 0, match["name"].strip(), Decimal(match["count"] or 1)))
    return found


def _done(book: Book, standing: Record) -> dict[str, object] | None:
    job = str(standing.document["job"])
    try:
        bill = job_bill(book, job)
    except Refused:
        return None
    fills = filled(book, book.valid(FILL, job=job), book.valid(OF_A_FILL, job=job))
    over = Decimal(str(bill["total"])) - Decimal(str(standing.document["total"]))
    net_l = sum((exact(round(fill.moved_l, 3)) for fill in fills), Decimal(0))
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


# --- on paper -------------------------------------------------------------------------------------------------------


def paper_of_quote(book: Book, standing: Record) -> Paper:
    """A stored quote on paper."""
    document = {"serial": standing.serial, **standing.document}
    shop = shop_of(document)
    return quote_paper(document, looks_of(shop), head_of(book, shop), now())


def quote_paper(quote: Mapping[str, object], looks: Looks, head: Head | None, at: str) -> Paper:
    """A quote on paper: each wheel with its place, level and volume, then the price."""
    accepted = quote.get("accepted_by")
    made = looks.day(str(quote.get("made_at") or at)).isoformat()
    facts = [("job", str(quote["job"])), ("date", made)]
    if accepted:
        facts.append(("accepted", f"by {accepted}, {looks.day(str(quote['accepted_at'])).isoformat()}"))
    blocks = [
        Block("Wheels", (), _wheels_table(quote, looks), "named"),
        Block("Price", (), lines_table(quote)),
        Block("", totals(quote), kind="sums"),
    ]
    return Paper(
        title="QUOTE",
        number=f"No. {quote['serial']}",
        at=at,
        marks=() if accepted else ("NOT ACCEPTED YET",),
        blocks=tuple(each for each in blocks if each.rows or each.table),
        feet=(
            "Volumes are planned from the size of the tyre; the bill is of what goes in, at these prices.",
            f"Rounding: {quote['rounding']}.",
            f"Printed {looks.moment(at)}",
        ),
        signed=() if accepted else ("accepted",),
        head=head,
        to=addressed(quote),
        facts=tuple(facts),
        letter=looks.letter,
    )


def _wheels_table(quote: Mapping[str, object], looks: Looks) -> tuple[tuple[str, ...], ...]:
    wheels = quote.get("wheels")
    if not isinstance(wheels, list):
        # A quote of an earlier version has only prices.
        return ()
    rows = [
        (
            each["position"],
            each["size"],
            each["fluid"],
            each["level"],
            looks.volume(float(each["planned_l"])),
            looks.mass(float(each["mass_kg"])),
            looks.temperature(each["freeze_c"]),
        )
        for each in wheels
    ]
    return (("wheel", "size", "liquid", "level", "volume", "weight", "first ice at"), *rows)
