"""What the office offers reaches every truck: wheels, customers, jobs, prices; two edits of one thing meet a rule.

The rule (rig/office/merging.py): field by field, in the order of arrival; of two words on one field that did not know
of each other the later arrival stands, and the other is kept beside it until somebody who has seen both enters it
again.
"""

from __future__ import annotations

import itertools
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from offices import AT, Desk, chain_in, desk, truck
from shop_books import posted_of
from sqlalchemy import text
from test_transfer_faults import Killed, Steps, stepping

from rig.ledger.chain import Record
from rig.ledger.keeping import book_of, book_read
from rig.office.entering import entered_from_office
from rig.office.link import Link, copy_of_office
from rig.office.merging import merged
from rig.office.offers import Offers
from rig.office.sharing import offered, share, write_offer
from rig.record.notes import Customer, Job, Shared, Taught
from rig.run.settings import Settings, load_settings
from rig.shop.customers import customer_of, new_customer
from rig.shop.sites import new_site
from rig.shop.taught import with_taught

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"


@dataclass
class Truck:
    """A truck whose person works on its own book."""

    desk: Desk
    folder: Path
    link: Link

    @classmethod
    def of(cls, made: Desk, folder: Path, name: str) -> Truck:
        own = truck(folder, name, 1)
        return cls(made, own, made.enrol(own))

    def sync(self) -> int:
        """As the program does: exchange, enter, exchange; returns how many records that moved or made."""
        moved = self.desk.sync(self.folder, self.link)
        made = entered_from_office(self.folder, AT, simulated=True)
        if made:
            self.desk.sync(self.folder, self.link)
        return moved.sent + moved.came + len(made)

    def customer(self, number: str) -> Customer:
        with book_read(self.folder) as book:
            found = customer_of(book, number)
            assert found is not None
            return Customer.of(found)

    def edit(self, number: str, by: str, **fields: object) -> Record:
        """A person's correction: the facts as they stand, and what is new."""
        with book_of(self.folder) as book:
            standing = customer_of(book, number)
            assert standing is not None
            facts = {name: each for name, each in standing.document.items() if name in ("name", "phone", "city")}
            said = Customer.from_document({**facts, **fields, "customer_number": number, "by": by, "why": "told so"})
            return book.replace(standing, said, AT)

    def teach(self, wheel: str, took_l: float) -> Record:
        with book_of(self.folder) as book:
            said = Taught(wheel=wheel, size="16.9-28", took_l=took_l, valve_at=12.0, from_=1, fill_id=f"f{took_l}")
            return book.note("wheel", AT, said)

    def wheels(self) -> dict[str, float | None]:
        return {name: each.took for name, each in with_taught(self.settings).wheels.items()}

    @property
    def settings(self) -> Settings:
        found = load_settings(CONFIG)
        rig = found.rig.model_copy(update={"data": str(self.folder)})
        return found.model_copy(update={"rig": rig, "wheels": {}})


@pytest.fixture
def trucks(office: Desk, tmp_path: Path) -> list[Truck]:
    return [Truck.of(office, tmp_path, name) for name in "abc"]


def settle(trucks: list[Truck]) -> None:
    """Until nothing travels any more."""
    for _ in range(6):
        if not sum(each.sync() for each in trucks):
            return
    pytest.fail("it never ends")


def customers_at(made: Desk) -> dict[str, Shared]:
    return {offer.name: offer for _, offer in offered(made.register).each("customer")}


# --- wheels ---------------------------------------------------------------------------------------------------------


def test_a_wheel_taught_on_one_truck_is_offered_on_another_after_its_next_pull(trucks: list[Truck]) -> None:
    a, b, _ = trucks
    a.teach("front", 200.0)
    assert b.wheels() == {}
    a.sync()
    b.sync()
    assert b.wheels() == {"front": 200.0}
    b.teach("front", 205.0)
    assert (a.wheels(), b.wheels()) == ({"front": 200.0}, {"front": 205.0})
    b.sync()
    a.sync()
    assert a.wheels() == b.wheels() == {"front": 205.0}


