"""Provings that are declared void, and mistakes that several people undo at once."""

from __future__ import annotations

import contextlib
import json
import threading
from pathlib import Path

import pytest
from shop_books import TRUCK, proving_of
from test_undo import CONFIG, WHY, Run

from rig.books.notes import add_notes, keep_note
from rig.books.where import options_of
from rig.ledger.book import CorrectedError
from rig.ledger.journal import Journal
from rig.ledger.keeping import book_of, book_read
from rig.shop.posting import JOURNAL_NAME, book_to_write

# --- a proving ------------------------------------------------------------------------------------------------------


def proving(folder: Path, factor: float, at: str) -> None:
    document = proving_of(factor, u_delivery_percent=0.2)
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        journal.append_proving(at, "pulses at meter_count, 100 pulses per L", "Jo", document, accepted=True)
    with book_to_write(folder, TRUCK, simulated=True):
        pass


def test_a_void_proving_gives_the_factor_back_to_the_one_before(run: Run, data: Path, tmp_path: Path) -> None:
    demo = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    (data / "rig.toml").write_text(demo.replace('data = "rig-data"', 'data = "."'), encoding="utf-8")
    meter = json.loads(run("meter", "--json"))
    with contextlib.closing(Journal(data / JOURNAL_NAME)) as journal:
        for factor, at in ((0.9951, "2027-01-01T08:00:00.000+00:00"), (1.07, "2027-01-02T08:00:00.000+00:00")):
            journal.append_proving(at, meter["meter"], "Jo", proving_of(factor, u_delivery_percent=0.2), accepted=True)
    before = json.loads(run("meter", "--json"))
    assert before["factor"] == 1.07
    run("ledger", "post")
    rows = json.loads(run("ledger", "list", "--records", "--json"))
    wrong = str([row["serial"] for row in rows if row["kind"] == "proving"][-1])
    run("note", "void", wrong, "--why", "the can was not empty", "--by", "Sam")
    after = json.loads(run("meter", "--json"))
    assert after["factor"] == 0.9951
    assert after["calibration_events"] == before["calibration_events"] + 1
    assert "VOID: the can was not empty" in run("prove", "--history")
    assert "it is void" in run("note", "void", wrong, *WHY, status=3)
    run("note", "take-back", wrong, "--why", "it was empty after all")
    again = json.loads(run("meter", "--json"))
    assert (again["factor"], again["calibration_events"]) == (1.07, before["calibration_events"] + 2)
    assert "SOUND" in run("ledger", "verify")


def test_killed_between_journal_and_book_a_void_proving_is_void_in_both(data: Path) -> None:
    proving(data, 0.9951, "2026-11-01T08:00:00.000+00:00")
    with contextlib.closing(Journal(data / JOURNAL_NAME)) as journal:
        journal.void_proving(1, "2026-11-02T08:00:00.000+00:00", "Sam", "the can leaked")
        assert not journal.void_proving(1, "2026-11-02T08:00:01.000+00:00", "Sam", "again")
    with book_to_write(data, TRUCK, simulated=True) as book:
        assert not book.valid("proving")
    with book_to_write(data, TRUCK, simulated=True) as book:
        assert [each.kind for each in book.every()] == ["event", "proving", "event", "void"]


# --- at once --------------------------------------------------------------------------------------------------------


def charge_words(job: str) -> list[str]:
    return ["charge", f"--job={job}", "--item=core"]


def test_two_notes_in_one_millisecond_are_two_and_a_repeated_request_is_one(
    data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rig.books.notes.now", lambda: "2026-11-28T08:00:00.000+00:00")
    with book_of(data) as book:
        options = options_of(add_notes, "note", charge_words("J1"))
        for _ in range(2):
            keep_note(book, options)
            keep_note(book, options, "request-1")
        assert len(book.valid("charge")) == 3


def test_threads_that_note_and_correct_at_once_lose_and_double_nothing(data: Path) -> None:
    with book_of(data) as book:
        first = keep_note(book, options_of(add_notes, "note", charge_words("J1")))
    together, won, lost = threading.Barrier(6), [], []

    def work(number: int) -> None:
        with book_of(data) as book:
            together.wait()
            for turn in range(5):
                keep_note(book, options_of(add_notes, "note", charge_words("J2")), f"{number % 3}-{turn}")
                keep_note(book, options_of(add_notes, "note", charge_words("J3")))
            try:
                book.void(first, f"2026-11-28T08:00:00.00{number}+00:00", "twice")
                won.append(number)
            except CorrectedError:
                lost.append(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with book_read(data) as book:
        counts = {job: len(book.valid("charge", job=job)) for job in ("J1", "J2", "J3")}
        assert counts == {"J1": 0, "J2": 15, "J3": 30}
        assert not book.faults()
    assert (len(won), len(lost)) == (1, 5)
