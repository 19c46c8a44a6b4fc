"""A fill recorded beside the loop: small, quick, replayed to the bit, and never in a fill's way."""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path
from threading import Event

import pytest
from virtual_fills import GoesOn, fill_of, rig_settings

import sim.virtual
from rig.control.belief.state import FillState, new_fill
from rig.control.moves.decide import Decision, decide
from rig.control.moves.recover import recovered
from rig.control.words.procedure import State
from rig.control.words.values import Entry, Reading, Request, Setup
from rig.ledger.black_box import BoxError, lines_of
from rig.record.work import Software
from rig.run.assembly import Question
from rig.run.black_box import BlackBox, TakenUp, head_of
from rig.run.replaying import read_part, replay
from rig.run.scans import Closed, Scan
from sim.taping import AT, HERE, FileTape, box_at
from sim.virtual import Tape, VirtualFill

TYRE = "16.9-28"
Scans = list[tuple[FillState, Reading, Sequence[Request], Decision]]


class _List(Tape):
    def __init__(self, scans: Scans) -> None:
        self._scans = scans

    def scan(self, before: FillState, reading: Reading, requests: Sequence[Request], decision: Decision) -> None:
        self._scans.append((before, reading, requests, decision))


@pytest.fixture(scope="module")
def usual() -> tuple[Setup, Scans]:
    """A usual fill of eleven minutes, scanned as on a real rig: every tenth of a second."""
    fill, scans = fill_of(rig_settings(), Question(TYRE)), Scans()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sim.virtual, "_LONG_STEP_S", 0.1)
        fill.tape = _List(scans)
        assert fill.run().state.state is State.COMPLETE
    assert len(scans) > 6000
    return fill.setup, scans


def real(scans: Scans) -> Scans:
    """The same with the gaps of a real clock: they jitter by some milliseconds, and so do bus and disk."""
    draw, now_s, made = random.Random(1), 1.0, Scans()
    for before, reading, requests, decision in scans:
        gap_s = round(0.1 + abs(draw.gauss(0, 0.004)), 3)
        now_s += gap_s
        lag_s = round(draw.random() * 0.05, 3) if draw.random() < 0.1 else 0.0
        seen = replace(reading, now_s=now_s, late_s=gap_s, bus_s=round(0.02 + abs(draw.gauss(0, 0.004)), 3))
        made.append((before, replace(seen, journal_lag_s=lag_s), requests, decision))
    return made


