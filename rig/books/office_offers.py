"""`rig office offer` and `offered`: what the office gives out to trucks: prices, customers, jobs, people, releases."""

from __future__ import annotations

import argparse
import json
import re
import secrets
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.office_desk import known_chain, read_text
from rig.books.where import iso_day, now, print_answer
from rig.cli.pins import new_pin
from rig.cli.table import OK
from rig.ledger.files import sha256_of
from rig.ledger.moment import local_day
from rig.ledger.pricing import read_prices
from rig.panel.people import ROLES, People
from rig.record.notes import Offered, Shared
from rig.run.refused import Refused
from rig.shop.customers import CustomerFacts, facts_of
from rig.shop.posting import place_of
from rig.shop.sites import site_facts_of
from rig.wheel import read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.office.offers import Offers
    from rig.office.register import Register
    from rig.record.base import Document
    from rig.record.notes import ChartRow

_FACTS = tuple(CustomerFacts.model_fields)
_NOT_SHOWN = ("prices", "fill_id", "pin", "rows", "format", "version", "sha256")
_SHA256 = re.compile("[0-9a-f]{64}")


def add_offer_options(command: argparse.ArgumentParser) -> None:
    """The options of what is offered."""
    command.add_argument(
        "name", nargs="?", metavar="FILE|NUMBER|JOB|NAME|VERSION", help="offer: which file, customer, job, person …"
    )
    group = command.add_argument_group("of what is offered")
    group.add_argument("--since", metavar="DAY", help="of prices: their first day (default: today)")
    group.add_argument("--to", metavar="TRUCK", dest="to_truck", help="of a job: who does it")
    group.add_argument("--customer", metavar="NUMBER", help="of a job or a site: by the office's number")
    group.add_argument("--machine", metavar="TEXT")
    group.add_argument("--site", metavar="NUMBER|TEXT", help="of a job: of its customer")
    group.add_argument("--day", metavar="DAY", help="of a job: when it is to be done; of a release: its date")
    group.add_argument("--wheel", action="append", metavar="PLACE=SIZE", help='of a job: "rear left=18.4-38"')
    group.add_argument("--note", metavar="TEXT", help="of a site")
    group.add_argument("--sha256", metavar="HEX", help="of a release that is not named by its file")
    group.add_argument("--words", metavar="TEXT", help="of a release: what it brings")
    group.add_argument("--minimum", metavar="VERSION", help="of a release: the least version that it is installed from")
    group.add_argument("--called", metavar="NAME", dest="fact_name", help="of a customer or a site")
    for name in _FACTS[1:]:
        action = "append" if name == "address" else "store"
        group.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", action=action, dest=f"fact_{name}")


def offer(options: argparse.Namespace, office: Register) -> int:
    """Offer something to the trucks; what stands is kept where nothing is said."""
    from rig.office.sharing import offered

    kinds = {
        "prices": _prices, "customer": _customer, "site": _site, "job": _job, "person": _person, "release": _release,
        "chart": _chart,
    }  # fmt: skip
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
    whole = {field: value for field, value in {**before.said, **said}.items() if value is not None}
    made = Shared(name=name, said=whole, sources=before.sources, others=others or None, by=options.by or None)
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
    day = iso_day(options.since or local_day(now()), "--since")
    _write(options, office, standing, "prices", office.truck, day, {"prices": prices.model_dump(mode="json")})
    return day


