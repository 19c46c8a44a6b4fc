"""Sites of customers in the book: each a record under a permanent number, whatever is corrected in it.

Reads, and writes new and changed sites; must not know how any of it is shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pydantic import Field

from rig.ledger.shop import Strict
from rig.record.notes import Job, Site
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.numbering import facts_in, known_facts, numbered
from rig.shop.posting import place_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

SITE = "site"


class SiteFacts(Strict):
    """Data stored for a site besides its number and its customer's."""

    name: str = Field(min_length=1, max_length=80)
    address: tuple[str, ...] = ()
    note: str = Field(default="", max_length=200)


def sites(book: Book, customer_number: str | None = None) -> list[Record]:
    """Every site of this book, or of one customer, in the order of the book."""
    found = book.valid(SITE, truck=book.own)
    return [each for each in found if customer_number in (None, Site.of(each).customer_number)]


def site_of(book: Book, number: str | None) -> Record | None:
    """The present record of a site's number; None if there is none."""
    return book.one(SITE, number) if number else None


def site_named(book: Book, customer_number: str | None, text: str) -> Record | None:
    """The customer's site with a number, or with a unique name; None for neither. Refused if several have the name."""
    by_number = site_of(book, text.strip())
    if by_number is not None and customer_number in (None, Site.of(by_number).customer_number):
        return by_number
    same = [each for each in sites(book, customer_number) if place_of(Site.of(each).name) == place_of(text)]
    if len(same) > 1:
        numbers = ", ".join(Site.of(each).site_number for each in same)
        words = Wording("refused.sites_alike", "{count:number} sites are called '{name}': say which number: {numbers}")
        raise Refused(words(count=len(same), name=text, numbers=numbers))
    return same[0] if same else None


def site_facts_of(given: Mapping[str, object]) -> dict[str, Any]:
    """Validated data of a site; Refused with what to write."""
    return facts_in(SiteFacts, SITE, given)


def new_site(
    book: WritableBook, customer_number: str, facts: Mapping[str, object], at: str, number: str = ""
) -> Record:
    """Write a customer's site under the shop's own number, or under the next free one; Refused if it is taken."""
    kept = site_facts_of(facts)
    return numbered(book, SITE, number, at, lambda own: Site(**kept, site_number=own, customer_number=customer_number))


def changed_site(
    book: WritableBook, standing: Record, given: Mapping[str, object], at: str, why: str, by: str
) -> Record:
    """Write a further record of a site with some data changed; an empty value is removed."""
    before = Site.of(standing)
    facts = site_facts_of(known_facts(SiteFacts, before) | dict(given))
    number, whose = before.site_number, before.customer_number
    return book.replace(standing, Site(**facts, site_number=number, customer_number=whose, why=why, by=by), at)


def of_site(book: Book, customer_number: str | None, text: str) -> dict[str, str | None]:
    """The site fields of a job for ``text``: a site of its customer by number or name, else the text alone."""
    found = site_named(book, customer_number, text) if customer_number and text.strip() else None
    if found is None:
        return {"site": text or None, "site_number": None}
    said = Site.of(found)
    return {"site": said.name, "site_number": said.site_number}


def site_words(book: Book, about: Job | PumpWork) -> str | None:
    """The site of a job or a fill for paper: as it is called now, with its number and address, else as entered."""
    found = site_of(book, about.site_number)
    if found is None:
        return about.site
    said = Site.of(found)
    return ", ".join((f"{said.name} (No. {said.site_number})", *(said.address or ())))
