"""Sites with numbers on two trucks: field by field, by each truck's own numbers, and on papers."""

from __future__ import annotations

from networks import (
    PRICES,
    Network,
    edit,
    settle,
    site_at,
    with_site,
)
from offices import AT
from shop_books import posted_of
from test_way_down import Truck

from rig.books.bill import job_bill
from rig.books.notes import keep_job
from rig.books.ticket import ticket_of
from rig.ledger.keeping import book_of, book_read
from rig.ledger.pricing import read_prices
from rig.office.merging import merged
from rig.office.sharing import offered
from rig.record.notes import Prices
from rig.shop.customers import new_customer
from rig.shop.sites import new_site


def test_a_site_is_its_customer_s_on_each_truck_by_that_truck_s_numbers(two: tuple[Truck, Truck]) -> None:
    a, b = two
    with book_of(b.folder) as book:
        new_customer(book, {"name": "Dale Farm"}, AT)
    with_site(a)
    settle(a, b)
    assert (site_at(a, "1").customer_number, site_at(b, "SITE-1").customer_number) == ("1", "SHOP-1")
    with book_read(b.folder) as book:
        # Its own customer 1 is another one.
        assert book.one("customer", "1") is not None
    assert site_at(b, "SITE-1").address == ("1 Mill Lane",)


def test_two_edit_one_site_field_by_field_and_no_word_is_lost(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    with_site(a)
    settle(a, b)
    edit(a, "1", name="Upper yard", note="dog")
    edit(b, "SITE-1", address=("2 Mill Lane",), note="gate")
    settle(a, b)
    for site in (site_at(a, "1"), site_at(b, "SITE-1")):
        assert (site.name, site.address, site.note) == ("Upper yard", ("2 Mill Lane",), "gate")
    [(_, standing)] = offered(network.register).each("site")
    assert [(each.field, each.value) for each in standing.others or ()] == [("note", "dog")]


def test_the_same_name_at_two_customers_is_two_sites(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    with_site(a)
    with_site(b, customer="Dale Farm")
    settle(a, b)
    sites = offered(network.register).each("site")
    assert [(each.name, each.said["customer_number"]) for _, each in sites] == [
        ("SITE-1", "SHOP-1"),
        ("SITE-2", "SHOP-2"),
    ]
    # And the same one entered on both trucks is one.
    with book_of(a.folder) as book:
        new_site(book, "SHOP-2", {"name": "north  yard", "note": "mud"}, AT)
    settle(a, b)
    assert len(offered(network.register).each("site")) == 2
    assert site_at(b, "1").note == "mud"


def test_a_job_names_a_site_and_papers_show_it_as_it_is_called_now(two: tuple[Truck, Truck]) -> None:
    a, b = two
    with_site(a)
    settle(a, b)
    with book_of(b.folder) as book:
        prices = read_prices(PRICES.read_text(encoding="utf-8"), "prices.toml")
        book.note("prices", AT, Prices(prices=prices.model_dump(mode="json")))
        job = keep_job(book, "J1", {"customer": "hill farm", "site": "north yard"}).document
        assert (job["site"], job["site_number"]) == ("North yard", "SITE-1")
        facts = {name: job[name] for name in ("customer", "customer_number", "site", "site_number")}
        record = book.append("fill", "f1", AT, posted_of("f1", job="J1", tote="", **facts))
    edit(a, "1", name="Upper yard")
    settle(a, b)
    with book_read(b.folder) as book:
        words = "Upper yard (No. SITE-1), 1 Mill Lane"
        assert job_bill(book, "J1").site == words
        assert ("site", words) in ticket_of(book, [record], None).facts
    # Another customer has no such yard: then it is a text.
    with book_of(b.folder) as book:
        job = keep_job(book, "J1", {"customer": "Dale Farm", "site": "north yard"}).document
        assert (job["site"], job.get("site_number")) == ("north yard", None)


def test_a_site_s_name_and_number_are_one_word() -> None:
    """Another text in place of a numbered site: the number does not stay beside it."""
    standing = {"site": "North yard", "site_number": "SITE-1", "machine": "Loader"}
    found, displaced = merged(standing, {"machine": "Loader"}, {"machine": "Loader", "site": "behind the barn"})
    assert found == {"site": "behind the barn", "machine": "Loader"}
    assert displaced == {"site": "North yard", "site_number": "SITE-1"}
