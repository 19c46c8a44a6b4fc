"""From the journal to the book: each once, in order, whatever is killed in between."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from shop_books import AT, TRUCK, about_of, fill_of, journal_only, journal_with
from virtual_fills import rig_settings

from rig.books.asked import fill_asked
from rig.books.looks import Looks
from rig.books.paper import as_text
from rig.books.tag import tag_words
from rig.books.ticket import ticket_of
from rig.books.undo import correct
from rig.cli import main
from rig.ledger import BOOK_NAME
from rig.ledger.journal import Journal, JournalReader
from rig.ledger.keeping import book_read
from rig.shop.filled import Filled
from rig.shop.posting import JOURNAL_NAME, KEPT_TRACES, begun, book_to_write, not_to_be_filled, number_of, posted
from rig.shop.totes import movements


def book(folder: Path) -> list[tuple[int, str, str]]:
    with book_to_write(folder, TRUCK, simulated=True) as found:
        assert found.faults() == []
        return [(record.serial, record.kind, record.key) for record in found.every()]


def test_what_was_closed_is_posted_once(tmp_path: Path) -> None:
    journal_with(tmp_path, fill_of("a"), fill_of("b", 10))
    assert book(tmp_path) == [(1, "fill", "a"), (2, "fill", "b")]
    journal_with(tmp_path, fill_of("can", 20, valve=None))
    assert book(tmp_path) == book(tmp_path) == [(1, "fill", "a"), (2, "fill", "b"), (3, "vessel", "can")]


def test_an_unfinished_fill_is_not_posted(tmp_path: Path) -> None:
    with contextlib.closing(Journal(tmp_path / JOURNAL_NAME)) as journal:
        journal.open_fill("a", "2026-01-01", {}, "{}", "{}")
    assert book(tmp_path) == []


def test_provings_and_events_are_posted_too(tmp_path: Path) -> None:
    with contextlib.closing(Journal(tmp_path / JOURNAL_NAME)) as journal:
        journal.append_event("configuration", "2026-01-01T00:00:00.000+00:00", "Jo", {"changed": {}})
        journal.append_proving("2026-01-02T00:00:00.000+00:00", "pulses", "Jo", {"factor": 1.002}, accepted=True)
    found = book(tmp_path)
    assert [(serial, kind) for serial, kind, _ in found] == [(1, "event"), (2, "event"), (3, "proving")]
    assert book(tmp_path) == found


def test_the_totaliser_only_grows(tmp_path: Path) -> None:
    journal_with(tmp_path, fill_of("a", forward_l=10.0004), fill_of("b", 10, forward_l=5.5))
    with book_to_write(tmp_path, TRUCK, simulated=True) as found:
        ends = [(r.document["totaliser_start_ml"], r.document["totaliser_end_ml"]) for r in found.valid("fill")]
    assert ends == [(0, 10000), (10000, 15500)]
    journal_with(tmp_path, fill_of("c", 20, forward_l=1.0))
    with book_to_write(tmp_path, TRUCK, simulated=True) as found:
        assert found.valid("fill")[-1].document["totaliser_end_ml"] == 16500


def test_killed_while_posting_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    journal_only(tmp_path, *(fill_of(f"f{n}") for n in range(30)))
    script = (
        "import sys, os, signal; from pathlib import Path\n"
        "from rig.ledger import writing as b; from rig.shop.posting import book_to_write\n"
        "whole, seen = b.seal, []\n"
        "def seal(*fields):\n"
        "    seen.append(1)\n"
        "    os.kill(os.getpid(), signal.SIGKILL) if len(seen) == 17 else None\n"
        "    return whole(*fields)\n"
        "b.seal = seal\n"
        f"with book_to_write(Path(sys.argv[1]), {TRUCK!r}, simulated=True): pass\n"
    )
    died = subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False)
    assert died.returncode == -signal.SIGKILL
    found = book(tmp_path)
    assert [serial for serial, _, _ in found] == list(range(1, 31))
    assert {key for _, _, key in found} == {f"f{n}" for n in range(30)}


def test_a_fill_is_refused_behind_an_unsound_book(tmp_path: Path) -> None:
    journal_with(tmp_path, fill_of("a"))
    book(tmp_path)
    assert not_to_be_filled(tmp_path) is None
    os.truncate(tmp_path / BOOK_NAME, 4096)
    assert "unsound" in str(not_to_be_filled(tmp_path))


# --- the command ----------------------------------------------------------------------------------------------------


def ledger(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, object]]:
    status = main(["ledger", *words, "--json"])
    out = capsys.readouterr().out
    found = json.loads(out) if out else {}
    assert isinstance(found, dict)
    return status, found


def test_verify_export_backup_restore(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    data = tmp_path / "rig-data"
    data.mkdir()
    journal_with(data, fill_of("a"), fill_of("b", 10))
    status, found = ledger(capsys, "verify")
    assert (status, found["sound"], found["records"]) == (0, True, 2)
    assert ledger(capsys, "export", "out.jsonl")[1]["records"] == 2
    assert ledger(capsys, "backup", "copy.sqlite")[1]["records"] == 2
    whole = (data / BOOK_NAME).read_bytes()
    (data / BOOK_NAME).write_bytes(whole.replace(b'"net_l":261.2', b'"net_l":961.2'))
    status, found = ledger(capsys, "verify")
    assert (status, found["sound"]) == (3, False)
    faults = found["faults"]
    assert isinstance(faults, list)
    assert faults[0]["serial"] == 1
    assert "changed" in faults[0]["text"]
    status, restored = ledger(capsys, "restore", "copy.sqlite")
    assert (status, restored["serial"], restored["file"]) == (0, 3, "copy.sqlite")
    assert ledger(capsys, "verify")[0] == 0


def test_a_sound_book_is_not_replaced_by_another_one_s_backup(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    data = tmp_path / "rig-data"
    data.mkdir()
    journal_with(data, fill_of("x"), fill_of("y", 10), fill_of("z", 20))
    ledger(capsys, "verify")
    ledger(capsys, "backup", "other.sqlite")
    shutil.rmtree(data)
    data.mkdir()
    journal_with(data, fill_of("a"), fill_of("b", 10))
    ledger(capsys, "verify")
    before = (data / BOOK_NAME).read_bytes()
    assert main(["ledger", "restore", "other.sqlite"]) == 3
    assert "is sound and holds record 2" in capsys.readouterr().err
    assert (data / BOOK_NAME).read_bytes() == before


def test_a_ledger_that_is_not_there_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert ledger(capsys, "verify") == (3, {})
    assert not (tmp_path / "rig-data").exists()


def test_what_was_drawn_out_and_rinsed_is_posted_under_its_own_kind(tmp_path: Path) -> None:
    drawn = fill_of("out", 10, kind="return", net_l=-90.0, recovered_l=90.0, to="tote")
    rinse = fill_of("rinse", 20, kind="rinse", valve=None, net_l=8.0)
    divert = fill_of("divert", 30, kind="divert", valve=None, net_l=8.0)
    journal_with(tmp_path, fill_of("in"), drawn, rinse, divert)
    assert [kind for _, kind, _ in book(tmp_path)] == ["fill", "return", "rinse", "rinse"]
    with book_to_write(tmp_path, TRUCK, simulated=True) as found:
        moves = {(each.move, each.litres) for each in movements(found) if each.litres}
        ends = [record.document["totaliser_start_ml"] for record in found.every()]
    # Rinse water is not of the tote, what is diverted after it is.
    assert moves == {("ticket", 261.2), ("return", 90.0), ("rinse", 8.0)}
    assert ends == [0, 263500, 527000, 790500]


def test_a_fill_has_one_number_wherever_it_is_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was #1 in History, No. 4 on the ticket and No. 5 on the page."""
    monkeypatch.chdir(tmp_path)
    with book_to_write(tmp_path / "rig-data", TRUCK, simulated=True) as found:
        for number in range(3):
            found.note("load", f"2026-11-20T07:0{number}:00.000+00:00", {"tote": "", "loaded_l": 9.0})
    journal_with(tmp_path / "rig-data", fill_of("a"), fill_of("b", 10))
    with book_read(tmp_path / "rig-data") as found:
        record = fill_asked(found, "2")
        assert (record.key, record.serial, number_of(record)) == ("b", 5, "2")
        assert "Truck 1 No. 2" in tag_words(Filled(record), Looks())
        assert "No. 2" in as_text(ticket_of(found, [record], None), 64)
    with book_to_write(tmp_path / "rig-data", TRUCK, simulated=True) as written:
        correct(written, record, {"position": "front left"}, "mixed up")
        assert number_of(fill_asked(written, "b")) == "2-1"
        assert fill_asked(written, "2-1") == fill_asked(written, "2") == fill_asked(written, "b")


