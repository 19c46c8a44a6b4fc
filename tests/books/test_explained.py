"""A sentence a day on what is missing in each tote: its words and figures, on a truck and at the office."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from shop_books import fill_of, journal_with

from rig.cli import main
from rig.ledger.keeping import book_of
from rig.ledger.writing import WritableBook
from rig.office.direct import send
from rig.record.notes import Dip, Load, ToteFacts
from rig.run.clock_memory import utc_now
from rig.shop.posting import keep_name

Run = Callable[..., str]
NOW = datetime.fromisoformat(utc_now())


def at(days_ago: float) -> str:
    return (NOW - timedelta(days=days_ago)).isoformat(timespec="milliseconds")


def dips(folder: Path, tote: str, litres: list[float], u_l: float | None = 1.0, yard: bool | None = None) -> None:
    """One dip a day, the last an hour ago."""
    with book_of(folder) as book:
        facts = ToteFacts(tote=tote, capacity_l=1000.0, yard=yard)
        book.put("tote", f"tote {tote}", at(len(litres)), facts, book.one("tote", f"tote {tote}"))
        for number, found in enumerate(litres):
            book.note("dip", at(len(litres) - 1 - number + 1 / 24), Dip(tote=tote, tote_l=found, tote_u_l=u_l))


def sentences(run: Run, *words: str) -> dict[str, dict[str, object]]:
    return {each["tote"]: each for each in json.loads(run(*words, "--json"))["totes"]}


LEAKS = [800.0 - 3.0 * day + (day * 5 % 7 - 3) / 6 for day in range(15)]
SOUND = [500.0 + (day * 5 % 7 - 3) / 6 for day in range(15)]


def test_a_leak_is_a_sentence_with_its_evidence(run: Run, data: Path) -> None:
    dips(data, "A", LEAKS)
    dips(data, "B", SOUND)
    lines = run("stock", "explain").splitlines()
    [first] = [line for line in lines if line.startswith("tote A")]
    assert first.startswith("tote A: 42.0 L (11.1 gal) missing after 15 dips in 14 days: it leaks 3.0 L (0.8 gal) ± 0.")
    assert "(by chance alone it would look so less than once in 1000 years)" in first
    [sound] = [line for line in lines if line.startswith("tote B")]
    assert "no more than dips and bookings are uncertain by" in sound
    found = sentences(run, "stock", "explain")
    assert {"readings": 15, "findings": []}.items() <= found["B"].items()
    assert sentences(run, "stock", "explain", "--tote", "a") == {"A": found["A"]}
    assert "no tote 'C'" in run("stock", "explain", "--tote", "C", status=3)
    [[leak]] = [each["causes"] for each in found["A"]["findings"]]  # type: ignore[attr-defined]
    assert (leak["cause"], leak["size_l_per_day"]) == ("leak", pytest.approx(3.0, abs=leak["u_l_per_day"]))
    assert leak["probability"] > 0.95


def test_what_dips_cannot_show_is_an_either_or_with_advice(run: Run, data: Path) -> None:
    dips(data, "A", [*SOUND, 440.0])
    text = run("stock", "explain")
    assert "either " in text
    assert "left it without a booking, between " in text
    assert "a reading is 60.0 L (" in text
    assert "too low, on " in text
    assert "to tell which, read it again" in text


def test_once_dipped_and_never_dipped_totes_say_so(run: Run, data: Path) -> None:
    dips(data, "A", [500.0])
    dips(data, "B", [])
    text = run("stock", "explain")
    assert "tote A: dipped once, on " in text
    assert "tote B: not dipped in this time, so nothing can be said" in text
    assert sentences(run, "stock", "explain")["B"]["readings"] == 0


def test_an_earlier_day_is_told_as_it_was_then(run: Run, data: Path) -> None:
    dips(data, "A", [*SOUND, 440.0])
    last, before = (
        datetime.fromisoformat(at(ago + 1 / 24)).replace(tzinfo=UTC).astimezone().date().isoformat() for ago in (0, 1)
    )
    assert sentences(run, "stock", "explain", "--date", before)["A"]["findings"] == []
    assert sentences(run, "stock", "explain", "--date", last, "--days", "3")["A"]["readings"] == 3


def test_a_fill_s_own_meter_is_what_passed(run: Run, data: Path) -> None:
    """200 L counted where 210 left, four times on other days: 5 % too little, and no leak in the days between."""
    dips(data, "", [])
    left_l = 950.0
    for day in range(20, 0, -1):
        with book_of(data) as book:
            book.note("dip", at(day), Dip(tote_l=left_l, tote_u_l=1.0))
        if day % 5 == 0:
            began, counted_l = at(day - 0.2), 100.0 + 10 * day
            journal_with(
                data, fill_of(f"f{day}", net_l=counted_l, net_u_l=0.4, tote="", started_at=began, ended_at=began)
            )
            left_l -= 1.05 * counted_l
    found = sentences(run, "stock", "explain")[""]
    causes = {each["cause"]: each for one in found["findings"] for each in one["causes"]}  # type: ignore[attr-defined]
    assert causes["meter"]["size_percent"] == pytest.approx(5.0, abs=causes["meter"]["u_percent"])
    assert "leak" not in causes
    assert "the meter counts" in str(found["sentence"])


def test_how_well_a_volume_is_known_is_said_with_it(run: Run, data: Path) -> None:
    run("stock", "dip", "--volume", "500 L", "--within", "2 L")
    run("stock", "load", "--volume", "100 L", "--within", "0.5 gal")
    run("stock", "dip", "--volume", "600 L")
    with book_of(data) as book:
        assert [Dip.of(each).tote_u_l for each in book.valid("dip")] == [2.0, None]
        assert [Load.of(each).loaded_u_l for each in book.valid("load")] == [pytest.approx(1.893)]
    assert "not negative" in run("stock", "dip", "--volume", "600 L", "--within", "-2 L", status=3)
    assert "no reading is exact" in run("stock", "dip", "--volume", "600 L", "--within", "0 L", status=3)
    with book_of(data) as book:
        wrong = book.valid("dip")[0].serial
    run("note", "correct", str(wrong), "--within", "3 L", "--why", "read in the dark")
    with book_of(data) as book:
        assert {Dip.of(each).tote_u_l for each in book.valid("dip")} == {3.0, None}


def test_days_that_cannot_be_are_refused(run: Run) -> None:
    assert "write a number from 1 to 400" in run("stock", "explain", "--days", "0", status=3)


def test_without_the_extra_it_says_what_to_install(data: Path) -> None:
    journal_with(data)
    code = "import sys; sys.modules['scipy'] = None; from rig.cli import main; sys.exit(main(['stock', 'explain']))"
    ran = subprocess.run([sys.executable, "-c", code], cwd=data.parent, capture_output=True, text=True, check=False)
    assert ran.returncode == 3
    assert "ballast-rig[fit]" in ran.stderr


def test_the_office_has_every_truck_s_totes_and_the_yard_tanks_of_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    url = f"sqlite:///{tmp_path / 'office.sqlite'}"
    monkeypatch.setenv("RIG_OFFICE_URL", url)
    monkeypatch.chdir(tmp_path)
    for truck, litres in (("Truck 1", LEAKS), ("Truck 2", SOUND)):
        folder = tmp_path / truck
        folder.mkdir()
        journal_with(folder)
        dips(folder, "A", litres)
        dips(folder, "Big tank", LEAKS if truck == "Truck 1" else [], yard=True)
        with book_of(folder) as book, WritableBook(url) as office:
            keep_name(book, truck, utc_now())
            send(book, office)
    assert main(["office", "stock", "explain"]) == 0
    text = capsys.readouterr().out
    assert [line.split(":")[0] for line in text.splitlines()] == [
        "yard tank Big tank", "tote A of Truck 1", "tote A of Truck 2",
    ]  # fmt: skip
    assert text.count("it leaks 3.0 L (0.8 gal) ± ") == 2
    with WritableBook(url) as office:
        assert len(office.valid("dip", truck=tuple(office.heads()))) == 45


def test_a_truck_leaves_a_tank_of_the_office_s_to_the_office(run: Run, data: Path) -> None:
    dips(data, "yard", LEAKS, yard=True)
    assert "yard" in sentences(run, "stock", "explain")
    with book_of(data) as book:
        book.note("yard", utc_now(), Dip(tote="yard", tote_l=700.0))
    assert "yard" not in sentences(run, "stock", "explain")
