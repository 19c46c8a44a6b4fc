"""Customers in the book: each a record under a permanent number, whatever is corrected in it.

Reads, and writes new and changed customers; must not know how any of it is shown.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from rig.ledger.shop import Party
from rig.record.notes import Customer
from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.numbering import facts_in, known_facts, numbered
from rig.shop.posting import place_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

CUSTOMER = "customer"
_ALIKE = 0.8


class CustomerFacts(Party):
    """Data stored for a customer besides the number."""

    tax_exempt: str = ""
    """Reason for tax exemption; empty: tax is charged."""


def customers(book: Book) -> list[Record]:
    """Every customer of this book, in the order of the book."""
    return book.valid(CUSTOMER, truck=book.own)


def customer_of(book: Book, number: str | None) -> Record | None:
    """The present record of a customer number; None if there is none."""
    return book.one(CUSTOMER, number) if number else None


def names_of(customer: Record) -> list[str]:
    """A customer's name and its former ones before corrections, under which earlier work is recorded."""
    said = Customer.of(customer)
    return [said.name, *(said.former_names or ())]


def customer_named(book: Book, text: str) -> Record | None:
    """The customer with a number, or with a unique name; None for neither. Refused if several have the name."""
    by_number = customer_of(book, text.strip())
    if by_number is not None:
        return by_number
    same = [each for each in customers(book) if place_of(Customer.of(each).name) == place_of(text)]
    if len(same) > 1:
        numbers = ", ".join(Customer.of(each).customer_number for each in same)
        words = Wording(
            "refused.customers_alike", "{count:number} customers are called '{name}': say which number: {numbers}"
        )
        raise Refused(words(count=len(same), name=text, numbers=numbers))
    return same[0] if same else None


def facts_of(given: Mapping[str, object]) -> dict[str, Any]:
    """Validated customer data; Refused with what to write."""
    return facts_in(CustomerFacts, CUSTOMER, given)


def new_customer(book: WritableBook, facts: Mapping[str, object], at: str, number: str = "") -> Record:
    """Write a customer under the shop's own number, or under the next free one; Refused if it is taken."""
    kept = facts_of(facts)
    return numbered(book, CUSTOMER, number, at, lambda own: Customer(**kept, customer_number=own))


def changed_customer(
    book: WritableBook, standing: Record, given: Mapping[str, object], at: str, why: str, by: str
) -> Record:
    """Write a further record of a customer with some data changed; an empty value is removed."""
    before = Customer.of(standing)
    facts = facts_of(known_facts(CustomerFacts, before) | dict(given))
    former = tuple(name for name in names_of(standing) if name != facts["name"]) or None
    said = Customer(**facts, customer_number=before.customer_number, why=why, by=by, former_names=former)
    return book.replace(standing, said, at)


def like_it(book: Book, name: str) -> list[Record]:
    """Customers with nearly the same name: a typing error may create one of them twice."""
    return [
        each for each in customers(book)
        if difflib.SequenceMatcher(None, name.lower(), Customer.of(each).name.lower()).ratio() > _ALIKE
    ]  # fmt: skip


def of_customer(book: WritableBook, text: str, at: str) -> dict[str, str | None]:
    """The customer fields of a job for ``text``, a number or name; an unknown customer is created."""
    if not text.strip():
        return {"customer": None, "customer_number": None}
    found = customer_named(book, text) or new_customer(book, {"name": " ".join(text.split())}, at)
    said = Customer.of(found)
    return {"customer": said.name, "customer_number": said.customer_number}
