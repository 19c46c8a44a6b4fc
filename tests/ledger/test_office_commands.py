"""`rig office` as its user runs it, against a real PostgreSQL: two trucks send, the office bills across them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from postgres import missing
from shop_books import fill_of, journal_with

from rig.cli import main
from rig.ledger.keeping import book_of

pytestmark = pytest.mark.skipif(bool(missing()), reason=missing() or "there is a server")
CONFIG = Path(__file__).parents[2] / "config"
Run = Callable[..., dict[str, object]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], url: str) -> Run:
    """A command of truck 1 or 2, each in a folder of its own."""
    monkeypatch.setenv("RIG_OFFICE_URL", url)
    demo = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    for number in (1, 2):
        folder = tmp_path / f"truck{number}"
        (folder / "rig-data").mkdir(parents=True)
        text = demo.replace('name = "Demo rig (simulated)"', f'name = "Truck {number}"')
        assert text != demo
        (folder / "rig.toml").write_text(text, encoding="utf-8")

    def run_one(truck: int, *words: str, status: int = 0) -> dict[str, object]:
        monkeypatch.chdir(tmp_path / f"truck{truck}")
        assert main([*words, "--config", "rig.toml", "--json"]) == status
        out = capsys.readouterr().out
        found = json.loads(out) if out else {}
        assert isinstance(found, dict)
        return found

    return run_one


def work(run: Run, tmp_path: Path, truck: int, *fills: str) -> None:
    """Fills of one customer by one truck, at the invented prices."""
    job = f"J{truck}"
    journal_with(tmp_path / f"truck{truck}" / "rig-data", *(fill_of(each, n, job=job) for n, each in enumerate(fills)))
    run(truck, "prices", str(CONFIG / "prices.toml"))
    run(truck, "job", job, "--customer", "Hill Farm", "--machine", "T7")


def test_two_trucks_one_bill(run: Run, tmp_path: Path) -> None:
    work(run, tmp_path, 1, "a")
    work(run, tmp_path, 2, "b", "c")
    assert [run(1, "office", "send")["sent"]] == list(run(1, "office", "verify")["heads"].values())  # type: ignore[attr-defined]
    assert run(1, "office", "send") == {"sent": 0}
    # Truck 2 has no network: its file is carried to the office.
    run(2, "ledger", "export", "out.jsonl")
    run(1, "office", "receive", str(tmp_path / "truck2" / "out.jsonl"))
    assert run(2, "office", "send") == {"sent": 1}, "what the rig is called"
    assert run(2, "office", "send") == {"sent": 0}
    found = run(1, "office", "verify")
    assert found["sound"] is True
    assert len(found["heads"]) == 2  # type: ignore[arg-type]
    bill = run(1, "office", "bill", "Hill Farm", "--month", "2026-11")
    # By hand: three wheels of 69.0 gal at 3.95 are 3 x 272.55, tax of 8.25 % on 817.65 is 67.46 (67.456); two jobs with
    # travel of 75.00. Each truck gave the customer its first number.
    assert (bill["fills"], bill["jobs"], bill["net"], bill["total"]) == (3, 2, "967.65", "1035.11")
    assert run(1, "office", "bill", "1", "--month", "2026-11") == bill
    run(1, "customer", "correct", "1", "--name", "Hill Farm Ltd", "--why", "now a company")
    run(1, "office", "send")
    # Under the new name on one truck and the old one on the other the number means two; the old name means both.
    assert run(1, "office", "bill", "1", "--month", "2026-11", status=3) == {}
    again = run(1, "office", "bill", "hill farm", "--month", "2026-11")
    assert (again["fills"], again["total"]) == (3, "1035.11")
    assert run(1, "office", "bill", "Hill Farm", "--month", "2026-12", status=3) == {}
    assert run(1, "office", "bill", "Hill Farm", status=3) == {}
    assert "Scan" in str(run(1, "office", "bill", "Hill Farm", "--month", "2026-11", "--plan")["plan"])


def test_a_truck_that_lost_its_book_fetches_it(run: Run, tmp_path: Path) -> None:
    work(run, tmp_path, 1, "a")
    sent = run(1, "office", "send")["sent"]
    assert isinstance(sent, int)
    shutil.rmtree(tmp_path / "truck1" / "rig-data")
    (tmp_path / "truck1" / "rig-data").mkdir()
    assert run(1, "office", "fetch") == {"fetched": sent}
    assert run(1, "ledger", "verify")["records"] == sent
    assert run(1, "bill", "J1")["total"] == "370.04"


def test_a_truck_is_enrolled_and_revoked(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], url: str
) -> None:
    work(run, tmp_path, 1, "a")
    work(run, tmp_path, 2, "b")
    sent = run(2, "office", "send")["sent"]
    with book_of(tmp_path / "truck1" / "rig-data") as book:
        truck = book.truck
    address = str(run(1, "office", "enroll", truck, "--login")["url"])
    monkeypatch.setenv("RIG_OFFICE_URL", address)
    own = run(1, "office", "send")["sent"]
    # What only the owner may see is refused in words, not answered with a part of it.
    for action in ("verify", "stock", "stock load --tote T --volume 1L", "bill Hill --month 2026-11", "receive x.jsonl",
                   f"enroll {truck}", f"revoke {truck}"):  # fmt: skip
        assert main(["office", *action.split(), "--config", "rig.toml"]) == 3
        assert "this needs the login of the owner" in capsys.readouterr().err
    # The other truck with this one's address: which one it is, and what the owner has to do.
    with book_of(tmp_path / "truck2" / "rig-data") as book:
        other = book.truck
    monkeypatch.chdir(tmp_path / "truck2")
    assert main(["office", "send", "--config", "rig.toml"]) == 3
    assert f"is that of {truck}, this truck is {other}" in capsys.readouterr().err
    shutil.rmtree(tmp_path / "truck1" / "rig-data")
    (tmp_path / "truck1" / "rig-data").mkdir()
    assert run(1, "office", "fetch") == {"fetched": own}
    owner = ("--url", url)
    found = run(1, "office", "verify", *owner)
    assert (found["heads"], found["logins"]) == ({truck: own, other: sent}, {truck: True})
    assert run(1, "office", "revoke", truck, *owner) == {"truck": truck, "login": truck, "keys": 0}
    assert main(["office", "verify", "--config", "rig.toml", *owner]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert {line.split(", ")[-1] for line in lines[1:]} == {"its login is ended", "no login of its own"}
    assert run(1, "office", "send", status=3) == {}
    assert run(1, "office", "revoke", "nobody", *owner, status=3) == {}
    assert run(1, "office", "enroll", "--login", *owner, status=3) == {}


def test_an_office_that_is_not_there_is_told(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    nowhere = "postgresql+psycopg://nobody@/none?host=/nowhere"
    assert run(1, "office", "send", "--url", nowhere, status=3) == {}
    assert run(1, "office", "verify", "--url", "no address", status=3) == {}


def test_without_an_address_nothing_is_sent(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RIG_OFFICE_URL")
    assert run(1, "office", "send", status=3) == {}
