"""What all trucks measured of a size comes down to each as other trucks' part of its chart, until it is withdrawn."""

from __future__ import annotations

from argparse import Namespace

import pytest
from networks import SIZE, Network, measured, settle
from offices import AT
from test_way_down import Truck

from rig.books.office_offers import offer
from rig.ledger.keeping import book_of, book_read
from rig.shop.chart import entries, learned_of

L = SIZE.volume_l


def offered(network: Network) -> int:
    """The office offers what it has of all trucks; returns how many records that wrote."""
    before = network.register.heads()["office"][0] if "office" in network.register.heads() else 0
    assert offer(Namespace(what="chart", name=None, by="Kim", json=True), network.register) == 0
    return network.register.heads()["office"][0] - before


def litres(truck: Truck) -> dict[str, list[float]]:
    """What counts of the size in a truck's book, by whether it is its own."""
    with book_read(truck.folder) as book:
        found = [each for each in entries(book, "16.9-28") if each.left_out is None]
    return {
        whose: sorted(round(each.measurement.litres - L, 1) for each in found if bool(each.truck) is (whose == "own"))
        for whose in ("own", "others")
    }


def test_each_truck_learns_from_all_and_counts_nothing_twice(network: Network, two: tuple[Truck, Truck]) -> None:
    a, b = two
    measured(a, "f1", L + 1, wheel="Loader, rear left")
    measured(b, "f2", L + 3, wheel="Loader, rear right")
    settle(a, b)
    offered(network)
    settle(a, b)
    assert litres(a) == {"own": [1.0], "others": [3.0]}
    assert litres(b) == {"own": [3.0], "others": [1.0]}
    with book_read(a.folder) as book:
        known = learned_of("16.9-28", entries(book, "16.9-28"))
    assert known is not None
    assert known.counted.startswith("2 wheels")
    # The same again is no record, at the office or at a truck.
    assert offered(network) == 0
    assert a.sync() == 0


def test_a_void_fill_is_withdrawn_everywhere(network: Network, two: tuple[Truck, Truck]) -> None:
    a, b = two
    first = measured(a, "f1", L + 1)
    settle(a, b)
    offered(network)
    settle(a, b)
    assert litres(b)["others"] == [1.0]
    with book_of(a.folder) as book:
        book.void(first, AT, "another wheel")
    settle(a, b)
    assert offered(network) == 1
    settle(a, b)
    assert litres(b)["others"] == []


def test_a_real_truck_takes_nothing_of_a_simulated_one(network: Network, two: tuple[Truck, Truck]) -> None:
    a, b = two
    measured(a, "f1", L + 1, simulated=False)
    measured(b, "f2", L + 3)
    settle(a, b)
    offered(network)
    settle(a, b)
    # Both trucks of these tests are simulated rigs: what the real one measured is none of theirs.
    assert litres(b) == {"own": [3.0], "others": []}
    assert litres(a)["others"] == [3.0]


@pytest.mark.parametrize("litres_off", [0.0, 2.0])
def test_what_a_person_left_out_stays_out(network: Network, two: tuple[Truck, Truck], litres_off: float) -> None:
    a, b = two
    measured(a, "f1", L + litres_off)
    settle(a, b)
    offered(network)
    settle(a, b)
    with book_of(b.folder) as book:
        standing = book.last("chart", "office 16.9-28")
        assert standing is not None
        book.void(standing, AT, "not ours")
    settle(a, b)
    assert litres(b)["others"] == []
