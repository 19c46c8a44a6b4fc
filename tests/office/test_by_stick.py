"""`rig office` as people use it without a network: every step by a file that somebody carries, both ways."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from offices import CONFIG, Run
from shop_books import fill_of, journal_with


def joined(run: Run, place: str, *truck: str) -> str:
    """A truck joins by a code and two files; returns its id."""
    code = str(run("office", "office", "enroll", *truck)["code"])
    run(place, "office", "join", code, "--file", "join")
    run("office", "office", "receive", "join")
    return str(run(place, "office", "join", code, "--file", "join.answer")["truck"])


def carried(run: Run, place: str) -> tuple[object, object]:
    """There and back; returns what was new at the office, and on the truck."""
    run(place, "office", "send", "--file", "send")
    new = run("office", "office", "receive", "send")["received"]
    return new, run(place, "office", "fetch", "--file", "send.answer")["fetched"]


def test_a_shop_by_a_stick(run: Run, tmp_path: Path) -> None:
    for place in ("truck1", "truck2"):
        journal_with(tmp_path / place / "rig-data", fill_of(place, 1))
    trucks = [joined(run, place) for place in ("truck1", "truck2")]
    assert run("truck1", "office", "status")["countersigned"] == 0
    run("truck1", "customer", "add", "--name", "Hill Farm")
    run("truck1", "teach", "tractor", "--from", "truck1")
    assert carried(run, "truck1") == (3, 2)
    assert run("truck1", "office", "status")["countersigned"] == 3
    # A file twice is nothing new, and no mistake.
    assert run("office", "office", "receive", "send")["received"] == 0

    run("office", "office", "offer", "prices", str(CONFIG / "prices.toml"), "--since", "2020-01-01")
    run("office", "office", "offer", "customer", "SHOP-1", "--phone", "555 0101")
    new = run("office", "office", "offer", "customer", "--called", "Dale Farm", "--city", "York")["name"]
    job = ("J9", "--to", trucks[1], "--customer", str(new), "--machine", "T7", "--wheel", "rear left=18.4-38")
    run("office", "office", "offer", "job", *job)
    assert carried(run, "truck2") == (1, 7)
    assert [each["name"] for each in run("truck2", "customer", "show")["list"]] == ["Hill Farm", "Dale Farm"]  # type: ignore[attr-defined]
    found = run("truck2", "job", "J9")
    assert (found["customer"], found["customer_number"], found["machine"]) == ("Dale Farm", "SHOP-2", "T7")
    assert run("truck2", "prices")["from_office"]
    assert run("truck2", "target", "--wheel", "tractor")["cavity_basis"] == "taught"
    # What was entered goes up again as the truck's own, and nothing comes back for it.
    assert carried(run, "truck2") == (5, 0)
    checked = run("office", "office", "verify")
    assert checked["sound"] is True
    assert [checked["signed"][truck] for truck in trucks] == [3, 6]  # type: ignore[index]


def test_sites_people_and_releases_by_a_stick(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    measured = {"measured_cavity_l": 340.0, "measured_cavity_u_l": 9.0, "cavity_low_l": 320.0, "cavity_high_l": 360.0}
    for place in ("truck1", "truck2"):
        journal_with(tmp_path / place / "rig-data", fill_of(place, 1, **measured if place == "truck1" else {}))
    truck = joined(run, "truck1")
    run("truck1", "job", "J1", "--customer", "Hill Farm", "--machine", "Loader")
    run("truck1", "site", "add", "--customer", "hill farm", "--name", "North yard", "--address", "1 Mill Lane")
    carried(run, "truck1")
    assert run("office", "office", "offer", "site", "SITE-1", "--note", "back gate")["name"] == "SITE-1"
    new = run("office", "office", "offer", "site", "--customer", "SHOP-1", "--called", "South yard")["name"]
    job = ("J9", "--to", truck, "--customer", "SHOP-1", "--site", "south  yard", "--day", "2026-12-02")
    run("office", "office", "offer", "job", *job)
    run("office", "office", "offer", "job", "J8", "--to", truck, "--customer", "SHOP-1", "--site", "behind the barn")
    for name, role in (("Kim", "supervisor"), ("Lee", "technician")):
        monkeypatch.setattr("sys.stdin", io.StringIO("271828\n"))
        run("office", "office", "offer", "person", name, "--role", role)
    wheel = tmp_path / "stick" / "ballast_rig-99.1-py3-none-any.whl"
    wheel.write_bytes(b"invented")
    said = ("--words", "quicker", "--minimum", "0.0.1", "--day", "2026-12-01")
    assert run("office", "office", "offer", "release", wheel.name, *said)["name"] == "99.1"
    shown = run("office", "office", "offered")["list"]
    assert "pin" not in json.dumps(shown)
    carried(run, "truck1")

    sites = {each["site_number"]: each for each in run("truck1", "site", "show")["list"]}  # type: ignore[attr-defined]
    assert (sites["1"]["note"], sites[new]["customer_number"]) == ("back gate", "1")
    found = run("truck1", "job", "J9")
    assert (found["site"], found["site_number"], found["day"]) == ("South yard", new, "2026-12-02")
    assert run("truck1", "job", "J8").get("site_number") is None
    assert run("truck1", "people", "list")["list"] == [
        {"name": "Kim", "role": "supervisor"}, {"name": "Lee", "role": "technician"},
    ]  # fmt: skip
    assert run("truck1", "check")["release"] == run("truck1", "office", "status")["release"] == "99.1"
    run("office", "office", "offer", "release", "99.1", "--remove")
    run("office", "office", "offer", "person", "kim", "--remove")
    carried(run, "truck1")
    assert run("truck1", "check")["release"] is None
    [waits] = run("truck1", "office", "status")["waiting"]  # type: ignore[misc]
    assert "Kim is removed by the office" in waits
    assert len(run("truck1", "people", "list")["list"]) == 2  # type: ignore[arg-type]
    joined(run, "truck2")
    carried(run, "truck2")
    wheel_name = "Hill Farm: Loader, rear left"
    found = run("truck2", "target", "--wheel", wheel_name)
    assert (found["cavity_basis"], found["cavity_l"], found["cavity_low_l"]) == ("measured", 340.0, 331.0)
    run("truck2", "target", "--wheel", "Hill Farm: Loader, rear right", status=2)


def test_a_lost_truck_by_a_stick(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "truck1" / "rig-data", fill_of("a", 1))
    truck = joined(run, "truck1")
    assert carried(run, "truck1") == (1, 0)
    run("truck1", "office", "send", "--file", "late")
    assert run("office", "office", "revoke", truck)["keys"] == 1
    run("office", "office", "receive", "late", status=3)
    assert not (tmp_path / "stick" / "late.answer").exists()
    assert joined(run, "truck2", truck) == truck
    assert carried(run, "truck2") == (0, 1)
    assert run("truck2", "ledger", "verify")["records"] == 1


def test_what_is_wrong_is_refused_in_words(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "truck1" / "rig-data", fill_of("a", 1))
    for words in (("status",), ("send", "--file", "x"), ("join",), ("join", "no code"), ("join", "A" * 20)):
        run("truck1", "office", *words, status=3)
    truck = joined(run, "truck1")
    carried(run, "truck1")
    code = str(run("office", "office", "enroll")["code"])
    assert run("office", "office", "revoke", code) == {"code": code}
    run("truck2", "office", "join", code, "--file", "again")
    run("office", "office", "receive", "again", status=3)
    # Exported lines have no signature: a truck with a key is not believed by them.
    run("truck1", "ledger", "export", "lines.jsonl")
    run("office", "office", "receive", "lines.jsonl", status=3)
    for words in (
        ("enroll", "nobody"), ("revoke", "nobody"), ("offer", "wheel"), ("offer", "prices"), ("offer", "customer"),
        ("offer", "customer", "SHOP-9", "--phone", "1"), ("offer", "job", "J"), ("receive", "nowhere"),
        ("offer", "job", "J", "--to", truck, "--customer", "SHOP-9"), ("offer", "site", "--customer", "SHOP-9"),
        ("offer", "site", "SITE-9", "--note", "x"), ("offer", "person"), ("offer", "person", "Kim"),
        ("offer", "person", "Kim", "--remove"), ("offer", "person", "Kim", "--role", "owner"),
        ("offer", "release"), ("offer", "release", "1.0"), ("offer", "release", "1.0", "--sha256", "ab"),
        ("offer", "release", "new", "--sha256", "ab" * 32), ("offer", "release", "1.0", "--remove"),
        ("offer", "release", "1.0", "--sha256", "ab" * 32, "--day", "soon"), ("offer", "release", "no.whl"),
    ):  # fmt: skip
        run("office", "office", *words, status=3)
    run("office", "office", "offer", "job", "J", "--to", truck, "--wheel", "left=no size", status=2)
    assert run("office", "office", "offered")["list"] == []
