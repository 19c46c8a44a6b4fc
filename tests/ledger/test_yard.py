"""A yard tank that several trucks load from: the office adds up all of them, a truck says that it knows only its own.

Litres are sums by hand; everything on SQLite and on a real PostgreSQL.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from postgres import missing
from shop_books import fill_now, journal_with

from rig.cli import main
from rig.ledger.writing import WritableBook
from rig.shop.yard import YardTank, yard_tanks

CONFIG = Path(__file__).parents[2] / "config"
Run = Callable[..., dict[str, object]]
Tank = dict[str, object]


@pytest.fixture(params=["sqlite", "postgresql"])
def office_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'office.sqlite'}"
    if missing():
        pytest.skip(missing())
    return str(request.getfixturevalue("url"))


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], office_url: str) -> Run:
    """A command of truck 1 or 2: each has a tote A and the yard tank of both, its name written in two ways."""
    monkeypatch.setenv("RIG_OFFICE_URL", office_url)
    demo = (CONFIG / "demo.toml").read_text(encoding="utf-8")

    def run_one(truck: int, *words: str, status: int = 0) -> dict[str, object]:
        monkeypatch.chdir(tmp_path / f"truck{truck}")
        capsys.readouterr()
        assert main([*words, "--config", "rig.toml", "--json"]) == status
        out = capsys.readouterr().out
        found = json.loads(out) if out else {}
        assert isinstance(found, dict)
        return found

    for number, name in ((1, "Big tank"), (2, "big  tank")):
        folder = tmp_path / f"truck{number}"
        (folder / "rig-data").mkdir(parents=True)
        text = demo.replace('name = "Demo rig (simulated)"', f'name = "Truck {number}"')
        (folder / "rig.toml").write_text(text, encoding="utf-8")
        run_one(number, "stock", "tote", "--tote", "A", "--capacity", "1000 L")
        run_one(number, "stock", "tote", "--tote", name, "--capacity", "5000 L", "--yard")
    return run_one


def tank(run: Run, *words: str) -> Tank:
    """The one yard tank, as the office tells it after these words."""
    found = run(1, "office", "stock", *words)["yard_tanks"]
    assert isinstance(found, list)
    assert len(found) == 1
    return dict(found[0])


def own(run: Run, truck: int, name: str) -> Tank:
    """A yard tank as a truck's own book tells it."""
    totes = run(truck, "stock")["totes"]
    assert isinstance(totes, list)
    return next(dict(each) for each in totes if each["tote"] == name)


@pytest.mark.full
def test_what_all_trucks_took_and_anybody_brought_is_one_account(run: Run) -> None:
    run(1, "office", "send")
    # The delivery is booked at the office, a second one by truck 2.
    tank(run, "load", "--tote", "BIG TANK", "--volume", "3000 L", "--fluid", "beet", "--lot", "Y1")
    run(1, "stock", "load", "--tote", "A", "--from", "Big tank", "--volume", "400 L")
    run(2, "stock", "load", "--tote", "A", "--from", "big  tank", "--volume", "700 L")
    run(2, "stock", "load", "--tote", "big  tank", "--volume", "1000 L", "--fluid", "beet", "--lot", "Y2")
    run(1, "office", "send")
    assert tank(run)["left_l"] == 2600.0
    run(2, "office", "send")
    found = tank(run)
    assert (found["tote"], found["capacity_l"], found["left_l"]) == ("Big tank", 5000.0, 2900.0)
    assert (found["brought_l"], found["taken_l"]) == (4000.0, {"Truck 1": 400.0, "Truck 2": 700.0})
    assert (found["unexplained_l"], found["seen_at"]) == (None, None)
    # By the order of time 1900 L of Y1 were left when 1000 of Y2 came.
    assert found["lots"] == {"Y1": round(1900 / 2900, 3), "Y2": round(1000 / 2900, 3)}


@pytest.mark.full
def test_what_two_dips_differ_by_besides_is_unexplained(run: Run) -> None:
    run(1, "stock", "dip", "--tote", "Big tank", "--volume", "3000 L")
    run(2, "stock", "load", "--tote", "A", "--from", "big  tank", "--volume", "700 L")
    run(1, "stock", "load", "--tote", "A", "--from", "Big tank", "--volume", "400 L")
    for truck in (1, 2):
        run(truck, "office", "send")
    # 3000 - 1100 = 1900 by the books; the office's own dip finds 12 less.
    found = tank(run, "dip", "--tote", "big tank", "--volume", "1888 L")
    assert (found["left_l"], found["unexplained_l"]) == (1888.0, 12.0)
    run(2, "stock", "load", "--tote", "A", "--from", "big  tank", "--volume", "88 L")
    run(2, "office", "send")
    assert (tank(run)["left_l"], tank(run)["unexplained_l"]) == (1800.0, 12.0)
    assert tank(run, "--month", "2020-01")["taken_l"] == {}


