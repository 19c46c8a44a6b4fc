"""The cost of a job, computed from its records alone: the lines of its bill, and the price lines of a ticket.

Reads; issued bills are stored by :mod:`rig.books.invoicing`, their layout is :mod:`rig.books.bill_paper`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

from rig.books.bill_paper import lines_table
from rig.books.paper import Block
from rig.books.prices import PriceLists, price_lists, shop_now
from rig.ledger.pricing import (
    Drawn,
    Extra,
    Line,
    PriceError,
    PriceList,
    Work,
    exact,
    fluid_price,
    lines_of,
    priced,
)
from rig.ledger.shop import Party, party_of
from rig.record.base import values_of
from rig.record.notes import Charge, Customer, Figure, Job, OnWheel
from rig.record.papers import Bill
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.sentence import Wording, said_by
from rig.shop.customers import customer_of
from rig.shop.filled import OF_A_FILL, Filled, filled, filled_one, unknown_because
from rig.shop.posting import FILL, RETURN, number_of
from rig.shop.sites import site_words
from rig.units import L_PER_GAL

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

CHARGE = "charge"
BILLED = (FILL, CHARGE, RETURN)
"""Kinds of records that are billed."""


def job_bill(book: Book, job: str) -> Bill:
    """The cost of a job, computed from its records; Refused if there is nothing to bill or a price is missing."""
    work = book.valid(BILLED, job=job)
    if not work:
        raise Refused(
            Wording("refused.nothing_done", "nothing was done in job '{job}', as far as the book knows")(job=job)
        )
    refuse_copies(work)
    lists, fills = price_lists(book), [record for record in work if record.kind == FILL]
    known = book.one("job", job)
    about = Job.of(known) if known else Job(job=job)
    to, exempt = addressee(book, about), exemption(book, about)
    noted = book.valid(OF_A_FILL, job=job)
    prices, lines = job_lines(book, lists, work, noted, exempt=bool(exempt))
    listed, shop = [lists.record_for(record) for record in (*fills, work[-1])], shop_now(book)
    filled_by = [PumpWork.of(record) for record in fills]
    return Bill(
        **values_of(priced(prices.currency, lines, prices.tax.rounding)),
        job=job,
        customer=about.customer,
        customer_number=about.customer_number,
        address=about.address,
        site=site_words(book, about),
        machine=about.machine,
        to=to.model_dump(mode="json", exclude_defaults=True) if to else None,
        shop=shop.model_dump(mode="json", exclude_defaults=True) if shop else None,
        tax_exempt=exempt,
        tax_name=prices.tax.name,
        device=next((each.device for each in filled_by), None),
        done_at=max(record.at for record in (fills or work)),
        prices=tuple(sorted({each.serial for each in listed})),
        prices_came_later=any(lists.came_later(record) for record in (*fills, work[-1])),
        simulated=any(each.simulated for each in filled_by),
    )


def addressee(book: Book, about: Job | PumpWork) -> Party | None:
    """Addressee of a job's papers: the present record of its customer number, else the job's own data."""
    known = customer_of(book, about.customer_number)
    if known is not None:
        found = party_of(known.document)
        return found if found.lines() or not about.address else found.model_copy(update={"address": (about.address,)})
    if not about.customer:
        return None
    return Party(name=about.customer, address=(about.address,) if about.address else ())


def exemption(book: Book, about: Job) -> str | None:
    """Reason for a job's tax exemption, its own or its customer's; None if it is taxed."""
    known = customer_of(book, about.customer_number)
    return about.tax_exempt or (Customer.of(known).tax_exempt if known else None) or None


def by_job(work: Iterable[Record]) -> dict[tuple[str, str], list[Record]]:
    """Work by truck and job; what has no job is by itself, under :func:`single`."""
    jobs: dict[tuple[str, str], list[Record]] = {}
    for record in work:
        jobs.setdefault((record.truck, OnWheel.of(record).job or single(record)), []).append(record)
    return jobs


def single(record: Record) -> str:
    """The name in place of a job of work without one; no job's own begins with a blank."""
    return f" {record.serial}"


def refuse_copies(work: Sequence[Record]) -> None:
    """Refuse to bill records that are in the book twice."""
    keys = [(record.kind, record.key, record.at) for record in work]
    twice = next((record for record, key in zip(work, keys, strict=True) if keys.count(key) > 1), None)
    if twice is not None:
        raise Refused(
            Wording(
                "refused.twice_in_book",
                "{kind} {key} stands in the book twice: `rig ledger verify` names the copies, `rig "
                "ledger repair` declares them void; then it can be billed",
            )(kind=twice.kind, key=twice.key)
        )


