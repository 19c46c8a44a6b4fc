"""Customers and their sites on the page: shown, entered, changed by a further record. It must not know requests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from pydantic import Field

from rig.books.where import now
from rig.ledger.book import CorrectedError
from rig.ledger.shop import Strict
from rig.panel.asking import Touch
from rig.panel.jobs import View, book_of_rig, book_to_keep
from rig.record.base import Sealed
from rig.record.notes import Customer, Site
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.customers import (
    CustomerFacts,
    changed_customer,
    customer_named,
    customer_of,
    customers,
    facts_of,
    like_it,
    new_customer,
)
from rig.shop.numbering import earlier, known_facts
from rig.shop.plausible import Doubtful
from rig.shop.sites import SiteFacts, changed_site, new_site, site_of, sites

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record

_ALIKE = Wording(
    "doubt.customer", "there is a customer of nearly this name: {name}, No. {number}. Is this another one?"
)
_NO_CUSTOMER = Wording("refused.no_customer", "no customer {number}")
_NO_SITE = Wording("refused.no_site", "no site {number} of this customer")
_NO_NAME = Wording("refused.no_name", "enter a name")
_NO_WHY = Wording("refused.why_change", "why is it changed? for example: moved")
_MEANWHILE = Wording("refused.changed_meanwhile", "record {serial} was changed meanwhile: load it again")


class FactsForm(Touch):
    """A customer's or a site's data; for a further record the one that it replaces, and why."""

    number: str = Field(default="", max_length=20)
    """Of a new one its own number; empty: the next free one."""
    serial: int = Field(default=0, ge=0)
    """The record that was changed; 0 for a new one."""
    facts: Mapping[str, str | tuple[str, ...]] = Field(max_length=20)
    why: str = Field(default="", max_length=120)
    sure: bool = False


def list_view(settings: Settings) -> list[View]:
    """Every customer by name."""
    with book_of_rig(settings) as book:
        found = [Customer.of(each) for each in customers(book)]
    rows: list[View] = [{"number": each.customer_number, "name": each.name, "city": each.city or ""} for each in found]
    return sorted(rows, key=lambda row: str(row["name"]).casefold())


def customer_view(settings: Settings, number: str) -> View:
    """A customer with sites, and what each was before."""
    with book_of_rig(settings) as book:
        return _view(book, number)


def kept_view(settings: Settings, form: FactsForm) -> View:
    """The customer that a form has been kept as."""
    with book_of_rig(settings) as book:
        found = customer_named(book, form.number or str(form.facts.get("name", "")))
        return _view(book, form.number if found is None else Customer.of(found).customer_number)


def _view(book: Book, number: str) -> View:
    own = [_one(book, each, SiteFacts, Site.of(each).site_number) for each in sites(book, number)]
    return {**_one(book, _customer(book, number), CustomerFacts, number), "sites": own}


def _one(book: Book, record: Record, model: type[Strict], number: str) -> View:
    return {
        "number": number,
        "serial": record.serial,
        "facts": known_facts(model, _said(record)),
        "earlier": [
            {"at": each.at, "facts": known_facts(model, _said(each)), "why": later.why or "", "by": later.by or ""}
            for each, later in _steps(book, record)
        ],
    }


def _steps(book: Book, record: Record) -> list[tuple[Record, Sealed]]:
    """Each earlier record with what the one after it says of the change."""
    before = earlier(book, record)
    return [(each, _said(later)) for each, later in zip(before, [record, *before], strict=False)]


def _said(record: Record) -> Any:  # noqa: ANN401
    return (Site if record.kind == "site" else Customer).of(record)


def keep_customer(settings: Settings, form: FactsForm, by: str) -> View:
    """Keep a new customer, or a further record of one; Refused, Doubtful for a name that is there already."""
    with book_to_keep(settings) as book:
        _named(form)
        if form.serial:
            standing = _customer(book, form.number)
            _change(standing, form, lambda: changed_customer(book, standing, form.facts, now(), form.why.strip(), by))
            return _view(book, form.number)
        facts = facts_of(form.facts)
        if not form.sure and (alike := like_it(book, facts["name"])):
            raise Doubtful([_ALIKE(name=one.name, number=one.customer_number) for one in map(Customer.of, alike)])
        return _view(book, Customer.of(new_customer(book, facts, now(), form.number.strip())).customer_number)


def keep_site(settings: Settings, whose: str, form: FactsForm, by: str) -> View:
    """Keep a new site of a customer, or a further record of one; returns the customer. Refused."""
    with book_to_keep(settings) as book:
        _named(form)
        if form.serial:
            standing = site_of(book, form.number)
            if standing is None or Site.of(standing).customer_number != whose:
                raise Refused(_NO_SITE(number=form.number))
            _change(standing, form, lambda: changed_site(book, standing, form.facts, now(), form.why.strip(), by))
        else:
            _customer(book, whose)
            new_site(book, whose, form.facts, now(), form.number.strip())
        return _view(book, whose)


def _change(standing: Record, form: FactsForm, write: Callable[[], object]) -> None:
    if standing.serial != form.serial:
        raise CorrectedError(_MEANWHILE(serial=str(form.serial)))
    if not form.why.strip():
        raise Refused(_NO_WHY())
    write()


def _customer(book: Book, number: str) -> Record:
    found = customer_of(book, number)
    if found is None:
        raise Refused(_NO_CUSTOMER(number=number))
    return found


def _named(form: FactsForm) -> None:
    if not str(form.facts.get("name", "")).strip():
        raise Refused(_NO_NAME())