def test_a_usual_fill_takes_less_than_a_hundred_kilobytes(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    path, ticks = tmp_path / "f.1.box.gz", count(0.0, 0.1)
    box = box_at(path, setup, scans[0][0], wall=lambda: next(ticks))
    for _, *scan in real(scans):
        box.scan(*scan)
    box.close()
    size = path.stat().st_size
    print(f"{len(scans)} scans: {size / 1000:.1f} kB, {size / len(scans):.1f} bytes a scan")
    assert size < 100_000
    assert not box.fault


def test_what_a_scan_costs_the_loop(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    # The time is printed, not asserted: a busy machine is no defect. What is asserted does not depend on it.
    setup, scans = usual
    box = box_at(tmp_path / "f.1.box.gz", setup, scans[0][0])
    took_us = []
    for _, *scan in scans[:2000]:
        began_s = time.perf_counter()
        box.scan(*scan)
        took_us.append(1e6 * (time.perf_counter() - began_s))
    box.close()
    hundredths = statistics.quantiles(took_us, n=100)
    print(f"a scan's hand-over: median {hundredths[49]:.1f} us, p99 {hundredths[98]:.1f} us")
    assert sum(isinstance(each, Scan) for each in read_part(tmp_path / "f.1.box.gz")[1]) == 2000


def test_a_recorded_fill_is_replayed_to_the_bit(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    tape = FileTape(tmp_path, setup)
    for scan in scans:
        tape.scan(*scan)
    tape.close()
    found = replay(tape.parts, HERE)
    assert (found.fill_id, found.scans, found.first_difference) == (setup.fill_id, len(scans), None)
    assert found.counted_now == found.counted_then
    assert found.counted_then is not None
    head, told = read_part(tape.parts[0])
    assert (head.setup, head.state) == (setup, scans[0][0])
    assert isinstance(list(told)[-2], Closed)


def test_a_fill_in_two_parts_is_replayed_in_both(tmp_path: Path) -> None:
    fill = fill_of(rig_settings(), Question("11L-15"))
    tape = FileTape(tmp_path, fill.setup)
    fill.tape = tape
    fill.run(until=lambda decision: decision.state.fills > 0)
    assert fill.state is not None
    before, reading = fill.state, fill.rig.scan()
    tape.taken_up(before, reading, 3.0)
    fill.state = recovered(fill.setup, before, reading, ran_s=3.0)
    fill.person = GoesOn()
    assert fill.run().state.state is State.COMPLETE
    tape.close()
    assert len(tape.parts) == 2
    assert replay(tape.parts, HERE).identical
    # Taken up as if the pump had been off: other litres are in doubt.
    head = head_of(fill.setup, fill.state, 1.0, HERE, "", AT, TakenUp(before, reading, 0.0))
    BlackBox(tmp_path / "other.1.box.gz", lambda: head).close()
    found = replay([tmp_path / "other.1.box.gz"], HERE).first_difference
    assert found is not None
    assert (found.scan, found.then.decided == found.now.decided) == (0, False)


@pytest.mark.parametrize("place", ["full", "no folder"])
def test_a_disk_that_fails_stops_the_recording_and_nothing_else(
    place: str, usual: tuple[Setup, Scans], tmp_path: Path
) -> None:
    setup, scans = usual
    (tmp_path / "file").touch()
    path = Path("/dev/full") if place == "full" else tmp_path / "file" / "f.1.box.gz"
    box = box_at(path, setup, scans[0][0])
    for _, *scan in scans:
        box.scan(*scan)
    box.close()
    assert "the black box cannot be written" in box.fault
    assert str(path) in box.fault


def test_a_defect_of_the_recorder_ends_the_recording_and_is_told(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    box = box_at(tmp_path / "f.1.box.gz", setup, scans[0][0])
    _, reading, requests, decision = scans[0]
    box.scan(reading, requests, replace(decision, entries=(Entry("no JSON", {"a": object()}),)))
    box.close()
    assert "a defect of this program" in box.fault


def test_a_disk_that_is_too_slow_stops_it_before_the_memory_is_full(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    (setup, scans), waiting, disk = usual, [], Event()
    head = head_of(setup, new_fill(setup), 1.0, HERE, "", AT)
    box = BlackBox(tmp_path / "f.1.box.gz", lambda: head, before=lambda: disk.wait() and None, most_waiting=100)
    for _, *scan in scans[:200]:
        box.scan(*scan)
        waiting.append(box._queue.qsize())
    disk.set()
    box.close()
    assert "too slow" in box.fault
    assert max(waiting) == 100


def test_the_scan_that_a_defect_made_impossible_is_recorded(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    box = box_at(tmp_path / "f.1.box.gz", setup, scans[0][0])
    before, reading, requests, decision = scans[0]
    box.scan(reading, requests, decision)
    box.scan(scans[1][1], (), None, "AssertionError('planted')")
    box.close()
    found = replay([tmp_path / "f.1.box.gz"], HERE)
    assert found.first_difference is not None
    assert found.first_difference.then.error == "AssertionError('planted')"
    assert found.first_difference.now.decided["state"] == decide(setup, before, reading).state.state.value


def test_another_program_is_compared_by_what_it_does(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    changed = [list(scan) for scan in scans[:500]]
    other = changed[300][3]
    assert isinstance(other, Decision)
    changed[300][3] = replace(other, outputs=replace(other.outputs, beacon=not other.outputs.beacon))
    for name, scanned in (("same", scans[:500]), ("changed", changed)):
        box = box_at(tmp_path / f"{name}.1.box.gz", setup, scans[0][0], Software("0.9", "older"))
        for _, *scan in scanned:
            box.scan(*scan)  # type: ignore[arg-type]
        box.close()
    same = replay([tmp_path / "same.1.box.gz"], HERE)
    assert (same.same_program, same.identical, same.software.version) == (False, True, "0.9")
    found = replay([tmp_path / "changed.1.box.gz"], HERE).first_difference
    assert found is not None
    assert (found.scan, found.at_s) == (301, scans[300][1].now_s)


def test_what_is_no_black_box_or_a_newer_one_is_refused(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    newer = head_of(setup, scans[0][0], 1.0, HERE, "", AT) | {"format": 99}
    strange = head_of(setup, scans[0][0], 1.0, HERE, "", AT) | {"setup": {}}
    for head, words in ((newer, "newer version"), (strange, "replay it with that version"), ({}, "no black box")):
        path = tmp_path / f"{len(words)}.1.box.gz"
        BlackBox(path, lambda head=head: head | {"scale": 1.0}).close()
        with pytest.raises(BoxError, match=words):
            read_part(path)
    with pytest.raises(BoxError, match="no black box of this fill"):
        replay([], HERE)


def test_the_head_is_text_that_a_person_can_read(usual: tuple[Setup, Scans], tmp_path: Path) -> None:
    setup, scans = usual
    box_at(tmp_path / "f.1.box.gz", setup, scans[0][0]).close()
    first = next(lines_of(tmp_path / "f.1.box.gz"))
    assert '"software":{"version":"1.0","hash":"0123456789abcdef"},"config_hash":"c0ffee"' in first


def test_a_virtual_fill_is_the_same_with_and_without_a_tape() -> None:
    fills: list[VirtualFill] = [fill_of(rig_settings(), Question("11L-15")) for _ in range(2)]
    fills[1].tape = _List([])
    assert fills[0].run().state == fills[1].run().state
