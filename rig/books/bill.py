"""The cost of a job, computed from its records alone: the lines of its bill, and the price lines of a ticket.

Reads; issued bills are stored by :mod:`rig.books.invoicing`, their layout is :mod:`rig.books.bill_paper`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

from rig.books.bill_paper import lines_table
from rig.books.paper import Block
from rig.books.prices import list_for, precedes, price_lists, read_list, shop_now
from rig.ledger.pricing import (
    Drawn,
    Extra,
    Line,
    PriceError,
    PriceList,
    Work,
    bill_document,
    exact,
    fluid_price,
    lines_of,
)
from rig.ledger.shop import Party, party_of
from rig.run.session import Refused
from rig.shop.customers import customer_of
from rig.shop.filled import OF_A_FILL, Filled, filled, filled_one, unknown_because
from rig.shop.posting import FILL, RETURN, number_of
from rig.shop.totes import litres_of
from rig.units import L_PER_GAL, show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

CHARGE = "charge"
BILLED = (FILL, CHARGE, RETURN)
"""Kinds of records that are billed."""


def job_bill(book: Book, job: str) -> dict[str, object]:
    """The cost of a job, computed from its records; Refused if there is nothing to bill or a price is missing."""
    work = book.valid(BILLED, job=job)
    if not work:
        raise Refused(f"nothing was done in job {job!r}, as far as the book knows")
    refuse_copies(work)
    lists, fills = price_lists(book), [record for record in work if record.kind == FILL]
    known = book.one("job", job)
    about = known.document if known else {}
    to, exempt = addressee(book, about), exemption(book, about)
    noted = book.valid(OF_A_FILL, job=job)
    prices, lines = job_lines(book, lists, work, noted, exempt=bool(exempt))
    priced, shop = [list_for(book, lists, record) for record in (*fills, work[-1])], shop_now(book)
    return {
        "job": job,
        **{name: about.get(name) for name in ("customer", "customer_number", "address", "site", "machine")},
        "to": to.model_dump(mode="json", exclude_defaults=True) if to else None,
        "shop": shop.model_dump(mode="json", exclude_defaults=True) if shop else None,
        "tax_exempt": exempt,
        "tax_name": prices.tax.name,
        "device": next((record.document["device"] for record in fills), None),
        "done_at": max(record.at for record in (fills or work)),
        "prices": sorted({each.serial for each in priced}),
        "prices_came_later": any(not precedes(book, lists[0], record) for record in (*fills, work[-1])),
        "simulated": any(record.document.get("simulated") for record in fills),
        **bill_document(prices.currency, lines, prices.tax.rounding),
    }


def addressee(book: Book, about: Mapping[str, object]) -> Party | None:
    """Addressee of a job's papers: the present record of its customer number, else the job's own data."""
    known = customer_of(book, about.get("customer_number"))
    if known is not None:
        found = party_of(known.document)
        own = str(about.get("address") or "")
        return found if found.lines() or not own else found.model_copy(update={"address": (own,)})
    if not about.get("customer"):
        return None
    return Party(name=str(about["customer"]), address=(str(about["address"]),) if about.get("address") else ())


def exemption(book: Book, about: Mapping[str, object]) -> str | None:
    """Reason for a job's tax exemption, its own or its customer's; None if it is taxed."""
    known = customer_of(book, about.get("customer_number"))
    reason = about.get("tax_exempt") or (known.document.get("tax_exempt") if known else None)
    return str(reason) if reason else None


def refuse_copies(work: Sequence[Record]) -> None:
    """Refuse to bill records that are in the book twice."""
    keys = [(record.kind, record.key, record.at) for record in work]
    twice = next((record for record, key in zip(work, keys, strict=True) if keys.count(key) > 1), None)
    if twice is not None:
        raise Refused(
            f"{twice.kind} {twice.key} stands in the book twice: `rig ledger verify` names the copies, "
            "`rig ledger repair` declares them void; then it can be billed"
        )


def job_lines(
    book: Book, lists: Sequence[Record], work: Sequence[Record], noted: Sequence[Record], *, exempt: bool
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
        works = [_priced(each, read_list(list_for(book, lists, each.record))) for each in fills]
        extras = [_extra_of(each) for each in work if each.kind == CHARGE]
        drawn = [Drawn(each.record.truck, each.record.serial, exact(each.moved_l)) for each in drawn_out]
        prices = read_list(list_for(book, lists, work[-1]))
        return prices, lines_of(prices, works, extras, drawn, exempt=exempt)
    except PriceError as error:
        raise Refused(str(error)) from error


def refuse_unknown(fill: Filled) -> None:
    """Refuse to bill a fill of uncertain volume before a person has entered it."""
    if fill.known:
        return
    body = fill.record.document
    what = f"{body['size']} {body.get('position') or ''}".strip()
    raise Refused(
        f"fill No. {number_of(fill.record)} ({what}) is not billed by itself: {unknown_because(body)}. Metered "
        f"{show_volume(fill.metered_l)} ± {litres_of(body, 'net_u_l'):.1f} L. Say what went in: "
        f'`rig note figure --fill {body["fill_id"]} --volume Q --basis scale|level|chart --why "…"`'
    )


def _priced(fill: Filled, prices: PriceList) -> tuple[Work, PriceList]:
    """A fill as priced by its list, with a person's notes on the litres, in the unit of sale."""
    work = work_of(fill)
    _, price = fluid_price(prices, work)
    per_unit, unit = (1.0, "L") if price.by in ("litre", "kilogram") else (L_PER_GAL, "gal")
    said = []
    if fill.figure is not None:
        doubt = litres_of(fill.record.document, "net_u_l")
        said.append(
            f"billed {fill.moved_l / per_unit:.1f} {unit} by {fill.figure.document['basis']}; "
            f"metered {fill.metered_l / per_unit:.1f} ± {doubt / per_unit:.1f} {unit}"
        )
    if fill.spilled_l:
        off = "" if fill.figure is not None else ", taken off"
        said.append(f"{fill.spilled_l / per_unit:.1f} {unit} spilled{off}")
    return replace(work, remark="; ".join(said)), prices


def work_of(fill_in: Filled) -> Work:
    """A fill as priced: the only place where a record is converted to the billed quantity."""
    record, fill = fill_in.record, fill_in.record.document
    names = [str(fill[name]) for name in ("fluid", "fluid_text") if fill.get(name)]
    return Work(
        truck=record.truck,
        serial=record.serial,
        fluid=tuple(dict.fromkeys(names)),
        size=str(fill["size"]),
        position=str(fill.get("position") or ""),
        net_l=exact(round(fill_in.moved_l, 3)),
        mass_kg=exact(fill_in.mass_kg),
        estimated=fill.get("net_basis") == "estimated" and fill_in.figure is None,
    )


def _extra_of(record: Record) -> Extra:
    return Extra(record.truck, record.serial, str(record.document["item"]), exact(record.document["quantity"]))


def price_block(book: Book, records: Sequence[Record]) -> Block | None:
    """The price lines of a ticket; None if the book has no price for it."""
    lists = price_lists(book)
    if not lists:
        return None
    try:
        fills = [filled_one(book, record) for record in records]
        if not all(each.known for each in fills):
            return None
        works = [_priced(each, read_list(list_for(book, lists, each.record))) for each in fills]
        lines = lines_of(works[0][1].model_copy(update={"fees": (), "minimum": Decimal(0)}), works)
    except PriceError:
        return None
    document = bill_document(works[0][1].currency, lines, works[0][1].tax.rounding)
    title = "Price of the liquid; fees and parts are on the bill"
    return Block(title, (), lines_table(document), "small") if lines else None
