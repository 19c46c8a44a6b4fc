"""What one truck's sound fills measured of a wheel another truck goes by, until it is withdrawn."""

from __future__ import annotations

from pathlib import Path

import pytest
from networks import (
    NAME,
    SIZE,
    Network,
    cavity_at,
    measured,
    settle,
    with_site,
)
from offices import AT, desk
from shop_books import posted_of
from test_way_down import Truck

from rig.books.notes import keep_job
from rig.ledger.chain import Record
from rig.ledger.keeping import book_of
from rig.office.sharing import share
from rig.record.notes import Shared
from rig.run.assembly import Question
from rig.shop.before import foreknown


def test_what_one_truck_measured_another_goes_by(two: tuple[Truck, Truck]) -> None:
    a, b = two
    measured(a, "f1", SIZE.volume_l)
    assert cavity_at(b) is None
    settle(a, b)
    assert cavity_at(b) == (pytest.approx(SIZE.volume_l), 10.0)
    with book_of(b.folder) as book:
        keep_job(book, "J9", {"customer": "Hill Farm", "machine": "Loader"})
    known = foreknown(b.settings, Question("16.9-28"), "J9", "Rear  left")
    [note] = [each for each in known.cautions if "was measured" in each.text]
    assert f'--wheel "{NAME}"' in note.text
    assert (note.severity, known.measured) == ("note", NAME)
    # Nothing is applied by itself, and another place is another wheel.
    assert known.target.cavity.basis == "table"
    assert "was measured" not in str(foreknown(b.settings, Question("16.9-28"), "J9", "rear right").cautions)
    [other] = [
        each
        for each in foreknown(b.settings, Question("18.4-38"), "J9", "rear left").cautions
        if "16.9-28" in each.text
    ]
    assert "another tyre" in other.text


def test_a_void_fill_withdraws_it_and_the_one_before_stands_again(two: tuple[Truck, Truck]) -> None:
    a, b = two
    measured(a, "f1", SIZE.volume_l, 10.0)
    settle(a, b)
    better = measured(b, "f2", SIZE.volume_l + 2, 8.0)
    settle(a, b)
    assert cavity_at(a) == (pytest.approx(SIZE.volume_l + 2), 8.0)
    with book_of(b.folder) as book:
        void = book.void(better, AT, "another wheel")
    settle(a, b)
    assert cavity_at(a) == cavity_at(b) == (pytest.approx(SIZE.volume_l), 10.0)
    with book_of(a.folder) as book:
        first = book.one("fill", "f1")
        assert first is not None
        book.void(first, AT, "wrong")
    settle(a, b)
    assert (cavity_at(a), cavity_at(b)) == (None, None)
    with book_of(b.folder) as book:
        book.take_back(void, AT, "it was this one")
    settle(a, b)
    assert cavity_at(a) == (pytest.approx(SIZE.volume_l + 2), 8.0)


def test_a_corrected_fill_moves_to_its_wheel(two: tuple[Truck, Truck]) -> None:
    a, b = two
    record = measured(a, "f1", SIZE.volume_l)
    settle(a, b)
    with book_of(a.folder) as book:
        moved = record.document | {"position": "rear right", "wheel": "Loader, rear right", "why": "the other one"}
        book.replace(record, moved, AT)
    settle(a, b)
    assert cavity_at(b) is None
    assert cavity_at(b, "Hill Farm: Loader, rear right") is not None


@pytest.mark.parametrize(
    "facts",
    [
        {"outcome": "stopped"}, {"net_basis": "estimated"}, {"delivery": "not known"}, {"wheel": None},
        {"measured_cavity_l": 3 * SIZE.volume_l}, {"measured_cavity_l": None}, {"measured_cavity_u_l": 0.0},
        {"simulated": False},
    ],
)  # fmt: skip
def test_what_is_no_sound_measurement_is_none_here(two: tuple[Truck, Truck], facts: dict[str, object]) -> None:
    a, b = two
    measured(a, "f1", SIZE.volume_l, **facts)
    settle(a, b)
    assert cavity_at(b) is None


