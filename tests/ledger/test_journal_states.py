"""The latest state of a fill: in a table of its own, and where an older version of the program kept it."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from rig.ledger.journal import Journal, JournalError, JournalReader
from rig.ledger.journal_schema import SCHEMA

AT, LATER = "2026-11-29T10:00:00+00:00", "2026-11-29T10:00:07+00:00"
OPEN = '{"n": 1, "text": "begun"}'


@pytest.fixture(params=[0, 1])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A journal as the versions before wrote it, with an unfinished fill."""
    path, states = tmp_path / "journal.sqlite", "CREATE TABLE IF NOT EXISTS states"
    before, _, rest = SCHEMA.partition(states)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.executescript(before + rest.partition(");")[2])
        db.execute(f"PRAGMA user_version = {request.param}")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute(
            "INSERT INTO fills (fill_id, opened_at, about, setup, state) VALUES ('a', ?, '{}', '{}', ?)", (AT, OPEN)
        )
        db.execute("INSERT INTO entries (fill_id, at, kind, data) VALUES ('a', ?, 'start', '{}')", (LATER,))
        assert not db.execute("SELECT name FROM sqlite_master WHERE name = 'states'").fetchall()
    return path


def test_an_older_journal_is_read_as_it_is_and_gets_the_table_when_written(old: Path) -> None:
    with contextlib.closing(JournalReader(old)) as reader:
        assert (reader.fill("a").state, reader.fill("a").state_at) == (OPEN, LATER)
        assert [fill.fill_id for fill in reader.unfinished()] == ["a"]
    with contextlib.closing(Journal(old)) as journal:
        assert (journal.fill("a").state, journal.fill("a").state_at) == (OPEN, LATER)
        journal.append("a", "2026-11-29T10:01:00+00:00", [], '{"n": 2}')
    with contextlib.closing(JournalReader(old)) as reader:
        stored = reader.fill("a")
        assert (stored.state, stored.state_at) == ('{"n": 2}', "2026-11-29T10:01:00+00:00")


def test_each_fill_has_its_own_state_and_only_the_latest(tmp_path: Path) -> None:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as journal:
        for fill_id in ("a", "b"):
            journal.open_fill(fill_id, AT, {}, "{}", OPEN)
        assert (journal.fill("b").state, journal.fill("b").state_at) == (OPEN, AT)
        for number in range(3):
            journal.append("a", LATER, [], f"a{number} é")
            journal.append("b", LATER, [], f"b{number}")
        assert [fill.state for fill in journal.fills()] == ["a2 é", "b2"]
        assert journal._db.execute("SELECT COUNT(*) FROM states").fetchone() == (2,)
        journal.close_fill("a", {"outcome": "complete"}, {})
        with pytest.raises(JournalError, match="unknown or closed already"):
            journal.append("a", LATER, [], "never")
        assert journal.fill("a").state == "a2 é"


def test_a_damaged_state_is_a_journal_error(tmp_path: Path) -> None:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as journal:
        journal.open_fill("a", AT, {}, "{}", OPEN)
        journal.append("a", AT, [], "x")
        journal._db.execute("UPDATE states SET state = x'00'")
        with pytest.raises(JournalError, match="damaged"):
            journal.fill("a")
