"""`rig customer`: customers with their numbers, addresses and tax numbers. Text to records; decides nothing."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rig.books.where import add_config, book_asked, book_written, now, print_answer
from rig.cli.table import OK, Add
from rig.record.notes import Customer, Job
from rig.run.refused import Refused
from rig.shop.customers import (
    CustomerFacts,
    changed_customer,
    customer_named,
    customers,
    like_it,
    new_customer,
)

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_ACTIONS = ("add", "show", "correct")
_FACTS = tuple(CustomerFacts.model_fields)


def add_customer(add: Add) -> None:
    """The command ``customer``."""
    command = add("customer", customer_command)
    command.add_argument("action", choices=_ACTIONS)
    command.add_argument("who", nargs="?", metavar="NUMBER|NAME", help="of `add`: a number of your own")
    add_facts(command, _FACTS)
    add_config(command)


def add_facts(command: argparse.ArgumentParser, names: Sequence[str]) -> None:
    """The options of what a customer's or a site's record has, and of a correction."""
    for name in names:
        action = "append" if name == "address" else "store"
        command.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", action=action)
    command.add_argument("--why", default="", metavar="TEXT", help="of a correction")
    command.add_argument("--by", default="", metavar="NAME")


def customer_command(options: argparse.Namespace) -> int:
    """Run one action."""
    given = {name: value for name in _FACTS if (value := getattr(options, name)) is not None}
    if options.action == "show":
        return _show(options)
    with book_written(options) as book:
        found = _add(book, options, given) if options.action == "add" else _correct(book, options, given)
        near = like_it(book, Customer.of(found).name) if options.action == "add" else []
    hint = [
        f"  like it: {_line(each)}; a job is linked by `rig job J --customer NUMBER`"
        for each in near
        if each.serial != found.serial
    ]
    print_answer(options, {"serial": found.serial, **found.document}, "\n".join([*_text(found), *hint]))
    return OK


def _show(options: argparse.Namespace) -> int:
    with book_asked(options) as book:
        if options.who is None:
            found = customers(book)
            print_answer(
                options, [each.document for each in found], "\n".join(_line(each) for each in found) or "none yet"
            )
            return OK
        one = known_customer(book, options.who)
        jobs = [Job.of(each).job for each in book.valid("job", truck=book.own) if _is_of(each, one)]
    text = [*_text(one), f"  {'jobs':<12} {', '.join(jobs) or 'none'}"]
    print_answer(options, {"serial": one.serial, **one.document, "jobs": jobs}, "\n".join(text))
    return OK


def _is_of(job: Record, customer: Record) -> bool:
    return Job.of(job).customer_number == Customer.of(customer).customer_number


def _add(book: WritableBook, options: argparse.Namespace, given: dict[str, Any]) -> Record:
    if not given.get("name"):
        raise Refused('who? write for example `rig customer add --name "Hill Farm" --address "1 Lane"`')
    return new_customer(book, given, now(), (options.who or "").strip())


def _correct(book: WritableBook, options: argparse.Namespace, given: dict[str, Any]) -> Record:
    if options.who is None or not given or not options.why.strip():
        raise Refused('which customer, what and why? `rig customer correct NUMBER --address "2 Lane" --why "moved"`')
    return changed_customer(book, known_customer(book, options.who), given, now(), options.why, options.by)


def known_customer(book: Book, who: str) -> Record:
    """The customer with a number or name; Refused if there is none."""
    found = customer_named(book, who)
    if found is None:
        raise Refused(f"no customer {who!r}: `rig customer show` lists them")
    return found


def _line(customer: Record) -> str:
    said = Customer.of(customer)
    return f"{said.customer_number:>6}  {said.name}"


def _text(customer: Record) -> list[str]:
    said = Customer.of(customer)
    rows = []
    for name in _FACTS:
        if value := getattr(said, name):
            shown = ", ".join(value) if isinstance(value, tuple) else value
            rows.append(f"  {name.replace('_', ' '):<12} {shown}")
    return [f"customer {said.customer_number}, record {customer.serial}", *rows]
