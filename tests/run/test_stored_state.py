"""The state of a fill in the journal: its version is stated; an older one is read, or refused with what to do."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from shop_books import about_of, fill_of
from virtual_fills import fill_of as virtual_fill
from virtual_fills import rig_settings

from rig.control.belief.doubts import less_of, more_of
from rig.control.belief.state import FillState
from rig.control.belief.uncertainty import net_within
from rig.control.words.values import Setup
from rig.ledger import journal_schema
from rig.ledger.journal import Journal, JournalError, JournalReader, StoredFill
from rig.record.base import RecordError
from rig.run.assembly import Question
from rig.run.recorder import STATE_VERSION, frozen, restored

AT = "2026-11-28T08:00:00.000+00:00"


@pytest.fixture(scope="module")
def running() -> tuple[Setup, FillState]:
    fill = virtual_fill(rig_settings(), Question("16.9-28"))
    last = fill.run(until=lambda decision: decision.facts.forward and decision.facts.run_s > 5)
    return fill.setup, last.state


def stored(setup: str, state: str) -> StoredFill:
    return StoredFill(1, "fill-1", AT, about_of(fill_of("fill-1")), setup, state, None)


def test_a_state_comes_back_as_it_was(running: tuple[Setup, FillState]) -> None:
    setup, state = running
    texts = frozen(setup), frozen(state)
    assert [json.loads(text)["version"] for text in texts] == [STATE_VERSION] * 2
    assert restored(stored(*texts)) == (setup, state)


def test_a_state_of_version_1_is_read(running: tuple[Setup, FillState]) -> None:
    """It stated no version, had two sums that were never set, and a stroke's end and the marks as plain texts."""
    setup, state = running
    ended = replace(state.stroke, ended_by="broken off")
    texts = [json.loads(frozen(each)) for each in (setup, replace(state, stroke=ended))]
    for text in texts:
        del text["version"]
    texts[1]["tally"] |= {"vented_l": 0.0, "spilled_l": 0.0}
    texts[1]["flags"] = ["interrupted"]
    _, read = restored(stored(*map(json.dumps, texts)))
    assert (read.stroke.ended_by, read.flags, read.tally) == ("broken off", {"interrupted"}, state.tally)
    assert read.stroke.pushed


def test_a_doubt_of_version_2_stays_in_doubt_to_either_side(running: tuple[Setup, FillState]) -> None:
    setup, state = running
    text = json.loads(frozen(state)) | {"version": 2}
    for tally, either_l in ((text["tally"], 7.5), (text["mark"]["tally"], 2.0)):
        del tally["doubts"], tally["unattended_doubt_l"]
        tally |= {"either_l": either_l, "unattended_either_l": 1.5}
    _, read = restored(stored(frozen(setup), json.dumps(text)))
    for tally, either_l in ((read.tally, 7.5), (read.mark.tally, 2.0)):
        assert (less_of(tally.doubts), more_of(tally.doubts)) == (either_l, either_l)
        assert tally.unattended_doubt_l == 1.5
    assert net_within(setup, read).u_l > 7.5


@pytest.mark.parametrize("wrong", [{}, {"gas": "gone"}, {"tally": 3, "mark": []}])
def test_an_older_state_that_cannot_be_read_is_refused_with_what_to_do(
    running: tuple[Setup, FillState], wrong: dict[str, object]
) -> None:
    with pytest.raises(RecordError, match=r"older version .* install that version again .* `rig close fill-1`"):
        restored(stored(frozen(running[0]), json.dumps(wrong)))


def test_a_newer_state_is_refused_whatever_it_holds(running: tuple[Setup, FillState]) -> None:
    newer = json.loads(frozen(running[1])) | {"version": STATE_VERSION + 1}
    with pytest.raises(RecordError, match=r"newer version of this program .*: update this one"):
        restored(stored(frozen(running[0]), json.dumps(newer)))


# --- the journal's tables -------------------------------------------------------------------------------------------


def test_a_journal_from_before_the_version_was_stated_is_read_and_written(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(Journal(path)) as journal:
        journal.open_fill("a", AT, about_of(fill_of("a")), "{}", "{}")
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 0")
    with contextlib.closing(JournalReader(path)) as reader:
        assert reader.fill("a").task.size == "16.9-28"
    with contextlib.closing(Journal(path)) as journal:
        assert journal.open_fill("b", AT, about_of(fill_of("b")), "{}", "{}") == 2
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (journal_schema.VERSION,)


@pytest.mark.parametrize("opens", [Journal, JournalReader])
def test_a_journal_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path, opens: type[JournalReader]) -> None:
    path = tmp_path / "journal.sqlite"
    Journal(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {journal_schema.VERSION + 1}")
    with pytest.raises(JournalError, match=r"newer version of this program .* update this one"):
        opens(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (journal_schema.VERSION + 1,)
