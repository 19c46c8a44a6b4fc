"""Two trucks and the office's own service, over a network that may lose and double; what persons enter on them."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from offices import AT, Desk
from shop_books import posted_of
from test_way_down import Truck

from rig.books.office_truck import follow_and_keep
from rig.ledger.chain import Record
from rig.ledger.keeping import book_of, book_read
from rig.office.carrying import Moved
from rig.office.https import Https
from rig.office.keys import StaleError, public_of, read_public
from rig.office.sharing import offered, write_offer
from rig.panel.people import People, Role
from rig.record.notes import Customer, Shared, Site
from rig.shop.cavities import with_measured
from rig.shop.customers import new_customer
from rig.shop.sites import new_site, site_of
from rig.wheel import cavity_of, read_size

SIZE = cavity_of(read_size("16.9-28"))
NAME = "Hill Farm: Loader, rear left"
PRICES = Path(__file__).parents[2] / "config" / "prices.toml"
PIN, OTHER_PIN = "271828", "314159"


@dataclass
class Network(Desk):
    """The office's service at an address, over a network with faults that are drawn; none are drawn without a seed."""

    address: str = ""
    drawn: random.Random | None = None
    faults: list[str] = field(default_factory=list)

    def ask(self, what: str, text: str) -> str:
        """Ask the service; the request or its answer may be lost, and a request may come twice."""
        https = Https(self.address, read_public(public_of(self.key)))
        fault = "" if self.drawn is None else self.drawn.choice(["", "", "lost", "unanswered", "doubled"])
        self.faults += [fault] if fault else []
        if fault == "lost":
            raise OSError("the request is lost")
        answer = https(what, text)
        if fault == "unanswered":
            raise OSError("the answer is lost")
        if fault == "doubled" and what == "exchange":
            with pytest.raises(StaleError):
                https(what, text)
        return answer


def exchange(*trucks: Truck) -> None:
    """Each truck once, as often as it takes to get through; what came is entered, and goes up again."""
    for each in trucks:
        for _ in range(60):
            try:
                each.sync()
            except OSError:
                continue
            break
        else:
            pytest.fail("never got through")
        follow_and_keep(each.folder, AT, Moved())


def settle(*trucks: Truck) -> None:
    for _ in range(3):
        exchange(*trucks)


def offer(network: Network, what: str, name: str, **said: object) -> None:
    standing = offered(network.register).one(what, name).get("office")  # type: ignore[arg-type]
    key = f"{what} {name} {json.dumps(said)}"
    write_offer(network.register, what, "office", standing, Shared(name=name, said=said), key)  # type: ignore[arg-type]


def site_at(truck: Truck, number: str) -> Site:
    with book_read(truck.folder) as book:
        found = site_of(book, number)
        assert found is not None
        return Site.of(found)


def edit(truck: Truck, number: str, **fields: object) -> None:
    with book_of(truck.folder) as book:
        standing = site_of(book, number)
        assert standing is not None
        said = Site.of(standing)
        own = Site(site_number=number, customer_number=said.customer_number, name=said.name, address=said.address,
                   note=said.note, why="seen")  # fmt: skip
        book.replace(standing, replace(own, **fields), AT)


def with_site(truck: Truck, customer: str = "Hill Farm", site: str = "North yard") -> None:
    with book_of(truck.folder) as book:
        number = Customer.of(new_customer(book, {"name": customer}, AT)).customer_number
        new_site(book, number, {"name": site, "address": ["1 Mill Lane"]}, AT)


def measured(truck: Truck, fill: str, cavity_l: float, u_l: float = 10.0, **facts: object) -> Record:
    said = {
        "measured_cavity_l": cavity_l, "measured_cavity_u_l": u_l, "cavity_low_l": SIZE.low_l,
        "cavity_high_l": SIZE.high_l, "customer": "Hill Farm", "machine": "Loader", "wheel": "Loader, rear left",
        "job": "J1", "tote": "",
    }  # fmt: skip
    with book_of(truck.folder) as book:
        return book.append("fill", fill, AT, posted_of(fill, number=int(fill[1:]), **(said | facts)))


def cavity_at(truck: Truck, name: str = NAME) -> tuple[float | None, float | None] | None:
    settings = truck.settings
    assert settings.rig.simulated
    found = with_measured(settings, name).wheels.get(name)
    return None if found is None else (found.cavity, found.cavity_u)


def person(network: Network, name: str, role: Role | None, pin: str = PIN) -> None:
    said: dict[str, object] = {"removed": True}
    if role is not None:
        said = {"role": role, "pin": People(Path()).entry(name, role, pin).pin}
    offer(network, "person", name, **said)


def roles(truck: Truck) -> dict[str, str]:
    return {each.name: each.role for each in People(truck.folder).all()}