def _customer(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    given = {name: value for name in _FACTS if (value := getattr(options, f"fact_{name}")) is not None}
    number = options.name or standing.new_number("customer")
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


def _site(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    number = options.name or standing.new_number("site")
    record = standing.one("site", number).get(office.truck)
    if options.name and record is None:
        raise Refused(f"no site {number}: `rig office offered` lists them; without a number it is a new one")
    known: Document = {} if record is None else dict(Shared.of(record).said)
    whose = known.pop("customer_number", None)
    if options.customer:
        whose = _customer_number(options.customer, office, standing)
    texts = {"name": options.fact_name, "address": options.fact_address, "note": options.note}
    given = {name: text for name, text in texts.items() if text is not None}
    if whose is None or not (given or options.customer) or not (known | given).get("name"):
        raise Refused('whose, and what is it called? `rig office offer site --customer SHOP-1 --called "North yard"`')
    facts = site_facts_of(known | given)
    said = {name: facts.get(name) for name in given} | {"customer_number": whose}
    _write(options, office, standing, "site", office.truck, number, said)
    return number


def _customer_number(number: str, office: Register, standing: Offers) -> str:
    if office.truck not in standing.one("customer", number):
        raise Refused(f"no customer {number}: `rig office offered` lists them")
    return number


def _site_of_job(text: str, customer: object, standing: Offers) -> Document:
    """The site fields of a job: a site of its customer by number or name, else the text alone."""
    sites = [offer for _, offer in standing.each("site") if offer.said.get("customer_number") == customer]
    found = [each for each in sites if each.name == text] or [
        each for each in sites if place_of(str(each.said["name"])) == place_of(text)
    ]
    if len(found) > 1:
        raise Refused(f"several sites are called {text!r}: say which number: {', '.join(each.name for each in found)}")
    return {"site": found[0].said["name"], "site_number": found[0].name} if found else {"site": text}


def _person(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    if not options.name or not (options.role or options.remove):
        raise Refused("who? write `rig office offer person NAME --role technician|supervisor`, or NAME --remove")
    if options.role not in (None, *ROLES):
        raise Refused(f"--role {options.role} is one of the office's page; on a truck there are {' and '.join(ROLES)}")
    key = options.name.casefold()
    name = next((each.name for _, each in standing.each("person") if each.name.casefold() == key), options.name)
    if options.remove and not standing.one("person", name):
        raise Refused(f"the office has never offered {name!r}: `rig office offered` lists who was")
    said: Document = {"role": None, "pin": None, "removed": True}
    if not options.remove:
        # Only what a PIN is verified by leaves this computer, as on each truck.
        new = People(Path()).entry(name, options.role, new_pin())
        name, said = (name if standing.one("person", name) else new.name), {"role": new.role, "pin": new.pin}
        said |= {"removed": None}
    _write(options, office, standing, "person", office.truck, name, said)
    return name


def _release(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    from rig.install.program import version_of
    from rig.office.releases import version_number

    if not options.name:
        raise Refused("which release? write `rig office offer release WHEEL --words TEXT`, or VERSION --sha256 HEX")
    version, sha256 = str(options.name), (options.sha256 or "").lower()
    if options.name.endswith(".whl"):
        wheel = Path(options.name)
        version = version_of(wheel)
        found = sha256_of(wheel)
        if sha256 not in ("", found):
            raise Refused(f"{wheel}: its SHA-256 is {found}, not the one after --sha256: fetch the file anew")
        sha256 = found
    version_number(version)
    record = standing.one("release", version).get(office.truck)
    if options.remove:
        if record is None:
            raise Refused(f"release {version} is not offered: `rig office offered` lists what is")
        office.void(record, now(), "offered no more", options.by or "")
        return version
    known: Document = {} if record is None else Shared.of(record).said
    sha256 = sha256 or str(known.get("sha256") or "")
    if not _SHA256.fullmatch(sha256):
        raise Refused("which file? write the wheel's file, or --sha256 with its 64 hexadecimal digits")
    day = iso_day(options.day or str(known.get("day") or local_day(now())), "--day")
    said: Document = {"sha256": sha256, "day": day}
    if options.words is not None:
        said["words"] = " ".join(options.words.split())
    if options.minimum is not None:
        said["minimum"] = str(version_number(options.minimum)) if options.minimum else None
    _write(options, office, standing, "release", office.truck, version, said)
    return version


def _chart(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    """Offer what all trucks measured, a file for each size; what has not changed is not written again."""
    from rig.shop.chart import measured_rows
    from rig.shop.chart_file import file_text

    found = {(f"{size}, simulated" if fake else size): (fake, rows) for (size, fake), rows in measured_rows(office)}
    # What a size had is withdrawn by a file without measurements.
    gone: dict[str, tuple[bool, list[ChartRow]]] = {
        each.name: (bool(each.said["simulated"]), []) for _, each in standing.each("chart")
    }
    changed = 0
    for name, (simulated, rows) in (gone | found).items():
        shop = f"office {name.partition(',')[0].replace('/', '-')}"
        said: Document = json.loads(file_text(shop, rows, simulated=simulated))
        record = standing.one("chart", name).get(office.truck)
        if record is None or Shared.of(record).said != said:
            _write(options, office, standing, "chart", office.truck, name, said)
            changed += 1
    return f"({changed} of {len(found)} sizes are new or changed)"


def _job(options: argparse.Namespace, office: Register, standing: Offers) -> str:
    from rig.office.keys import for_truck

    if not options.name or not options.to_truck:
        raise Refused("which job, for which truck? write `rig office offer job 2026-114 --to TRUCK --customer NUMBER`")
    chain = for_truck(known_chain(office, options.to_truck))
    before = standing.one("job", options.name).get(chain)
    said: Document = {} if options.machine is None else {"machine": options.machine}
    if options.customer:
        number = _customer_number(options.customer, office, standing)
        record = standing.one("customer", number)[office.truck]
        said |= {"customer": Shared.of(record).said["name"], "customer_number": number}
    if options.site is not None:
        customer = said.get("customer_number") or (Shared.of(before).said.get("customer_number") if before else None)
        said |= {"site_number": None, **_site_of_job(options.site, customer, standing)}
    if options.day is not None:
        said["day"] = iso_day(options.day, "--day")
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


def show(options: argparse.Namespace, office: Book, offers: Offers) -> int:
    """What is offered, with the words that stand beside others; of a person not what the PIN is verified by."""
    from rig.office.offers import FIELDS
    from rig.shop.cavities import KIND

    document, lines = [], []
    measured = [(record, Shared.of(record)) for record in office.valid(KIND, truck=office.own)]
    of_kind = [(str(what), offers.each(what)) for what in FIELDS] + [("cavity", measured)]
    for what, found in of_kind:
        for record, each in found:
            others = [{"field": o.field, "value": o.value, "by": o.by} for o in each.others or ()]
            said = {name: value for name, value in each.said.items() if name != "pin"}
            document.append({"what": what, "name": each.name, "chain": record.truck, "said": said, "others": others})
            shown = ", ".join(f"{key} {value}" for key, value in said.items() if key not in _NOT_SHOWN)
            lines.append(f"{what:<16} {each.name:<12} {shown}")
            lines += [f"{'':<29} ! {o['field']}: {o['by'] or 'somebody'} entered {o['value']!r} too" for o in others]
    print_answer(options, document, "\n".join(lines) or "nothing yet")
    return OK
