"""The recorder between the loop and a real journal: what is awaited, what is late, what is told when the disk fails."""

from __future__ import annotations

import contextlib
import math
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from shop import settings
from shop_books import fill_of as sealed_fill
from virtual_fills import fill_of, rig_settings

import sim.virtual
from rig.control.belief.state import FillState, new_fill
from rig.control.moves.decide import Decision
from rig.control.words.values import Entry, Setup
from rig.ledger.journal import Journal, JournalError
from rig.record.work import About, Work
from rig.run.assembly import Memory, Question, answer, setup_of
from rig.run.clock_memory import utc_now
from rig.run.recorder import Recorder, frozen, setup_from, state_from

ABOUT = About(size="16.9-28", fluid="beet", temp_c=15.0, density_kg_m3=1282.0, ctl=1.0)
WORK = Work.from_document(sealed_fill("fill-1"))


def setup() -> Setup:
    of, question = settings(), Question("16.9-28")
    return setup_of(of, question, answer(of, question), "fill-1", Memory())


@pytest.fixture(scope="module")
def fixed() -> tuple[Setup, FillState]:
    made = setup()
    return made, new_fill(made)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as made:
        yield made


@contextlib.contextmanager
def recorder(journal: Journal, *, opened: bool = False) -> Iterator[Recorder]:
    made = Recorder(journal, ABOUT, opened=opened)
    try:
        yield made
    finally:
        made.shut()


@contextlib.contextmanager
def held_up(journal: Journal) -> Iterator[None]:
    """Another program holds the file, as a disk that is slow to write would: commits wait for it."""
    with contextlib.closing(sqlite3.connect(journal.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        try:
            yield
        finally:
            other.execute("ROLLBACK")


def fail_from_now_on(journal: Journal) -> None:
    """Room for a few pages and no more: SQLITE_FULL, as from a full disk."""
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0] + 4
    journal._db.execute(f"PRAGMA max_page_count={pages}")


BIG = Entry("big", {"text": "x" * 200_000})


async def test_the_opening_is_on_the_disk_before_append_returns(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records, contextlib.closing(Journal(journal.path)) as office:
        assert not records.opened
        assert office.fills() == []
        await records.append(made, state, [Entry("start", {"by": "Jo"})], wait=False)
        assert records.opened
        stored = office.fill("fill-1")
        assert (stored.task, stored.record) == (ABOUT, None)
        assert setup_from(stored.setup) == made
        assert state_from(stored.state) == state


async def test_an_awaited_entry_is_on_the_disk(journal: Journal, fixed: tuple[Setup, FillState]) -> None:
    made, state = fixed
    later = replace(state, now_s=12.5)
    with recorder(journal) as records, contextlib.closing(Journal(journal.path)) as office:
        await records.append(made, state, [Entry("start", {})], wait=True)
        await records.append(made, later, [Entry("a", {"n": 1}), Entry("b", {"n": 2})], wait=True)
        assert [(e.kind, e.data) for e in office.entries("fill-1")] == [("start", {}), ("a", {"n": 1}), ("b", {"n": 2})]
        assert state_from(office.fill("fill-1").state) == later
        assert records.lag_s == 0.0


async def test_entries_keep_their_order_and_shut_waits_for_them(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records:
        for number in range(50):
            await records.append(made, state, [Entry("line", {"n": number})], wait=False)
    assert [entry.data["n"] for entry in journal.entries("fill-1")] == list(range(50))


async def test_the_lag_is_the_age_of_the_oldest_entry_under_way(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {})], wait=True)
        with held_up(journal):
            await records.append(made, state, [Entry("one", {})], wait=False)
            first_s = records.lag_s
            await records.append(made, state, [Entry("two", {})], wait=False)
            assert 0 < first_s < records.lag_s < 5
        await records.append(made, state, [], wait=True)
        assert records.lag_s == 0.0


async def test_a_fill_that_could_not_be_opened_is_not_opened(journal: Journal, fixed: tuple[Setup, FillState]) -> None:
    fail_from_now_on(journal)
    records = Recorder(journal, replace(ABOUT, size="x" * 200_000))
    with pytest.raises(JournalError, match="is the disk full or failing"):
        await records.append(*fixed, [Entry("start", {})], wait=False)
    records.shut()
    assert not records.opened
    assert journal.fills() == []


async def test_an_entry_that_nobody_waited_for_surfaces_in_the_lag_once(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {})], wait=True)
        fail_from_now_on(journal)
        await records.append(made, state, [BIG], wait=False)
        with pytest.raises(JournalError):
            await records.append(made, state, [BIG], wait=True)
        for _ in range(2):
            with pytest.raises(JournalError, match="is the disk full or failing"):
                _ = records.lag_s
        assert records.lag_s == 0.0
    assert [entry.kind for entry in journal.entries("fill-1")] == ["start"]


