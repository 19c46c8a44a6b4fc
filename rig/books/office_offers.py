"""`rig office offer` and `offered`: what the office gives out to trucks: price lists, customers, jobs of the day."""

from __future__ import annotations

import argparse
import secrets
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.office_desk import known_chain, read_text
from rig.books.where import now, print_answer
from rig.cli.table import OK
from rig.ledger.pricing import read_prices
from rig.record.notes import Offered, Shared
from rig.run.refused import Refused
from rig.shop.customers import CustomerFacts, facts_of
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.office.offers import Offers
    from rig.office.register import Register
    from rig.record.base import Document

_FACTS = tuple(CustomerFacts.model_fields)
_OF_A_JOB = ("machine", "site")


def add_offer_options(command: argparse.ArgumentParser) -> None:
    """The options of what is offered."""
    command.add_argument("name", nargs="?", metavar="FILE|NUMBER|JOB", help="offer: which price file, customer or job")
    group = command.add_argument_group("of what is offered")
    group.add_argument("--since", metavar="DAY", help="of prices: their first day (default: today)")
    group.add_argument("--to", metavar="TRUCK", dest="to_truck", help="of a job: who does it")
    group.add_argument("--customer", metavar="NUMBER", help="of a job: by the office's number")
    group.add_argument("--machine", metavar="TEXT")
    group.add_argument("--site", metavar="TEXT")
    group.add_argument("--wheel", action="append", metavar="PLACE=SIZE", help='of a job: "rear left=18.4-38"')
    group.add_argument("--called", metavar="NAME", dest="fact_name", help="of a customer")
    for name in _FACTS[1:]:
        action = "append" if name == "address" else "store"
        group.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", action=action, dest=f"fact_{name}")


def offer(options: argparse.Namespace, office: Register) -> int:
    """Offer a price list from a day on, a customer, or a job for a truck; what stands is kept where nothing is said."""
    from rig.office.sharing import offered

    kinds = {"prices": _prices, "customer": _customer, "job": _job}
    if options.what not in kinds:
        raise Refused(
            f"offer what? write `rig office offer {'|'.join(kinds)} …`; wheels are offered as they are taught"
        )
    name = kinds[options.what](options, office, offered(office))
    print_answer(options, {"offered": options.what, "name": name}, f"{options.what} {name} goes to the trucks")
    return OK


def _write(
    options: argparse.Namespace,
    office: Register,
    standing: Offers,
    what: Offered,
    chain: str,
    name: str,
    said: Document,
) -> None:
    """Write an offer in place of the one that stands; whoever enters a field here decides between words on it."""
    from rig.office.sharing import write_offer

    record = standing.one(what, name).get(chain)
    before = Shared(name=name, said={}) if record is None else Shared.of(record)
    others = tuple(each for each in before.others or () if each.field not in said)
    made = Shared(
        name=name, said={**before.said, **said}, sources=before.sources, others=others or None, by=options.by or None
    )
    write_offer(office, what, chain, record, made, secrets.token_hex(12))


def _prices(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    if not options.name:
        raise Refused("which list? write `rig office offer prices FILE --since 2026-12-01`")
    path = Path(options.name)
    prices = read_prices(read_text(path), str(path))
    if prices.shop is not None and prices.shop.logo:
        raise Refused(
            f"{path}: shop.logo is not sent to trucks: leave it out, or `rig prices {path.name}` on each truck"
        )
    try:
        day = date.fromisoformat(options.since or now()[:10]).isoformat()
    except ValueError as error:
        raise Refused(f"--since {options.since}: write for example 2026-12-01") from error
    _write(options, office, standing, "prices", office.truck, day, {"prices": prices.model_dump(mode="json")})
    return day


def _customer(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    given = {name: value for name in _FACTS if (value := getattr(options, f"fact_{name}")) is not None}
    number = options.name or standing.new_number()
    record = standing.one("customer", number).get(office.truck)
    if options.name and record is None:
        raise Refused(f"no customer {number}: `rig office offered` lists them; without a number it is a new one")
    known: Document = {} if record is None else dict(Shared.of(record).said)
    former = known.pop("former_names", None)
    if not given or not (known | given).get("name"):
        raise Refused('who? write for example `rig office offer customer --called "Hill Farm" --phone "555 0101"`')
    facts = facts_of(known | given)
    said = {name: facts[name] for name in given if name in facts}
    if known.get("name") not in (None, facts["name"]):
        said["former_names"] = [*(former if isinstance(former, list) else ()), known["name"]]
    _write(options, office, standing, "customer", office.truck, number, said)
    return number


def _job(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    from rig.office.keys import for_truck

    if not options.name or not options.to_truck:
        raise Refused("which job, for which truck? write `rig office offer job 2026-114 --to TRUCK --customer NUMBER`")
    said: Document = {name: text for name in _OF_A_JOB if (text := getattr(options, name)) is not None}
    if options.customer:
        record = standing.one("customer", options.customer).get(office.truck)
        if record is None:
            raise Refused(f"no customer {options.customer}: `rig office offered` lists them")
        said |= {"customer": Shared.of(record).said["name"], "customer_number": options.customer}
    chain = for_truck(known_chain(office, options.to_truck))
    if options.wheel:
        wheels = [_wheel(text, options.name, options.fluid) for text in options.wheel]
        _write(options, office, standing, "wheels of a job", chain, options.name, {"wheels": wheels})
    _write(options, office, standing, "job", chain, options.name, said)
    return str(options.name)


def _wheel(text: str, job: str, fluid: str | None) -> Document:
    place, equals, size = text.partition("=")
    if not equals or not place.strip():
        raise Refused(f'--wheel {text!r}: write place and size, for example "rear left=18.4-38"')
    read_size(size)
    return {"size": size.strip(), "position": place.strip(), "job": job, **({"fluid": fluid} if fluid else {})}


def show(options: argparse.Namespace, offers: Offers) -> int:
    """What is offered, with the words that stand beside others."""
    from rig.office.offers import FIELDS

    document, lines = [], []
    for what in FIELDS:
        for record, each in offers.each(what):
            others = [{"field": o.field, "value": o.value, "by": o.by} for o in each.others or ()]
            document.append(
                {"what": what, "name": each.name, "chain": record.truck, "said": each.said, "others": others}
            )
            shown = ", ".join(f"{key} {value}" for key, value in each.said.items() if key not in ("prices", "fill_id"))
            lines.append(f"{what:<16} {each.name:<12} {shown}")
            lines += [f"{'':<29} ! {o['field']}: {o['by'] or 'somebody'} entered {o['value']!r} too" for o in others]
    print_answer(options, document, "\n".join(lines) or "nothing yet")
    return OK
