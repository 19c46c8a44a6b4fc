"""A customer's bill of a month across all trucks, by job; it must not know how it is shown."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.books.bill import BILLED, by_job, job_lines, refuse_copies
from rig.books.prices import PRICES, PriceLists
from rig.ledger.moment import UNBELIEVED
from rig.ledger.pricing import Line, priced
from rig.ledger.shop import Rounding
from rig.record.base import Sealed
from rig.record.notes import Customer, Job, OnWheel
from rig.run.refused import Refused
from rig.sentence import Wording
from rig.shop.customers import CUSTOMER, names_of
from rig.shop.filled import OF_A_FILL
from rig.shop.posting import FILL, place_of

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record


def month_of(text: str) -> tuple[str, str]:
    """Begin of a month and of the next, in the format of record times; Refused for anything else."""
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text):
        raise Refused(Wording("refused.no_month", "--month {text}: write for example 2026-11")(text=text))
    year, month = int(text[:4]), int(text[5:])
    return f"{text}-01", f"{year + month // 12:04}-{month % 12 + 1:02}-01"


def month_bill(office: Book, who: str, since: str, until: str) -> dict[str, object]:
    """Bill of a customer's work in a period across all trucks, by job, at the prices of each truck and time.

    ``who`` is a number or a name; for a number all its former names count.
    """
    whose = whose_of(office, who)
    by_name = [office.valid(BILLED, customer=name, since=since, until=until) for name in whose.names]
    ordered = by_name[0] if len(by_name) == 1 else office.in_order(each for found in by_name for each in found)
    found_work = [each for each in ordered if whose.has(each)]
    jobs = by_job(found_work)
    if not jobs:
        raise Refused(
            Wording(
                "refused.nothing_in_month", "nothing was done for '{who}' in that month, as far as the office knows"
            )(who=who)
        )
    # All trucks in one query: separately they took longer than the rest of the bill.
    trucks = {truck for truck, _ in jobs}
    prices_of_all = office.valid(PRICES, truck=tuple(trucks))
    lists = {truck: PriceLists(office, [each for each in prices_of_all if each.truck == truck]) for truck in trucks}
    about = [Job.of(each) for name in whose.names for each in office.valid("job", customer=name)]
    exempt = {each.job for each in about if each.tax_exempt or whose.exempt}
    refuse_copies(found_work)
    noted = office.in_order(each for name in whose.names for each in office.valid(OF_A_FILL, customer=name))
    lines: list[Line] = []
    found: set[tuple[str, Rounding]] = set()
    for (truck, job), own_work in sorted(jobs.items()):
        prices, own = job_lines(office, lists[truck], own_work, noted, exempt=job in exempt or whose.exempt)
        found.add((prices.currency, prices.tax.rounding))
        lines += own
    if len(found) != 1:
        kinds = ", ".join(sorted(" ".join(each) for each in found))
        raise Refused(
            Wording(
                "refused.two_currencies",
                "two currencies or two roundings of tax on one bill ({kinds}): bill the jobs one by one",
            )(kinds=kinds)
        )
    fills = sum(record.kind == FILL for each in jobs.values() for record in each)
    undated = sum(Sealed.of(record).clock == UNBELIEVED for each in jobs.values() for record in each)
    counts = {"fills": fills, "jobs": len(jobs), "undated": undated}
    [(currency, rounding)] = found
    return {"customer": whose.names[0], **counts, **priced(currency, lines, rounding).document()}


@dataclass(frozen=True, slots=True)
class Whose:
    """The billed customer: all its names, the latest first, and its number at each truck."""

    names: tuple[str, ...]
    numbers: frozenset[tuple[str, str]] = frozenset()
    exempt: bool = False

    def has(self, record: Record) -> bool:
        """Whether work under one of the names is this customer's; two customers of one name have two numbers."""
        number = OnWheel.of(record).customer_number
        return number is None or not self.numbers or (record.truck, number) in self.numbers


def whose_of(office: Book, who: str) -> Whose:
    """The customer with a number or a name, over all trucks; Refused if several match."""
    # By truck, because the index of kinds begins with it.
    known = office.valid(CUSTOMER, truck=tuple(office.heads()))
    by_number = [each for each in known if Customer.of(each).customer_number == who.strip()]
    found = by_number or [each for each in known if place_of(who) in map(place_of, names_of(each))]
    numbers = {(each.truck, Customer.of(each).customer_number) for each in found}
    if len({place_of(Customer.of(each).name) for each in by_number}) > 1 or len({truck for truck, _ in numbers}) < len(
        numbers
    ):
        shown = ", ".join(
            f"{each.truck}: {said.customer_number} {said.name}" for each in found for said in (Customer.of(each),)
        )
        raise Refused(
            Wording("refused.several", "'{who}' means several customers ({shown}): say the name of one, or its number")(
                who=who, shown=shown
            )
        )
    names = dict.fromkeys((*(name for each in reversed(found) for name in names_of(each)), *(() if found else (who,))))
    return Whose(tuple(names), frozenset(numbers), any(Customer.of(each).tax_exempt for each in found))