def test_a_truck_s_own_later_wheel_stands_before_the_office_has_heard_of_it(trucks: list[Truck]) -> None:
    a, b, _ = trucks
    a.teach("front", 200.0)
    settle(trucks)
    b.teach("front", 210.0)
    a.teach("front", 220.0)
    b.sync()
    assert a.wheels() == {"front": 220.0}
    settle(trucks)
    # It arrived later: its word stands everywhere, the other one is in the office's chain.
    assert [each.wheels() for each in trucks] == [{"front": 220.0}] * 3


def test_a_void_wheel_is_offered_no_more(trucks: list[Truck]) -> None:
    a, b, _ = trucks
    taught = a.teach("front", 200.0)
    settle(trucks)
    with book_of(a.folder) as book:
        book.void(taught, AT, "wrong wheel")
    settle(trucks)
    assert (a.wheels(), b.wheels()) == ({}, {})


# --- customers ------------------------------------------------------------------------------------------------------


def test_a_customer_of_one_truck_is_known_to_all_under_the_office_s_number(trucks: list[Truck]) -> None:
    a, b, _ = trucks
    with book_of(a.folder) as book:
        new_customer(book, {"name": "Hill Farm", "phone": "555 0101"}, AT)
    settle(trucks)
    assert b.customer("SHOP-1").phone == "555 0101"
    assert a.customer("1").name == "Hill Farm"
    with book_read(a.folder) as book:
        assert customer_of(book, "SHOP-1") is None


def test_the_same_name_is_one_customer_unless_something_contradicts(trucks: list[Truck]) -> None:
    for each, facts in zip(trucks, ({"city": "York"}, {"phone": "555 0101"}, {"city": "Leeds"}), strict=True):
        with book_of(each.folder) as book:
            new_customer(book, {"name": "hill  farm" if each is trucks[1] else "Hill Farm", **facts}, AT)
    settle(trucks)
    found = customers_at(trucks[0].desk)
    assert {name: (offer.said.get("city"), len(offer.sources)) for name, offer in found.items()} == {
        "SHOP-1": ("York", 2),
        "SHOP-2": ("Leeds", 1),
    }
    assert (trucks[0].customer("1").phone, trucks[1].customer("1").city) == ("555 0101", "York")


def test_two_edit_different_fields_and_both_stand(trucks: list[Truck]) -> None:
    a, b, c = trucks
    with book_of(a.folder) as book:
        new_customer(book, {"name": "Hill Farm"}, AT)
    settle(trucks)
    a.edit("1", "Ann", phone="555 0101")
    b.edit("SHOP-1", "Bob", city="York")
    settle(trucks)
    for each, number in ((a, "1"), (b, "SHOP-1"), (c, "SHOP-1")):
        assert (each.customer(number).phone, each.customer(number).city) == ("555 0101", "York")
    assert customers_at(a.desk)["SHOP-1"].others is None


@pytest.mark.parametrize("first", [0, 1])
def test_two_edit_the_same_field_and_nobody_s_word_is_lost(trucks: list[Truck], first: int) -> None:
    a, b, c = trucks
    with book_of(a.folder) as book:
        new_customer(book, {"name": "Hill Farm", "phone": "555 0100"}, AT)
    settle(trucks)
    a.edit("1", "Ann", phone="555 0111")
    b.edit("SHOP-1", "Bob", phone="555 0222")
    order = [(a, "555 0111", "Ann"), (b, "555 0222", "Bob")]
    (early, lost, who), (late, kept, _) = order if first == 0 else order[::-1]
    early.sync()
    late.sync()
    settle(trucks)
    for each, number in ((a, "1"), (b, "SHOP-1"), (c, "SHOP-1")):
        assert each.customer(number).phone == kept
    [other] = customers_at(a.desk)["SHOP-1"].others or ()
    assert (other.field, other.value, other.by) == ("phone", lost, who)
    with copy_of_office(c.folder) as copy:
        [(_, seen)] = Offers.of(copy, ["office"]).each("customer")
        assert seen.others == (other,)
    # Whoever has seen both decides.
    c.edit("SHOP-1", "Cid", phone=lost)
    settle(trucks)
    assert {each.customer(number).phone for each, number in ((a, "1"), (b, "SHOP-1"), (c, "SHOP-1"))} == {lost}
    assert customers_at(a.desk)["SHOP-1"].others is None


