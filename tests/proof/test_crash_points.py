"""The controller gone at every call to the journal, the file torn at any length: what was promised is there, no more.

A scripted fill is decided beforehand; its journal is then written again and again, each time broken off at another
call, or with a copy whose write-ahead log is cut short. The oracle is the list of what was acknowledged.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from virtual_fills import fill_of, record_of, rig_settings

from rig.control.moves.decide import Decision, decide
from rig.control.moves.recover import recovered
from rig.control.words.procedure import ENDED, State
from rig.control.words.values import Outputs, Reading, Setup
from rig.ledger.journal import Journal, JournalError
from rig.run.assembly import Question
from rig.run.recorder import frozen, setup_from, state_from


class Gone(RuntimeError):
    """The process is no more."""


@dataclass(frozen=True)
class Written:
    """One call to the journal: what it adds, and the state that it leaves."""

    kinds: tuple[str, ...]
    state: str


@dataclass(frozen=True)
class Script:
    """A whole fill as calls to the journal."""

    setup: Setup
    calls: tuple[Written, ...]
    record: dict[str, object]
    reading: Reading


@pytest.fixture(scope="module", params=["vent", "draw-down"])
def script(request: pytest.FixtureRequest) -> Script:
    fill = fill_of(rig_settings(request.param), Question("11L-15"))
    calls: list[Written] = []

    def see(decision: Decision) -> None:
        live = decision.state.state is not State.IDLE and decision.entries
        # One second of progress tells the journal nothing that the next does not; every turn is kept.
        if live and {entry.kind for entry in decision.entries} != {"progress"}:
            calls.append(Written(tuple(entry.kind for entry in decision.entries), frozen(decision.state)))

    fill.watch = see
    last = fill.run()
    assert len(calls) > 15
    reading = replace(fill.rig.scan(), now_s=1.0)
    return Script(fill.setup, tuple(calls), record_of(fill.setup, last.state), reading)


class Counted:
    """A connection that is gone at its n-th call, before or after the call itself."""

    def __init__(self, inner: sqlite3.Connection, n: int, *, after: bool) -> None:
        self._inner, self._left, self._after = inner, n, after
        self.calls = 0

    def _call(self, name: str, *arguments: object) -> object:
        self.calls += 1
        self._left -= 1
        if self._left == 0 and not self._after:
            raise Gone
        found = getattr(self._inner, name)(*arguments)
        if self._left == 0:
            raise Gone
        return found

    def execute(self, *arguments: object) -> object:
        return self._call("execute", *arguments)

    def executemany(self, *arguments: object) -> object:
        return self._call("executemany", *arguments)

    @property
    def in_transaction(self) -> bool:
        # A process that is gone rolls nothing back.
        return False

    def close(self) -> None:
        self._inner.close()


def _write(script: Script, path: Path, n: int, *, after: bool = False) -> tuple[int, int, bool, int]:
    """Write the script and be gone at the n-th call; acknowledged and begun calls, whether closed, and all calls."""
    journal = Journal(path)
    counted = Counted(journal._db, n, after=after)
    journal._db = counted  # type: ignore[assignment]
    done, begun, closed = -1, -1, False
    with contextlib.suppress(Gone):
        begun = 0
        journal.open_fill("fill-1", "t", {}, frozen(script.setup), script.calls[0].state)
        done = 0
        for number, call in enumerate(script.calls, 1):
            begun = number
            journal.append("fill-1", "t", [(kind, {"n": number}) for kind in call.kinds], call.state)
            done = number
        begun += 1
        journal.close_fill("fill-1", script.record, {"hose_air_l": 0.1})
        closed = True
    counted.close()
    return done, begun, closed, counted.calls


def _check(script: Script, path: Path, done: int, begun: int, closed: bool) -> None:
    with contextlib.closing(Journal(path)) as journal:
        fills = journal.fills()
        if not fills:
            assert done < 0, "an acknowledged opening is lost"
            return
        (fill,) = fills
        assert begun >= 0, "a fill that nobody opened"
        entries = journal.entries("fill-1")
        kept = max([int(str(entry.data["n"])) for entry in entries], default=0)
        assert done <= kept <= begun, "acknowledged calls are there, and none that was not begun"
        told = [kind for call in script.calls[:kept] for kind in call.kinds]
        assert [entry.kind for entry in entries] == told, "whole calls, in order"
        assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
        assert fill.state == script.calls[max(kept - 1, 0)].state
        assert not closed or fill.record is not None
        if fill.record is not None:
            assert fill.record == script.record
            assert begun > len(script.calls)
        _taken_up(script, fill.setup, fill.state)


def _taken_up(script: Script, setup_text: str, state_text: str) -> None:
    setup, before = setup_from(setup_text), state_from(state_text)
    assert setup == script.setup
    after = recovered(setup, before, script.reading)
    assert after.outputs == Outputs()
    latched = before.state in (State.ABORTING, State.ABORTED)
    assert after.state is (before.state if before.state in ENDED else State.ABORTED if latched else State.HELD)
    attended_l = after.tally.net_l(setup.meter) - after.tally.unattended_l
    assert attended_l == pytest.approx(before.tally.net_l(setup.meter), abs=1e-6), "what moved in the dark is all told"
    assert not decide(setup, after, replace(script.reading, now_s=2.0)).outputs.moving


@pytest.mark.full
@pytest.mark.parametrize("after", [False, True])
def test_gone_at_every_call(script: Script, tmp_path: Path, after: bool) -> None:
    _, _, closed, calls = _write(script, tmp_path / "whole.db", 0)
    assert closed
    assert calls > 60
    for n in range(1, calls + 1):
        path = tmp_path / f"{n}.db"
        done, begun, closed, _ = _write(script, path, n, after=after)
        _check(script, path, done, begun, closed)
        for leftover in tmp_path.glob(f"{n}.db*"):
            leftover.unlink()


def _cuts(length: int) -> Iterator[int]:
    """Lengths of a torn log: its frames' edges and about them, and places between."""
    frame = 4096 + 24
    for start in range(32, length + 1, frame):
        yield from (at for at in (start - 1, start, start + 7, start + 24, start + 2000) if 0 <= at <= length)
    yield from (0, 1, 31, length)


