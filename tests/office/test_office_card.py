"""What a truck's page says of its office: when they spoke, what waits, what is offered, where two words stand."""

from __future__ import annotations

from networks import PIN, Network, edit, exchange, measured, offer, person, settle, with_site
from test_way_down import Truck

from rig.ledger.keeping import book_of
from rig.office.link import LINK_NAME
from rig.panel.of_office import office_view, sites_view
from rig.panel.people import People


def test_the_card_of_a_truck(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    assert office_view(a.settings)["exchanged"] is None
    with_site(a)
    measured(a, "f1", 340.0)
    person(network, "Kim", "supervisor")
    offer(network, "release", "99.0", sha256="ab" * 32, day="2026-12-01")
    settle(a, b)
    edit(a, "1", note="dog")
    edit(b, "SITE-1", note="gate")
    exchange(a, b)
    person(network, "Kim", None)
    exchange(b)
    with book_of(b.folder) as book:
        book.append("event", "more", "2026-11-01T09:00:00.000+00:00", {"event": "test"})
    found = office_view(b.settings)
    assert found["exchanged"]
    assert found["waiting"] == 1
    assert found["offers"] == {"customer": 1, "site": 1, "release": 1, "cavity": 1}
    assert found["release"] == "a release is offered: 99.0 of 2026-12-01"
    assert found["others"] == [{"name": "North yard", "words": [{"field": "note", "value": "dog", "by": ""}]}]
    [waits] = found["waiting_words"]  # type: ignore[misc]
    assert "another supervisor" in waits
    assert PIN not in str(found)
    assert all(each.pin not in str(found) for each in People(b.folder).all())
    assert sites_view(b.settings) == [{"number": "SITE-1", "name": "North yard", "customer": "Hill Farm"}]


def test_a_truck_without_an_office_has_no_card(two: tuple[Truck, Truck]) -> None:
    a, _ = two
    (a.folder / LINK_NAME).unlink()
    assert office_view(a.settings) == {"joined": False}