@pytest.mark.full
def test_a_truck_says_that_it_knows_only_its_own(run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(1, "stock", "load", "--tote", "Big tank", "--volume", "3000 L", "--fluid", "beet", "--lot", "Y1")
    run(2, "stock", "load", "--tote", "A", "--from", "big  tank", "--volume", "700 L")
    assert (own(run, 1, "Big tank")["left_l"], own(run, 2, "big  tank")["left_l"]) == (3000.0, None)
    assert main(["stock", "--config", "rig.toml"]) == 0
    assert "by this truck's own loads since it keeps this book (never dipped)" in capsys.readouterr().out
    run(1, "office", "send")
    # Whoever sends hears what the office knows by then, once, and goes on from there.
    assert run(2, "office", "send")["yard_l"] == {"Big tank": 2300.0}
    assert run(2, "office", "send") == {"sent": 1}
    assert run(2, "office", "send") == {"sent": 0}
    assert (own(run, 2, "big  tank")["left_l"], own(run, 2, "big  tank")["seen_by"]) == (2300.0, "told by the office")
    run(2, "stock", "load", "--tote", "A", "--from", "big  tank", "--volume", "100 L")
    assert own(run, 2, "big  tank")["left_l"] == 2200.0
    assert main(["stock", "--config", "rig.toml"]) == 0
    assert "(told by the office); others' are added up at the office" in capsys.readouterr().out
    # What the office said is no dip: neither account takes it for one.
    assert run(2, "balance")["drop_l"] is None
    assert tank(run)["seen_at"] is None
    assert run(1, "office", "send")["yard_l"] == {"Big tank": 2300.0}
    assert run(1, "ledger", "verify")["sound"] is True


def test_a_tote_of_the_same_name_is_not_the_yard_tank(run: Run) -> None:
    """Truck 2 calls a tote of its own B; what it loads into it is nothing to the yard tank B of truck 1."""
    run(1, "stock", "tote", "--tote", "B", "--yard")
    run(1, "stock", "load", "--tote", "B", "--volume", "500 L")
    run(2, "stock", "tote", "--tote", "B")
    run(2, "stock", "load", "--tote", "B", "--volume", "90 L")
    for truck in (1, 2):
        run(truck, "office", "send")
    found = run(1, "office", "stock")["yard_tanks"]
    assert isinstance(found, list)
    assert {each["tote"]: each["left_l"] for each in found} == {"Big tank": None, "B": 500.0}


def test_a_pump_that_draws_from_the_yard_tank_counts_too(run: Run, tmp_path: Path) -> None:
    run(1, "stock", "load", "--tote", "Big tank", "--volume", "3000 L", "--fluid", "beet")
    run(1, "stock", "connect", "--tote", "Big tank")
    journal_with(tmp_path / "truck1" / "rig-data", fill_now("a", net_l=260.0, hose_change_l=1.0))
    run(1, "office", "send")
    assert tank(run)["left_l"] == 2739.0


@pytest.mark.full
@pytest.mark.parametrize(
    ("words", "advice"),
    [
        (("load", "--volume", "1 L"), "what of which yard tank"),
        (("connect", "--tote", "Big tank"), "what of which yard tank"),
        (("load", "--tote", "bog tank", "--volume", "1 L"), "did you mean 'Big tank'"),
        (("load", "--tote", "big tank", "--volume", "5001 L"), "takes 5000.0 L"),
    ],
)
def test_what_cannot_be_is_refused_at_the_office_too(
    run: Run, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], advice: str, office_url: str
) -> None:
    run(1, "office", "send")
    before = heads(office_url)
    assert main(["office", "stock", *words, "--config", "rig.toml"]) == 3
    assert advice in capsys.readouterr().err
    assert heads(office_url) == before


def heads(url: str) -> dict[str, tuple[int, str]]:
    with WritableBook(url, "office", collects=True) as office:
        return office.heads()


def test_the_office_can_begin_a_tank_that_no_truck_knows(run: Run, office_url: str) -> None:
    run(1, "office", "stock", "tote", "--tote", "Brine", "--capacity", "9000 L", "--fluid", "cacl2:20%")
    run(1, "office", "stock", "load", "--tote", "brine", "--volume", "100 L", "--reorder", "200 L")
    with WritableBook(office_url, "office", collects=True) as office:
        found: list[YardTank] = yard_tanks(office)
    assert [(each.tote.name, each.tote.content.left_l, each.tote.low) for each in found] == [("Brine", 100.0, True)]


def test_a_yard_tank_is_never_connected_by_a_mark_alone(run: Run) -> None:
    run(1, "stock", "load", "--tote", "Big tank", "--volume", "500 L", "--reorder", "900 L")
    assert own(run, 1, "Big tank")["connected"] is False