def job_lines(
    book: Book, lists: PriceLists, work: Sequence[Record], noted: Sequence[Record], *, exempt: bool
) -> tuple[PriceList, list[Line]]:
    """The price list for the whole job, and the lines of its records, at least one, in the order of the book.

    ``noted`` are the notes on its fills. Refused without a price, and for a fill of uncertain delivery without a
    person's figure.
    """
    fills = filled(book, (each for each in work if each.kind == FILL), noted)
    drawn_out = filled(book, (each for each in work if each.kind == RETURN), noted)
    for each in fills:
        refuse_unknown(each)
    try:
        works = [_priced(each, lists.read_for(each.record)) for each in fills]
        extras = [_extra_of(each) for each in work if each.kind == CHARGE]
        drawn = [Drawn(each.record.truck, each.record.serial, exact(each.moved_l)) for each in drawn_out]
        prices = lists.read_for(work[-1])
        return prices, lines_of(prices, works, extras, drawn, exempt=exempt)
    except PriceError as error:
        raise Refused(said_by(error)) from error


def refuse_unknown(fill: Filled) -> None:
    """Refuse to bill a fill of uncertain volume before a person has entered it."""
    if fill.known:
        return
    work = PumpWork.of(fill.record)
    what = f"{work.size} {work.position or ''}".strip()
    raise Refused(
        Wording(
            "refused.not_billed",
            "fill No. {number} ({what}) is not billed by itself: {why}. Metered {volume:volume} ± "
            "{doubt:volume}. Say what went in: `rig note figure --fill {fill_id} --volume Q "
            '--basis scale|level|chart --why "…"`',
        )(
            number=number_of(fill.record),
            what=what,
            why=unknown_because(fill.record) or "",
            volume=fill.metered_l,
            doubt=work.net_u_l,
            fill_id=work.fill_id,
        )
    )


def _priced(fill: Filled, prices: PriceList) -> tuple[Work, PriceList]:
    """A fill as priced by its list, with a person's notes on the litres, in the unit of sale."""
    work = work_of(fill)
    _, price = fluid_price(prices, work)
    per_unit, unit = (1.0, "L") if price.by in ("litre", "kilogram") else (L_PER_GAL, "gal")
    said = []
    if fill.figure is not None:
        doubt = PumpWork.of(fill.record).net_u_l
        said.append(
            f"billed {fill.moved_l / per_unit:.1f} {unit} by {Figure.of(fill.figure).basis}; "
            f"metered {fill.metered_l / per_unit:.1f} ± {doubt / per_unit:.1f} {unit}"
        )
    if fill.spilled_l:
        off = "" if fill.figure is not None else ", taken off"
        said.append(f"{fill.spilled_l / per_unit:.1f} {unit} spilled{off}")
    return replace(work, remark="; ".join(said)), prices


def work_of(fill_in: Filled) -> Work:
    """A fill as priced: the only place where a record is converted to the billed quantity."""
    record, fill = fill_in.record, PumpWork.of(fill_in.record)
    names = [name for name in (fill.fluid, fill.fluid_text) if name]
    return Work(
        truck=record.truck,
        serial=record.serial,
        fluid=tuple(dict.fromkeys(names)),
        size=fill.size,
        position=fill.position or "",
        net_l=exact(round(fill_in.moved_l, 3)),
        mass_kg=exact(fill_in.mass_kg),
        estimated=fill.net_basis == "estimated" and fill_in.figure is None,
    )


def _extra_of(record: Record) -> Extra:
    charge = Charge.of(record)
    return Extra(record.truck, record.serial, charge.item, exact(charge.quantity))


def price_block(book: Book, records: Sequence[Record]) -> Block | None:
    """The price lines of a ticket; None if the book has no price for it."""
    lists = price_lists(book)
    if lists.in_force() is None:
        return None
    try:
        fills = [filled_one(book, record) for record in records]
        if not all(each.known for each in fills):
            return None
        works = [_priced(each, lists.read_for(each.record)) for each in fills]
        lines = lines_of(works[0][1].model_copy(update={"fees": (), "minimum": Decimal(0)}), works)
    except PriceError:
        return None
    sums = priced(works[0][1].currency, lines, works[0][1].tax.rounding)
    title = "Price of the liquid; fees and parts are on the bill"
    return Block(title, (), lines_table(sums), "small") if lines else None