def test_nothing_travels_in_circles(trucks: list[Truck]) -> None:
    with book_of(trucks[0].folder) as book:
        for number in range(5):
            new_customer(book, {"name": f"Farm {number}"}, AT)
    settle(trucks)
    before = {each.folder: len(chain_in(each.folder)) for each in trucks}
    office = len(trucks[0].desk.chain("office"))
    assert office == 5
    settle(trucks)
    assert {each.folder: len(chain_in(each.folder)) for each in trucks} == before
    assert len(trucks[0].desk.chain("office")) == office


def test_what_is_read_twice_changes_nothing(trucks: list[Truck]) -> None:
    """As after a kill before the mark of how far a chain was read: all is read again, in another state of things."""
    a, b, _ = trucks
    with book_of(a.folder) as book:
        new_customer(book, {"name": "Hill Farm", "phone": "555 0100"}, AT)
        new_customer(book, {"name": "Dale Farm"}, AT)
    a.teach("front", 200.0)
    settle(trucks)
    b.edit("SHOP-1", "Bob", phone="555 0222", city="York")
    b.teach("front", 205.0)
    settle(trucks)
    a.edit("1", "Ann", phone="555 0111")
    settle(trucks)
    register, before = a.desk.register, a.desk.chain("office")
    for each in trucks:
        with register._engine.begin() as db:
            db.execute(text("UPDATE shared SET serial = 0 WHERE chain = :chain"), {"chain": each.link.truck})
        share(register)
        assert a.desk.chain("office") == before
    settle(trucks)
    assert a.desk.chain("office") == before
    assert (a.customer("1").phone, a.wheels()) == ("555 0111", {"front": 205.0})


def test_an_office_of_an_old_backup_offers_anew_and_loses_no_truck(trucks: list[Truck], tmp_path: Path) -> None:
    """Its chains were at a record that the trucks have, and go on otherwise: the copies begin again."""
    a, b, _ = trucks
    a.teach("front", 200.0)
    settle(trucks)
    shutil.copytree(tmp_path, tmp_path / "backup", ignore=shutil.ignore_patterns("a", "b", "c", "backup"))
    a.teach("rear", 300.0)
    settle(trucks)
    b.teach("other", 100.0)
    with desk(f"sqlite:///{tmp_path / 'backup' / 'office.sqlite'}", tmp_path / "backup") as restored:
        again = [replace(b, desk=restored), replace(a, desk=restored)]
        settle(again)
        assert [each.wheels() for each in again] == [{"front": 200.0, "rear": 300.0, "other": 100.0}] * 2
        for each in again:
            assert restored.chain(each.link.truck) == chain_in(each.folder)
    assert (a.folder / "office.sqlite.before-1").exists()


# --- jobs and prices ------------------------------------------------------------------------------------------------


def job_for(made: Desk, *trucks: Truck, **said: object) -> None:
    for each in trucks:
        name = f"office for {each.link.truck}"
        write_offer(made.register, "job", name, None, Shared(name="J7", said=dict(said)), "given")


def job_at(each: Truck) -> Job | None:
    with book_read(each.folder) as book:
        found = book.one("job", "J7")
        return None if found is None else Job.of(found)


