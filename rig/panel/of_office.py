"""What a truck has of its office, for its page: the last exchange, what is not countersigned, the offers. Read-only."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger import COPY_NAME
from rig.ledger.chain import START
from rig.ledger.keeping import book_or_empty
from rig.record.notes import SHARED, Customer, Shared, Site
from rig.run.settings import Settings
from rig.shop.cavities import KIND
from rig.shop.customers import customers
from rig.shop.posting import software
from rig.shop.sites import sites

if TYPE_CHECKING:
    from rig.office.link import Link

View = dict[str, object]


def office_view(settings: Settings) -> View:
    """The office of this truck; ``joined`` is false where it has none. BookError, OfficeError."""
    from rig.office.last_exchange import last_exchange
    from rig.office.link import link_in
    from rig.office.releases import newer_release

    folder = Path(settings.rig.data)
    link = link_in(folder)
    if link is None:
        return {"joined": False}
    last, release = last_exchange(folder), newer_release(folder, software().version)
    return {
        "joined": True,
        "address": settings.office.address,
        "exchanged": None if last is None else last.at,
        "waiting_words": [] if last is None else list(last.waiting),
        "release": None if release is None else release.line,
        **_countersigned(folder, link),
        **_offered(folder, link),
    }


def _countersigned(folder: Path, link: Link) -> View:
    """How many records this truck has, and how many of the last ones the office has not countersigned."""
    with book_or_empty(folder) as book:
        serial, signed = book.heads().get(link.truck, (0, START))[0], book.last_signed(link.truck)
    return {"records": serial, "waiting": serial - (0 if signed is None else signed.serial)}


def _offered(folder: Path, link: Link) -> View:
    """How much of each kind is offered, and the fields in which another word stands beside the one that counts."""
    from rig.ledger.book import Book
    from rig.office.keys import OFFICE, for_truck
    from rig.office.offers import FIELDS, Offers

    path = folder / COPY_NAME
    if not path.exists():
        return {"offers": {}, "others": []}
    with Book(f"sqlite:///{path}") as copy:
        offers, measured = Offers.of(copy, (OFFICE, for_truck(link.truck))), len(copy.valid(KIND, truck=OFFICE))
    each = {what: [offer for _, offer in offers.each(what)] for what in FIELDS}
    each["person"] = [offer for offer in each["person"] if not offer.said.get("removed")]
    counts = {what: len(found) for what, found in each.items()} | {KIND.removeprefix(SHARED): measured}
    return {
        "offers": {what: count for what, count in counts.items() if count},
        "others": [_other(offer) for found in each.values() for offer in found if offer.others],
    }


def _other(offer: Shared) -> View:
    words = [{"field": each.field, "value": str(each.value), "by": each.by} for each in offer.others or ()]
    return {"name": str(offer.said.get("name") or offer.name), "words": words}


def sites_view(settings: Settings) -> list[View]:
    """The sites that a job can name, with their customers."""
    with book_or_empty(Path(settings.rig.data)) as book:
        names = {said.customer_number: said.name for each in customers(book) for said in (Customer.of(each),)}
        found = [Site.of(each) for each in sites(book)]
    return [
        {"number": each.site_number, "name": each.name, "customer": names.get(each.customer_number, "")}
        for each in found
    ]
