"""The journal on a real disk: durable, whole after a kill, clear about a full or forbidden one.

Durability: https://www.sqlite.org/pragma.html#pragma_synchronous: in write-ahead mode only FULL (2) keeps the last
commits over a loss of power.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from locked_away import read_only_folder

from rig.ledger.journal import Journal, JournalError

AT = "2026-01-01T00:00:00.000+00:00"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with contextlib.closing(Journal(tmp_path / "deep" / "journal.sqlite")) as made:
        yield made


def opened(journal: Journal, fill_id: str) -> int:
    return journal.open_fill(fill_id, AT, {"size": "16.9-28"}, "{}", "{}")


def pragma(journal: Journal, name: str) -> object:
    return journal._db.execute(f"PRAGMA {name}").fetchone()[0]


# --- a fill's life --------------------------------------------------------------------------------------------------


def test_durability_is_in_force(journal: Journal) -> None:
    assert pragma(journal, "journal_mode") == "wal"
    assert pragma(journal, "synchronous") == 2
    assert pragma(journal, "foreign_keys") == 1


def test_a_fill_is_opened_followed_and_closed(journal: Journal) -> None:
    assert opened(journal, "a") == 1
    journal.append("a", AT, [("start", {"by": "Jo"}), ("progress", {"net_l": 1.5})], '{"n": 1}')
    journal.append("a", AT, [], '{"n": 2}')
    stored = journal.fill("a")
    assert (stored.number, stored.about, stored.setup, stored.state) == (1, {"size": "16.9-28"}, "{}", '{"n": 2}')
    assert stored.record is None
    assert [(e.kind, e.data) for e in journal.entries("a")] == [("start", {"by": "Jo"}), ("progress", {"net_l": 1.5})]
    assert [fill.fill_id for fill in journal.unfinished()] == ["a"]
    journal.close_fill("a", {"outcome": "complete"}, {"hose_air_l": 0.4})
    assert journal.fill("1").record == {"outcome": "complete"}
    assert journal.recall("hose_air_l") == 0.4
    assert journal.unfinished() == []


def test_a_finished_fill_stays_as_it_is(journal: Journal) -> None:
    opened(journal, "a")
    journal.append("a", AT, [("start", {})], "last")
    journal.close_fill("a", {"outcome": "complete"}, {"learned": 1})
    with pytest.raises(JournalError, match="fill a is unknown or closed already"):
        journal.close_fill("a", {"outcome": "stopped"}, {"learned": 2})
    with pytest.raises(JournalError, match="fill a is unknown or closed already"):
        journal.append("a", AT, [("late", {})], "later")
    assert journal.fill("a").record == {"outcome": "complete"}
    assert journal.fill("a").state == "last"
    assert [entry.kind for entry in journal.entries("a")] == ["start"]
    assert journal.recall("learned") == 1


def test_nothing_is_written_for_a_fill_that_nobody_opened(journal: Journal) -> None:
    with pytest.raises(JournalError, match="unknown"):
        journal.append("ghost", AT, [("start", {})], "{}")
    with pytest.raises(JournalError, match="unknown"):
        journal.close_fill("ghost", {}, {"learned": 1})
    assert journal.recall("learned") is None
    assert journal.entries("ghost") == []


def test_serial_numbers_have_no_gaps_and_order_is_kept(journal: Journal) -> None:
    assert [opened(journal, name) for name in ("c", "a")] == [1, 2]
    with pytest.raises(JournalError):
        opened(journal, "a")
    with pytest.raises(JournalError):
        journal.open_fill("x", AT, {}, None, "{}")  # type: ignore[arg-type]
    assert opened(journal, "b") == 3
    assert [(fill.number, fill.fill_id) for fill in journal.fills()] == [(1, "c"), (2, "a"), (3, "b")]


def test_an_unknown_fill_is_answered_with_the_latest_ones(journal: Journal) -> None:
    with pytest.raises(JournalError, match=r"no fill '7' .* the latest are: none"):
        journal.fill("7")
    for name in "abcd":
        opened(journal, name)
    with pytest.raises(JournalError, match="the latest are: b, c, d"):
        journal.fill("7")


def test_memory_is_replaced_and_survives(journal: Journal) -> None:
    for value in (1.5, 2.5):
        opened(journal, str(value))
        journal.close_fill(str(value), {}, {"overrun_s:beet": value})
    with contextlib.closing(Journal(journal.path)) as again:
        assert again.recall("overrun_s:beet") == 2.5
        assert again.recall("never") is None


def test_two_views_of_one_journal(journal: Journal) -> None:
    opened(journal, "a")
    with contextlib.closing(Journal(journal.path)) as office:
        journal.append("a", AT, [("start", {})], "{}")
        assert len(office.entries("a")) == 1


# --- bad disks ------------------------------------------------------------------------------------------------------


def test_a_full_disk_is_told_loses_nothing_and_is_over_when_there_is_room(journal: Journal) -> None:
    # https://www.sqlite.org/pragma.html#pragma_max_page_count: SQLITE_FULL, as from a full disk.
    opened(journal, "a")
    journal.append("a", AT, [("kept", {})], "before")
    pages = pragma(journal, "page_count")
    journal._db.execute(f"PRAGMA max_page_count={pages}")
    for _ in range(3):
        with pytest.raises(JournalError, match=r"cannot be written .*full.*; is the disk full or failing\?"):
            journal.append("a", AT, [("lost", {"text": "x" * 100_000})], "never")
    assert [entry.kind for entry in journal.entries("a")] == ["kept"]
    assert journal.fill("a").state == "before"
    journal._db.execute("PRAGMA max_page_count=100000")
    journal.append("a", AT, [("after", {})], "after")
    assert [entry.kind for entry in journal.entries("a")] == ["kept", "after"]


@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("mount") is None, reason="a small file system needs root")
def test_a_really_full_file_system(tmp_path: Path) -> None:
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=384k", "tmpfs", str(tmp_path)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("no leave to mount a small file system here")
    try:
        with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as journal:
            opened(journal, "a")
            written, said = 0, ""
            while not said and written < 1000:
                try:
                    journal.append("a", AT, [("line", {"n": written, "text": "x" * 2000})], str(written))
                    written += 1
                except JournalError as error:
                    said = str(error)
            assert "is the disk full or failing?" in said
            assert written > 5
            assert [entry.data["n"] for entry in journal.entries("a")] == list(range(written))
            assert journal.fill("a").state == str(written - 1)
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


@pytest.mark.parametrize("folder", ["", "new"])
def test_a_forbidden_folder_is_told(folder: str) -> None:
    said = r"journal\.sqlite: the journal cannot be opened \(.+\); check the disk and the folder"
    with read_only_folder() as name, pytest.raises(JournalError, match=said):
        Journal(name / folder / "journal.sqlite")


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "rig-data").write_text("not a folder")
    with pytest.raises(JournalError, match="the journal cannot be opened"):
        Journal(tmp_path / "rig-data" / "journal.sqlite")


def test_a_file_that_is_no_journal(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"this is not a database, " * 100)
    with pytest.raises(JournalError, match=r"the journal cannot be opened .*not a database"):
        Journal(path)


def test_damage_inside_is_a_journal_error(journal: Journal) -> None:
    for number in range(200):
        opened(journal, f"{number:030}" * 10)
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = journal.path.stat().st_size
    with journal.path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(size - 4096))
    with contextlib.ExitStack() as stack, pytest.raises(JournalError, match=r"journal cannot be opened|cannot be read"):
        stack.enter_context(contextlib.closing(Journal(journal.path))).fills()


def test_a_document_that_is_no_json_is_a_journal_error(journal: Journal) -> None:
    opened(journal, "a")
    journal._db.execute("UPDATE fills SET about = '{half'")
    with pytest.raises(JournalError, match=r"cannot be read .*damaged"):
        journal.fills()


# --- killed ---------------------------------------------------------------------------------------------------------

APPEND_FOREVER = """
import sys
from pathlib import Path
from rig.ledger.journal import Journal
journal = Journal(Path(sys.argv[1]))
journal.open_fill("a", "now", {}, "{}", "{}")
number = 0
while True:
    journal.append("a", "now", [("line", {"n": number}), ("twin", {"n": number})], str(number))
    print(number, flush=True)
    number += 1
