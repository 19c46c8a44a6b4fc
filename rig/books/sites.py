"""`rig site`: sites of customers with their numbers, addresses and notes. Text to records; decides nothing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from rig.books.customers import add_facts, known_customer
from rig.books.where import add_config, book_asked, book_written, now, print_answer
from rig.cli.table import OK, Add
from rig.record.notes import Customer, Site
from rig.run.refused import Refused
from rig.shop.sites import SiteFacts, changed_site, new_site, site_named, sites

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

FACTS = tuple(SiteFacts.model_fields)


def add_site(add: Add) -> None:
    """The command ``site``."""
    command = add("site", site_command)
    command.add_argument("action", choices=("add", "show", "correct"))
    command.add_argument("which", nargs="?", metavar="NUMBER|NAME", help="of `add`: a number of your own")
    command.add_argument("--customer", metavar="NUMBER|NAME", help="whose it is")
    add_facts(command, FACTS)
    add_config(command)


def site_command(options: argparse.Namespace) -> int:
    """Run one action."""
    given = {name: value for name in FACTS if (value := getattr(options, name)) is not None}
    if options.action == "show":
        return _show(options)
    with book_written(options) as book:
        found = _add(book, options, given) if options.action == "add" else _correct(book, options, given)
    print_answer(options, {"serial": found.serial, **found.document}, _text(found))
    return OK


def _show(options: argparse.Namespace) -> int:
    with book_asked(options) as book:
        number = _customer(book, options.customer) if options.customer else None
        found = [_known(book, number, options.which)] if options.which else sites(book, number)
    document: object = [each.document for each in found]
    if options.which:
        document = {"serial": found[0].serial, **found[0].document}
    print_answer(options, document, "\n".join(map(_text, found)) or "none yet")
    return OK


def _customer(book: Book, text: str) -> str:
    return Customer.of(known_customer(book, text)).customer_number


def _add(book: WritableBook, options: argparse.Namespace, given: dict[str, Any]) -> Record:
    if not options.customer or not given.get("name"):
        raise Refused('whose, and what is it called? `rig site add --customer 1042 --name "North yard"`')
    return new_site(book, _customer(book, options.customer), given, now(), (options.which or "").strip())


def _correct(book: WritableBook, options: argparse.Namespace, given: dict[str, Any]) -> Record:
    if options.which is None or not given or not options.why.strip():
        raise Refused('which site, what and why? `rig site correct NUMBER --note "use the back gate" --why "new"`')
    number = _customer(book, options.customer) if options.customer else None
    return changed_site(book, _known(book, number, options.which), given, now(), options.why, options.by)


def _known(book: Book, customer_number: str | None, which: str) -> Record:
    found = site_named(book, customer_number, which)
    if found is None:
        raise Refused(f"no site {which!r}: `rig site show` lists them")
    return found


def _text(site: Record) -> str:
    said = Site.of(site)
    more = [*(said.address or ()), *([f"note: {said.note}"] if said.note else [])]
    return f"{said.site_number:>8}  {said.name}, of customer {said.customer_number}" + "".join(f", {t}" for t in more)
