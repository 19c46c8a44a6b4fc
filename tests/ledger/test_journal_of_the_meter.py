"""Provings and events in the journal: appended, numbered without a gap, never changed.

Modelled on the audit trails of NIST Handbook 44 (General Code, appendix on sealing): a counter that cannot be set back.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.ledger.journal import Journal, JournalError

AT = "2026-01-01T00:00:00.000+00:00"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as made:
        yield made


def test_each_kind_of_event_counts_by_itself_from_nought(journal: Journal) -> None:
    assert journal.event_counts() == {"calibration": 0, "configuration": 0}
    assert [journal.append_event("configuration", AT, "Jo", {"n": n}) for n in range(3)] == [1, 2, 3]
    assert journal.append_event("calibration", AT, "", {}) == 1
    assert journal.event_counts() == {"calibration": 1, "configuration": 3}
    assert [(e.kind, e.number, e.by, e.what) for e in journal.events()][1:3] == [
        ("configuration", 2, "Jo", {"n": 1}), ("configuration", 3, "Jo", {"n": 2}),
    ]  # fmt: skip


def test_an_accepted_proving_is_a_calibration_event_and_another_is_not(journal: Journal) -> None:
    assert journal.append_proving(AT, "pulses", "Jo", {"factor": 1.01}, accepted=False) == 1
    assert journal.event_counts()["calibration"] == 0
    assert journal.append_proving(AT, "pulses", "Jo", {"factor": 1.002}, accepted=True) == 2
    (event,) = journal.events()
    assert (event.kind, event.by, event.what) == (
        "calibration", "Jo", {"proving": 2, "meter": "pulses", "factor": 1.002},
    )  # fmt: skip
    assert [(p.number, p.accepted, p.document["factor"]) for p in journal.provings()] == [
        (1, False, 1.01), (2, True, 1.002),
    ]  # fmt: skip


@pytest.mark.parametrize("table", ["provings", "events"])
@pytest.mark.parametrize("act", ["UPDATE {} SET at = 'then'", "DELETE FROM {}"])
def test_the_file_itself_refuses_to_change_them(journal: Journal, table: str, act: str) -> None:
    journal.append_proving(AT, "pulses", "Jo", {"factor": 1.0}, accepted=True)
    with (
        contextlib.closing(sqlite3.connect(journal.path)) as other,
        pytest.raises(sqlite3.IntegrityError, match="only appended to"),
    ):
        other.execute(act.format(table))
    assert journal.event_counts()["calibration"] == 1


def test_half_of_an_acceptance_is_never_written(journal: Journal) -> None:
    journal._db.execute("CREATE TRIGGER no_events BEFORE INSERT ON events BEGIN SELECT RAISE(ABORT, 'no'); END")
    with pytest.raises(JournalError):
        journal.append_proving(AT, "pulses", "Jo", {"factor": 1.0}, accepted=True)
    assert journal.provings() == []


def test_an_older_journal_gets_the_tables_and_keeps_what_it_had(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(Journal(path)) as journal:
        journal.append_event("calibration", AT, "", {})
    with contextlib.closing(Journal(path)) as again:
        assert again.event_counts() == {"calibration": 1, "configuration": 0}


def test_a_kind_that_is_none_is_refused(journal: Journal) -> None:
    with pytest.raises(JournalError):
        journal.append_event("weather", AT, "", {})  # type: ignore[arg-type]