"""


@pytest.mark.parametrize("lines", [1, 40, 200])
def test_everything_acknowledged_survives_a_kill(tmp_path: Path, lines: int) -> None:
    path = tmp_path / "journal.sqlite"
    with subprocess.Popen(
        [sys.executable, "-c", APPEND_FOREVER, str(path)], stdout=subprocess.PIPE, text=True,
        cwd=Path(__file__).parents[2],
    ) as child:  # fmt: skip
        assert child.stdout is not None
        seen = [int(child.stdout.readline()) for _ in range(lines)]
        child.kill()
        seen += [int(line) for line in child.stdout if line.endswith("\n")]
    assert child.returncode == -signal.SIGKILL
    with contextlib.closing(Journal(path)) as journal:
        entries = journal.entries("a")
        found = [entry.data["n"] for entry in entries if entry.kind == "line"]
        assert len(found) >= len(seen) >= lines
        assert found == list(range(len(found)))
        # One commit holds the entries and the state that they led to: never one without the other.
        assert [entry.data["n"] for entry in entries if entry.kind == "twin"] == found
        assert journal.fill("a").state == str(found[-1])
        assert [fill.fill_id for fill in journal.unfinished()] == ["a"]
        journal.append("a", AT, [("resumed", {})], "on")
        assert journal._db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_a_commit_is_seen_by_another_program_at_once(journal: Journal) -> None:
    opened(journal, "a")
    with contextlib.closing(sqlite3.connect(journal.path)) as other:
        assert other.execute("SELECT fill_id FROM fills").fetchall() == [("a",)]
