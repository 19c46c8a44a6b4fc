"""What a job costs, computed from its records alone: the lines of its bill, and the price lines of a ticket.

Reads; what is issued is kept by :mod:`rig.books.invoicing`, and how it looks is :mod:`rig.books.bill_paper`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING

from rig.books.bill_paper import lines_table
from rig.books.paper import Block
from rig.books.prices import list_for, precedes, price_lists, read_list, shop_now
from rig.ledger.pricing import Drawn, Extra, Line, PriceError, PriceList, Work, bill_document, exact, lines_of
from rig.ledger.shop import Party, party_of
from rig.run.customers import customer_of
from rig.run.posting import FILL, RETURN
from rig.run.session import Refused

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

CHARGE = "charge"
BILLED = (FILL, CHARGE, RETURN)
"""Kinds of records that a bill is made of."""


def job_bill(book: Book, job: str) -> dict[str, object]:
    """What a job costs, computed from its records; Refused when there is nothing to bill or no price for it."""
    work = [record for record in book.valid(BILLED, job=job) if not record.document.get("void")]
    if not work:
        raise Refused(f"nothing was done in job {job!r}, as far as the book knows")
    refuse_copies(work)
    lists, fills = price_lists(book), [record for record in work if record.kind == FILL]
    known = book.one("job", job)
    about = known.document if known else {}
    to, exempt = addressee(book, about), exemption(book, about)
    prices, lines = job_lines(book, lists, work, exempt=bool(exempt))
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
    """Whom a job's papers go to: the customer of its number as known now, else what was written with the job."""
    known = customer_of(book, about.get("customer_number"))
    if known is not None:
        found = party_of(known.document)
        own = str(about.get("address") or "")
        return found if found.lines() or not own else found.model_copy(update={"address": (own,)})
    if not about.get("customer"):
        return None
    return Party(name=str(about["customer"]), address=(str(about["address"]),) if about.get("address") else ())


def exemption(book: Book, about: Mapping[str, object]) -> str | None:
    """Why a job bears no tax: by its own word, or its customer's; None where it does."""
    known = customer_of(book, about.get("customer_number"))
    reason = about.get("tax_exempt") or (known.document.get("tax_exempt") if known else None)
    return str(reason) if reason else None


def refuse_copies(work: Sequence[Record]) -> None:
    """Refuse to bill what stands in the book twice."""
    keys = [(record.kind, record.key, record.at) for record in work]
    twice = next((record for record, key in zip(work, keys, strict=True) if keys.count(key) > 1), None)
    if twice is not None:
        raise Refused(
            f"{twice.kind} {twice.key} stands in the book twice: `rig ledger verify` names the copies, "
            "`rig ledger repair` declares them void; then it can be billed"
        )


def job_lines(
    book: Book, lists: Sequence[Record], work: Sequence[Record], *, exempt: bool
) -> tuple[PriceList, list[Line]]:
    """The list that holds for the whole of a job, and the lines of its records, at least one, in the order of the book.

    Refused without a price.
    """
    try:
        works = [(work_of(each), read_list(list_for(book, lists, each))) for each in work if each.kind == FILL]
        extras = [_extra_of(each) for each in work if each.kind == CHARGE]
        drawn = [Drawn(r.truck, r.serial, exact(r.document["drawn_l"])) for r in work if r.kind == RETURN]
        prices = read_list(list_for(book, lists, work[-1]))
        return prices, lines_of(prices, works, extras, drawn, exempt=exempt)
    except PriceError as error:
        raise Refused(str(error)) from error


def work_of(record: Record) -> Work:
    """A fill as the price list sees it: the one place where a record becomes the quantity that is billed."""
    fill = record.document
    names = [str(fill[name]) for name in ("fluid", "fluid_text") if fill.get(name)]
    return Work(
        truck=record.truck,
        serial=record.serial,
        fluid=tuple(dict.fromkeys(names)),
        size=str(fill["size"]),
        position=str(fill.get("position") or ""),
        net_l=exact(fill["net_l"]),
        mass_kg=exact(fill["mass_kg"]),
        estimated=fill.get("net_basis") == "estimated",
    )


def _extra_of(record: Record) -> Extra:
    return Extra(record.truck, record.serial, str(record.document["item"]), exact(record.document["quantity"]))


def price_block(book: Book, records: Sequence[Record]) -> Block | None:
    """The price lines of a ticket; None where the book has no price for it."""
    lists = price_lists(book)
    if not lists:
        return None
    try:
        works = [(work_of(record), read_list(list_for(book, lists, record))) for record in records]
        lines = lines_of(works[0][1].model_copy(update={"fees": (), "minimum": Decimal(0)}), works)
    except PriceError:
        return None
    document = bill_document(works[0][1].currency, lines, works[0][1].tax.rounding)
    title = "Price of the liquid; fees and parts are on the bill"
    return Block(title, (), lines_table(document), "small") if lines else None