def test_a_job_of_the_day_reaches_its_truck_alone_and_comes_back_edited(trucks: list[Truck]) -> None:
    a, b, c = trucks
    with book_of(a.folder) as book:
        new_customer(book, {"name": "Hill Farm"}, AT)
    settle(trucks)
    job_for(a.desk, a, b, customer="Hill Farm", customer_number="SHOP-1", machine="T7")
    settle(trucks)
    assert job_at(c) is None
    assert [job_at(each).customer_number for each in (a, b)] == ["1", "SHOP-1"]  # type: ignore[union-attr]
    with book_of(a.folder) as book:
        standing = book.one("job", "J7")
        assert standing is not None
        said = {name: each for name, each in standing.document.items() if name not in ("from_office", "corrects")}
        book.replace(standing, Job.from_document({**said, "machine": "T9"}), AT)
    settle(trucks)
    found = job_at(b)
    assert found is not None
    assert (found.machine, found.customer_number) == ("T9", "SHOP-1")
    # The other truck's chain at the office does not come to this one.
    with copy_of_office(c.folder) as copy:
        assert set(copy.heads()) == {"office"}


def test_a_price_list_holds_from_its_day(trucks: list[Truck]) -> None:
    a = trucks[0]
    for day, currency in (("2026-10-01", "USD"), ("2026-11-01", "EUR"), ("2026-11-02", "GBP")):
        offer = Shared(name=day, said={"prices": {"currency": currency}})
        write_offer(a.desk.register, "prices", "office", None, offer, day)
    a.sync()
    with book_read(a.folder) as book:
        lists = [(each.document["prices"], each.document["first_day"]) for each in book.valid("prices")]
    # What is past is not entered; what is to come is, since there may be no network on its day.
    assert lists == [({"currency": "EUR"}, "2026-11-01"), ({"currency": "GBP"}, "2026-11-02")]
    assert not entered_from_office(a.folder, "2026-11-03T00:00:00.000+00:00")


# --- the rule -------------------------------------------------------------------------------------------------------

FIELDS = st.dictionaries(st.sampled_from("abc"), st.sampled_from([1, 2, 3]))


@given(FIELDS, FIELDS, FIELDS)
def test_the_rule_for_any_three(now: dict[str, int], base: dict[str, int], new: dict[str, int]) -> None:
    """Told again without the code: a field stands as the person left it if he touched it, else as it stood."""
    found, displaced = merged(now, base, new)
    for field in "abc":
        touched = base.get(field) != new.get(field)
        assert found.get(field) == (new if touched else now).get(field)
        lost = field in now and found.get(field) != now[field] and now[field] != base.get(field)
        assert (field in displaced) == lost
        assert displaced.get(field) == (now[field] if lost else None)


MEASURED: dict[str, object] = {
    "measured_cavity_l": 340.0, "measured_cavity_u_l": 9.0, "cavity_low_l": 320.0, "cavity_high_l": 360.0,
    "wheel": "Loader, rear left",
}  # fmt: skip

# --- killed ---------------------------------------------------------------------------------------------------------


@pytest.mark.full
def test_an_office_killed_while_it_reads_offers_each_thing_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in itertools.count(1):
        home, steps = tmp_path / str(number), Steps(number)
        url = f"sqlite:///{home / 'office.sqlite'}"
        with desk(url, home) as made:
            a = Truck.of(made, home, "a")
            a.teach("front", 200.0)
            with book_of(a.folder) as book:
                new_customer(book, {"name": "Hill Farm"}, AT)
                new_site(book, "1", {"name": "North yard"}, AT)
                first = book.append("fill", "f1", AT, posted_of("f1", **MEASURED))
                book.append("fill", "f2", AT, posted_of("f2", number=2, **MEASURED | {"wheel": "Loader, rear right"}))
                book.replace(first, first.document | {"why": "told afterwards", "by": "Ann"}, AT)
            killed = False
            try:
                with stepping(steps, monkeypatch):
                    a.sync()
            except Killed:
                killed = True
        with desk(url, home) as made:
            again = Truck(made, a.folder, a.link)
            settle([again])
            kinds = [each.kind for each in made.chain("office")]
            assert sorted(kinds) == ["shared cavity"] * 2 + ["shared customer", "shared site", "shared wheel"]
            assert made.chain("truck-a") == chain_in(a.folder)
        if not killed:
            break
    assert number > 15
