"""Days with a wrong clock: two years back, two years forward, set in the middle of a fill. Nothing is chosen by it.

The same day on a right clock is what each is compared with.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import tempfile
from pathlib import Path

import pytest
from clocks import Courses
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_rigs import demo, fill, served
from shop_books import fill_of, journal_only

from rig.cli import main
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.ledger.keeping import book_read
from rig.run.clock_memory import records_of, utc_now
from rig.run.time_guard import seconds

YEAR_S = 365 * 86400.0
CONFIG = Path(__file__).resolve().parents[2] / "config"
JOB = ("--job", "J1")


class Day:
    """A rig's folder in which a day's work is done by its commands."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        text = (CONFIG / "demo.toml").read_text(encoding="utf-8")
        # The factor that the maker's sheet stated; a proving is made afterwards.
        self.text = text.replace("[meter]", "[meter]\nmeter_factor = 1.0\nproven_on = 2027-06-01", 1)
        self.config = folder / "rig.toml"
        self.data = folder / "rig-data"
        self.config.write_text(_once(self.text).replace('data = "rig-data"', f'data = "{self.data}"'), encoding="utf-8")
        self.fills = 0

    def does(self, *words: str, status: int = 0) -> dict[str, object]:
        """One command's answer."""
        with contextlib.redirect_stdout(Said()) as out:
            assert main([*words, "--config", str(self.config), "--json"]) == status, words
        found = json.loads(out.text)
        assert isinstance(found, dict)
        return found

    def fill(self) -> None:
        """A fill of 261.2 L, dated as a rig dates it."""
        self.fills += 1
        with records_of(self.data):
            self.data.mkdir(exist_ok=True)
            at = utc_now()
        record = fill_of(f"fill-{self.fills}", started_at=str(at), ended_at=str(at), **at.words)
        journal_only(self.data, record)
        self.does("ledger", "post")

    def figures(self) -> dict[str, object]:
        """What must not hang on a clock."""
        meter, bill = self.does("meter"), self.does("bill", "J1")
        return {
            "stock_l": self.does("stock")["left_l"],
            "factor": meter["factor"],
            "from": meter["factor_from"],
            "fills_since": meter["fills_since"],
            "total": bill["total"],
            "prices": [line["price"] for line in bill["lines"]],  # type: ignore[attr-defined]
        }


class Said:
    """Standard output, kept."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Nothing waits."""


def _once(text: str) -> str:
    """The configuration with one data folder, and each key of the meter once."""
    lines, seen, table = [], set(), ""
    for line in text.splitlines():
        table = line if line.startswith("[") else table
        key = (table, line.split("=")[0].strip())
        if "=" in line and not line.startswith("#") and key in seen:
            continue
        seen.add(key)
        lines.append(line)
    found = "\n".join(lines)
    return found if 'data = "rig-data"' in found else found.replace("[rig]", '[rig]\ndata = "rig-data"', 1)


PULSES = ("prove", "--pulses", "25010,25015,25012", "--reference", "66 gal", "--accept", "--by", "Jo")


def dearer(folder: Path) -> Path:
    """The price list with every price a tenth higher."""
    text = (CONFIG / "prices.toml").read_text(encoding="utf-8")
    path = folder / "dearer.toml"
    path.write_text(text.replace("price = ", "price = 1"), encoding="utf-8")
    return path


def work(day: Day, before_each: list[tuple[str, float]], clock: Courses) -> dict[str, object]:
    """A day's work, the clock changed before each step."""
    steps = [
        lambda: day.does("prices", str(CONFIG / "prices.toml")),
        lambda: day.does("stock", "dip", "--volume", "900 L"),
        day.fill,
        lambda: day.does(*PULSES),
        day.fill,
        lambda: day.does("prices", str(dearer(day.folder))),
        lambda: day.does("stock", "load", "--volume", "100 L", "--fluid", "beet"),
        day.fill,
    ]
    day.does("meter")
    for place, step in enumerate(steps):
        what, offset_s = before_each[place] if place < len(before_each) else ("right", 0.0)
        clock.passes(600.0)
        if what == "start":
            clock.start(offset_s)
        elif what == "set":
            clock.offset_s = offset_s
        step()
    clock.offset_s = 0.0
    return day.figures()


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """The same day on a right clock."""
    with Courses() as clock:
        return work(Day(tmp_path_factory.mktemp("right")), [], clock)