@pytest.mark.full
def test_a_torn_log_loses_whole_calls_from_the_end_and_invents_none(script: Script, tmp_path: Path) -> None:
    path = tmp_path / "whole.db"
    journal = Journal(path)
    # Half of the script is in the file itself, the rest in the log.
    half = len(script.calls) // 2
    journal.open_fill("fill-1", "t", {}, frozen(script.setup), script.calls[0].state)
    for number, call in enumerate(script.calls, 1):
        journal.append("fill-1", "t", [(kind, {"n": number}) for kind in call.kinds], call.state)
        if number == half:
            journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log = Path(f"{path}-wal")
    length = log.stat().st_size
    seen = set()
    for number, cut in enumerate(sorted(set(_cuts(length)))[:: max(1, length // 400_000)]):
        copy = tmp_path / f"torn-{number}.db"
        shutil.copy(path, copy)
        Path(f"{copy}-wal").write_bytes(log.read_bytes()[:cut])
        _check(script, copy, half, len(script.calls), closed=False)
        with contextlib.closing(Journal(copy)) as torn:
            seen.add(len(torn.entries("fill-1")))
        for leftover in tmp_path.glob(f"torn-{number}.db*"):
            leftover.unlink()
    journal.close()
    assert len(seen) > 3


def test_an_error_at_every_call_is_told_and_leaves_old_or_new(script: Script, tmp_path: Path) -> None:
    """The disk refuses once: the one named error, and the next call finds a journal that can be used."""
    for n in range(2, 14):
        path = tmp_path / f"{n}.db"
        journal = Journal(path)
        journal.open_fill("fill-1", "t", {}, frozen(script.setup), script.calls[0].state)
        inner = journal._db
        left = n

        def refuse(*_: object) -> int:
            nonlocal left
            left -= 1
            return sqlite3.SQLITE_DENY if left == 0 else sqlite3.SQLITE_OK

        inner.set_authorizer(refuse)
        failed = False
        try:
            journal.append("fill-1", "t", [("a", {"n": 1})], script.calls[1].state)
        except JournalError:
            failed = True
        inner.set_authorizer(None)
        if failed:
            assert journal.entries("fill-1") == []
            assert journal.fill("fill-1").state == script.calls[0].state
            journal.append("fill-1", "t", [("a", {"n": 1})], script.calls[1].state)
        assert [entry.kind for entry in journal.entries("fill-1")] == ["a"]
        journal.close()