async def test_a_record_is_written_and_an_entry_lost_before_it_is_told(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {})], wait=True)
        fail_from_now_on(journal)
        await records.append(made, state, [BIG], wait=False)
        with pytest.raises(JournalError, match="is the disk full or failing"):
            await records.close("fill-1", WORK, {})
    assert journal.fill("fill-1").work == WORK


async def test_a_fill_is_closed_once_and_its_memory_kept(journal: Journal, fixed: tuple[Setup, FillState]) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {})], wait=False)
        await records.close("fill-1", WORK, {"hose_air_l": 0.25})
        assert journal.recall("hose_air_l") == 0.25
        with pytest.raises(JournalError, match="closed already"):
            await records.close("fill-1", WORK, {"hose_air_l": 9})
    assert journal.fill("fill-1").work == WORK
    assert journal.recall("hose_air_l") == 0.25


async def test_a_resumed_fill_is_not_opened_twice(journal: Journal, fixed: tuple[Setup, FillState]) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {})], wait=True)
    with recorder(journal, opened=True) as records:
        assert records.opened
        await records.append(made, state, [Entry("resumed", {})], wait=True)
    assert [fill.number for fill in journal.fills()] == [1]
    assert [entry.kind for entry in journal.entries("fill-1")] == ["start", "resumed"]


@pytest.mark.parametrize("endless", [math.inf, -math.inf])
def test_endless_times_come_back_from_the_journal(endless: float, fixed: tuple[Setup, FillState]) -> None:
    made, state = replace(fixed[0], expected_s=endless), replace(fixed[1], now_s=endless)
    assert setup_from(frozen(made)) == made
    assert state_from(frozen(state)) == state


def test_the_time_of_a_record_has_its_zone() -> None:
    assert utc_now().endswith("+00:00")


async def test_progress_alone_is_a_row_every_five_seconds_and_the_state_every_time(
    journal: Journal, fixed: tuple[Setup, FillState]
) -> None:
    made, state = fixed
    with recorder(journal) as records:
        await records.append(made, state, [Entry("start", {}), Entry("progress", {"n": 0})], wait=True)
        for second in range(1, 12):
            later = replace(state, now_s=state.now_s + second)
            await records.append(made, later, [Entry("progress", {"n": second})], wait=True)
            assert state_from(journal.fill("fill-1").state) == later
            if second == 7:
                await records.append(made, later, [Entry("alarm", {}), Entry("progress", {"n": "alarm"})], wait=True)
    rows = [entry.data["n"] for entry in journal.entries("fill-1") if entry.kind == "progress"]
    assert rows == [0, 5, "alarm"]


@pytest.mark.full
@pytest.mark.skipif(not Path("/proc/self/io").exists(), reason="only Linux counts what a process writes")
async def test_a_usual_fill_writes_less_than_five_megabytes(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    fill, turns = fill_of(rig_settings(), Question("16.9-28")), list[Decision]()
    monkeypatch.setattr(sim.virtual, "_LONG_STEP_S", 0.1)
    fill.watch = lambda decision: turns.append(decision) if decision.entries and decision.state.opened_s else None
    fill.run()

    def written() -> int:
        told = dict(line.split(": ") for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines())
        return int(told["wchar"])

    before = written()
    with recorder(journal) as records:
        for decision in turns:
            await records.append(fill.setup, decision.state, decision.entries, wait=True)
    mb = (written() - before) / 1e6
    print(f"{len(turns)} commits, {mb:.1f} MB")
    assert len(turns) > 550
    assert mb < 5.0
