"""The readings between fills: kept in a ring, read back, and given up without a word to whoever scans."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from rig.control.words.values import Reading
from rig.ledger.black_box import FOLDER_NAME, Ring, lines_of, ring_files
from rig.run.idle_ring import MOST_WAITING, NAME, SPAN_S, IdleRing
from rig.run.scans import Scan, read_scans

AT = "2026-11-29T10:00:00+00:00"


def held(folder: Path) -> list[Scan]:
    newer, older = ring_files(folder, NAME)
    found: list[Scan] = []
    for path in (older, newer):
        if path.exists():
            head, *lines = lines_of(path)
            assert '"idle_from":"2026' in head.replace(" ", "")
            found += [each for each in read_scans(iter(lines), 1.0) if isinstance(each, Scan)]
    return found


def test_the_last_ten_minutes_are_there_and_not_much_more(tmp_path: Path) -> None:
    ring = IdleRing(tmp_path)
    for number in range(5000):
        ring.sees(Reading(0.0, line_kpa=float(number % 7)), "", AT, 0.5 * number)
    ring.end()
    found = held(tmp_path)
    times = [each.reading.now_s for each in found]
    assert times == [0.5 * number for number in range(5000 - len(times), 5000)]
    assert SPAN_S <= times[-1] - times[0] <= 2 * SPAN_S
    assert [each.reading.line_kpa for each in found] == [float(2 * at_s % 7) for at_s in times]
    assert sum(path.stat().st_size for path in ring_files(tmp_path, NAME)) < 40_000


def test_a_fill_ends_a_file_and_what_follows_begins_another(tmp_path: Path) -> None:
    ring = IdleRing(tmp_path)
    ring.sees(Reading(0.0, line_kpa=1.0), "", AT, 1.0)
    ring.close()
    ring.sees(Reading(0.0, line_kpa=1.0), "the gauge does not answer", AT, 200.0)
    ring.end()
    assert [(each.reading.now_s, each.error) for each in held(tmp_path)] == [
        (1.0, ""), (200.0, "the gauge does not answer"),
    ]  # fmt: skip


def test_a_disk_that_fails_ends_it_quietly(tmp_path: Path) -> None:
    (tmp_path / FOLDER_NAME).touch()
    ring = IdleRing(tmp_path)
    for number in range(3):
        ring.sees(Reading(0.0), "", AT, float(number))
    ring.end()
    assert "no longer recorded" in ring.fault


def test_a_disk_that_stalls_costs_readings_and_not_the_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    goes_on, line = threading.Event(), Ring.line

    def stalls(self: Ring, text: str) -> None:
        goes_on.wait()
        line(self, text)

    monkeypatch.setattr(Ring, "line", stalls)
    ring = IdleRing(tmp_path)
    for number in range(MOST_WAITING + 500):
        ring.sees(Reading(0.0, line_kpa=float(number)), "", AT, 0.01 * number)
    goes_on.set()
    ring.sees(Reading(0.0, line_kpa=-1.0), "", AT, 1000.0)
    ring.end()
    shown = [each.reading.line_kpa for each in held(tmp_path)]
    # One more than may wait: the first is being written while the disk stalls.
    assert MOST_WAITING <= len(shown) <= MOST_WAITING + 2
    assert shown[:MOST_WAITING] == [float(number) for number in range(MOST_WAITING)]