def test_a_right_day_is_as_it_should_be(right: dict[str, object]) -> None:
    assert right["stock_l"] == pytest.approx(1000 - 3 * 261.2, abs=0.2)
    assert (right["factor"], right["from"], right["fills_since"]) == (pytest.approx(0.99886, abs=1e-5), "proving", 2)


@pytest.mark.parametrize("years", [-2, 2, -6, 6])
def test_a_day_years_away_is_the_same_day(tmp_path: Path, right: dict[str, object], years: int) -> None:
    """A proving with a stale clock was taken and not used; stock said 900 L where 261 were left."""
    with Courses() as clock:
        day = Day(tmp_path)
        with records_of(day.data):
            day.data.mkdir()
            first = utc_now()
        clock.start(years * YEAR_S)
        clock.passes(3600)
        wrong = ("pass", 0.0)
        for_day = Day(tmp_path)
        clock.offset_s = years * YEAR_S
        found = work(for_day, [wrong] * 8, clock)
    assert found == right
    with book_read(day.data) as book:
        records = list(book.every())
    assert {record.document["clock"] for record in records} == {"not believed"}
    times = [seconds(record.at) for record in records]
    assert times == sorted(times)
    assert 0 < times[-1] - seconds(first) < 8 * 86400
    said = {seconds(str(record.document["clock_said"])) for record in records}
    assert all(abs(abs(each - seconds(first)) - abs(years) * YEAR_S) < 2 * 86400 for each in said)


@pytest.mark.release
@settings(max_examples=15)
@given(st.lists(st.tuples(st.sampled_from(["pass", "start", "set"]), st.floats(-5 * YEAR_S, 5 * YEAR_S)), max_size=8))
def test_no_course_of_the_clock_changes_stock_price_or_factor(
    right: dict[str, object], courses: list[tuple[str, float]]
) -> None:
    folder = Path(tempfile.mkdtemp(prefix="rig-clock-"))
    try:
        with Courses() as clock:
            assert work(Day(folder), courses, clock) == right
    finally:
        shutil.rmtree(folder)


# --- a whole fill on the simulated rig ------------------------------------------------------------------------------


@pytest.mark.full
@pytest.mark.parametrize("jump_s", [-2 * YEAR_S, 2 * YEAR_S, 0.0])
async def test_a_clock_that_is_set_in_the_middle_of_a_fill(tmp_path: Path, jump_s: float) -> None:
    changed = []
    with Courses() as clock:

        def watch(_setup: Setup, decision: Decision) -> None:
            if decision.outputs.moving and not changed:
                changed.append(clock.true_s)
                clock.offset_s = jump_s

        async with served(demo(tmp_path)) as (of, _):
            began_s = clock.wall_s()
            record = await fill(of, watch)
        ended_s = clock.true_s
    assert record["outcome"] == "complete"
    assert changed
    assert seconds(record["started_at"]) == pytest.approx(began_s, abs=20)
    assert seconds(record["ended_at"]) == pytest.approx(ended_s, abs=20)
    assert record["clock"] == ("plausible" if jump_s == 0 else "not believed")
    assert record["clock_jump_s"] == (None if jump_s == 0 else pytest.approx(jump_s, abs=0.2))
    with book_read(Path(of.rig.data)) as book:
        [stored] = book.valid("fill")
        assert stored.document["clock"] == record["clock"]
        assert all(seconds(each.at) < ended_s + 20 for each in book.every())