def test_of_two_measurements_the_surer_or_the_one_that_contradicts(two: tuple[Truck, Truck]) -> None:
    a, b = two
    measured(a, "f1", SIZE.volume_l - 6, 3.0)
    settle(a, b)
    measured(b, "f2", SIZE.volume_l, 8.0)
    settle(a, b)
    assert cavity_at(a) == (pytest.approx(SIZE.volume_l - 6), 3.0)
    # 12 L apart, of which the two together explain 5.8.
    measured(b, "f3", SIZE.volume_l + 6, 5.0)
    settle(a, b)
    assert cavity_at(a) == (pytest.approx(SIZE.volume_l + 6), 5.0)


def test_read_again_nothing_is_offered_twice(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    record = measured(a, "f1", SIZE.volume_l)
    measured(a, "f2", SIZE.volume_l, 9.0)
    settle(a, b)
    with book_of(a.folder) as book:
        book.void(record, AT, "no")
    with_site(a)
    settle(a, b)
    before = network.chain("office")
    for truck in (a, b):
        network.register.keep_mark(truck.link.truck, 0)
        with network.register._engine.begin() as db:
            db.exec_driver_sql("UPDATE shared SET serial = 0")
    share(network.register)
    assert network.chain("office") == before


def test_the_same_on_a_server(url: str, tmp_path: Path) -> None:
    with desk(url, tmp_path / "office") as made:
        a, b = (Truck.of(made, tmp_path, name) for name in "ab")
        record = measured(a, "f1", SIZE.volume_l)
        a.sync()
        b.sync()
        assert cavity_at(b) == (pytest.approx(SIZE.volume_l), 10.0)
        with book_of(a.folder) as book:
            book.void(record, AT, "wrong")
        a.sync()
        b.sync()
        assert cavity_at(b) is None
        assert [each.kind for each in made.chain("office")] == ["shared cavity", "void"]


def test_a_fill_from_before_records_stated_a_customer_is_read_as_well(two: tuple[Truck, Truck]) -> None:
    a, b = two
    with book_of(a.folder) as book:
        said = posted_of("f1", measured_cavity_l=355.0, measured_cavity_u_l=9.0, wheel="Loader, rear left")
        assert "customer" not in said
        book.append("fill", "f1", AT, said)
    settle(a, b)
    assert cavity_at(b, "Loader, rear left") == (355.0, 9.0)


def test_a_correction_that_leaves_no_machine_withdraws_it(two: tuple[Truck, Truck]) -> None:
    a, b = two
    record = measured(a, "f1", SIZE.volume_l)
    settle(a, b)
    with book_of(a.folder) as book:
        book.replace(record, record.document | {"machine": None, "wheel": None, "why": "not known"}, AT)
    settle(a, b)
    assert cavity_at(b) is None


def test_many_fills_at_once_are_offered_as_one_by_one(network: Network, tmp_path: Path) -> None:
    """Sixty of thirty wheels and a void in one exchange: of each wheel what counts more, none of the void one."""
    a = Truck.of(network, tmp_path, "a")
    wheels = [f"Loader {number % 30}, rear left" for number in range(60)]
    records = [measured(a, f"f{n + 1}", SIZE.volume_l, 10.0 - n / 60, wheel=wheel) for n, wheel in enumerate(wheels)]
    with book_of(a.folder) as book:
        book.void(records[59], AT, "wrong")
    settle(a)
    found = {each.name: each.said["fill_id"] for _, each in offers_of_cavities(network)}
    assert found == {f"Hill Farm: Loader {n}, rear left": f"f{n + 31}" if n < 29 else "f30" for n in range(30)}
    before = network.chain("office")
    network.register.keep_mark(a.link.truck, 0)
    with network.register._engine.begin() as db:
        db.exec_driver_sql("UPDATE shared SET serial = 0")
    share(network.register)
    assert network.chain("office") == before


def offers_of_cavities(network: Network) -> list[tuple[Record, Shared]]:
    return [(each, Shared.of(each)) for each in network.register.valid("shared cavity", truck="office")]