def test_a_journal_that_was_lost_gives_no_number_twice(tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"), fill_of("b", 10))
    for name in ("", "-wal", "-shm"):
        (tmp_path / "rig-data" / f"{JOURNAL_NAME}{name}").unlink(missing_ok=True)
    settings = rig_settings(rig__data=str(tmp_path / "rig-data"))
    with contextlib.closing(Journal(tmp_path / "rig-data" / JOURNAL_NAME)) as journal:
        assert begun(settings, journal) == 2
        assert journal.open_fill("c", AT.format(minute=20), {}, "{}", "{}") == 3
        assert begun(settings, journal) == 2


def test_the_traces_of_old_fills_are_pruned_and_their_records_stay(tmp_path: Path) -> None:
    with contextlib.closing(Journal(tmp_path / JOURNAL_NAME)) as journal:
        for number in range(KEPT_TRACES + 2):
            fill = fill_of(f"f{number}", number % 50)
            journal.open_fill(f"f{number}", str(fill["started_at"]), about_of(fill), "{}", "{}")
            journal.append(f"f{number}", str(fill["started_at"]), [("progress", {}), ("prompt", {})], "{}")
            journal.close_fill(f"f{number}", fill, {})
    with book_to_write(tmp_path, TRUCK, simulated=True) as found:
        assert len(found.valid("fill")) == KEPT_TRACES + 2
    with contextlib.closing(Journal(tmp_path / JOURNAL_NAME)) as journal:
        # Whoever posts beside a fill leaves the journal as it is.
        assert [entry.kind for entry in journal.entries("f0")] == ["progress", "prompt"]
        work = journal.fill(f"f{KEPT_TRACES + 1}").work
        assert work is not None
        for _ in range(2):
            assert posted(rig_settings(rig__data=str(tmp_path)), journal, work).in_book
    with contextlib.closing(JournalReader(tmp_path / JOURNAL_NAME)) as journal:
        kinds = [[entry.kind for entry in journal.entries(f"f{number}")] for number in (0, 1, 2)]
        assert kinds == [["prompt"], ["prompt"], ["progress", "prompt"]]
        assert len(journal.closed()) == KEPT_TRACES + 2
