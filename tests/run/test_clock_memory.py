"""What a rig's folder remembers of time, and what the system itself says of its clock."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from clocks import Courses
from shop_books import TRUCK

from rig.ledger.keeping import book_of
from rig.run.clock_memory import MEMORY_NAME, confirm, leave_open, look, now_in, records_of, remembered, system, utc_now
from rig.run.time_guard import MADE_S, asks, iso, seconds
from rig.shop.posting import book_to_write

DAY_S = 86400.0


@pytest.fixture
def clock() -> Iterator[Courses]:
    with Courses() as courses:
        yield courses


def test_the_system_says_the_same_as_its_own_tools() -> None:
    heard = system()
    shown = float(subprocess.run(["date", "+%s.%N"], check=True, capture_output=True, text=True).stdout)
    assert abs(shown - heard.wall_s) < 30
    assert heard.boot == Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    assert abs(float(Path("/proc/uptime").read_text(encoding="ascii").split()[0]) - heard.boot_s) < 30


def test_looking_remembers_nothing_and_writing_does(tmp_path: Path, clock: Courses) -> None:
    now_in(tmp_path)
    look(tmp_path)
    utc_now()
    assert list(tmp_path.iterdir()) == []
    with records_of(tmp_path):
        at = utc_now()
    assert remembered(tmp_path).believed is not None
    clock.start(-30 * DAY_S)
    with records_of(tmp_path):
        later = utc_now()
    assert (later.clock, seconds(later)) == ("not believed", pytest.approx(seconds(at) + 0.001, abs=0.002))
    with records_of(tmp_path / "nowhere"):
        utc_now()
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"believed": 1}', '{"believed": {"x": 1}}', "null"])
def test_without_its_memory_the_last_believed_record_is_the_bound(tmp_path: Path, clock: Courses, text: str) -> None:
    with book_to_write(tmp_path, TRUCK, simulated=True) as book:
        book.note("job", utc_now(), {"job": "1"})
        clock.start(-30 * DAY_S)
        unbelieved = book.note("job", utc_now(), {"job": "2"})
    assert unbelieved.document["clock"] == "not believed"
    assert seconds(str(unbelieved.document["clock_said"])) == pytest.approx(clock.wall_s(), abs=10)
    (tmp_path / MEMORY_NAME).write_text(text)
    with book_of(tmp_path) as book:
        first = next(book.every())
    believed = remembered(tmp_path).believed
    assert believed is not None
    assert iso(believed.at_s) == first.at
    assert look(tmp_path)[0].trust == "not believed"


def test_a_word_for_the_clock_is_kept_with_the_start_it_was_given_in(tmp_path: Path, clock: Courses) -> None:
    clock.start(-900 * DAY_S)
    confirm(tmp_path / "rig", clock.true_s + 5)
    judged, known, heard = look(tmp_path / "rig")
    assert (judged.trust, asks(known, heard)) == ("confirmed", False)
    assert json.loads((tmp_path / "rig" / MEMORY_NAME).read_text())["believed"]["boot"] == heard.boot
    clock.start(-900 * DAY_S)
    judged, known, heard = look(tmp_path / "rig")
    assert (judged.trust, asks(known, heard)) == ("not believed", True)
    leave_open(tmp_path / "rig")
    assert not asks(remembered(tmp_path / "rig"), heard)
    assert seconds(now_in(tmp_path)) == pytest.approx(MADE_S + 0.001)
