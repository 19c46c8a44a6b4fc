"""`rig clock`, and the one question before the first work of the day."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from clocks import Courses
from shop import settings
from shop_books import fill_of, journal_with

from rig.books.clock import settle_clock, typed_s
from rig.books.looks import Looks
from rig.books.tag import tag_words
from rig.cli import main
from rig.ledger.keeping import book_read
from rig.panel.after import ticket_words
from rig.panel.history import fills_view
from rig.run.clock_memory import look, records_of, utc_now
from rig.run.refused import Refused
from rig.run.time_guard import seconds
from rig.shop.filled import Filled

YEAR_S = 365 * 86400.0


@pytest.fixture
def clock() -> Iterator[Courses]:
    with Courses() as courses:
        yield courses


class Typed:
    """What a person types, line by line."""

    def __init__(self, *lines: str) -> None:
        self.lines = list(lines)

    def __call__(self) -> str:
        return self.lines.pop(0) + "\n" if self.lines else ""


def test_one_question_and_the_right_time_typed(
    tmp_path: Path, clock: Courses, capsys: pytest.CaptureFixture[str]
) -> None:
    of = settings(rig__data=str(tmp_path / "rig"))
    settle_clock(of, "Jo", Typed())
    assert capsys.readouterr().err == ""
    clock.start(-YEAR_S)
    right = "2026-12-11 14:05"
    settle_clock(of, "Jo", Typed("noon", "2026-12-11", right))
    asked = capsys.readouterr().err
    assert asked.count("Is it right?") == 3
    assert "is not believed" in asked
    judged = look(tmp_path / "rig")[0]
    assert (judged.trust, judged.at_s) == ("confirmed", pytest.approx(typed_s(right), abs=20))
    with book_read(tmp_path / "rig") as book:
        assert book.valid("clock")[0].document["by"] == "Jo"
    settle_clock(of, "Jo", Typed())
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("lines", [(), ("n",), ("2020-01-01 08:00", "x", "y2k", "z")])
def test_whoever_does_not_know_may_work(
    tmp_path: Path, clock: Courses, capsys: pytest.CaptureFixture[str], lines: tuple[str, ...]
) -> None:
    of = settings(rig__data=str(tmp_path))
    clock.start(-YEAR_S)
    settle_clock(of, "Jo", Typed(*lines))
    assert "Is it right?" in capsys.readouterr().err
    settle_clock(of, "Jo", Typed())
    assert capsys.readouterr().err == ""
    assert look(tmp_path)[0].trust == "not believed"


def test_a_simulated_rig_is_not_asked(tmp_path: Path, clock: Courses, capsys: pytest.CaptureFixture[str]) -> None:
    clock.start(-YEAR_S)
    settle_clock(settings(rig__data=str(tmp_path), rig__simulated=True), "", Typed())
    assert capsys.readouterr().err == ""


def test_the_command_shows_and_confirms(
    tmp_path: Path, clock: Courses, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    def says(*words: str) -> dict[str, object]:
        assert main(["clock", *words, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert isinstance(found, dict)
        return found

    journal_with(tmp_path / "rig-data", fill_of("a"))
    assert says()["clock"] == "plausible"
    clock.start(2 * YEAR_S)
    found = says()
    assert (found["clock"], "later than the last record" in str(found["why"])) == ("not believed", True)
    assert main(["clock"]) == 0
    assert "is not believed" in capsys.readouterr().out
    assert main(["clock", "--confirm", "noon"]) == 3
    assert "write day and time" in capsys.readouterr().err
    assert says("--confirm", "--by", "Jo")["clock"] == "confirmed"
    assert seconds(str(says()["at"])) == pytest.approx(clock.wall_s(), abs=20)
    with pytest.raises(Refused, match="time of day is missing"):
        typed_s("2026-11-28")


def test_looking_at_the_clock_writes_nothing(
    tmp_path: Path, clock: Courses, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["clock"]) == 0
    assert "plausible" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_a_fill_dated_2020_does_not_enter_the_book_without_a_word(tmp_path: Path, clock: Courses) -> None:
    """It did: ticket and label said 2020, and the month's bill had it in no month of that year."""
    journal_with(tmp_path, fill_of("first", started_at="2026-11-20T08:00:00.000+00:00"))
    clock.start(-6 * YEAR_S)
    with records_of(tmp_path):
        at = utc_now()
    journal_with(tmp_path, fill_of("second", 20, started_at=str(at), ended_at=str(at), **at.words))
    rows = fills_view(settings(rig__data=str(tmp_path)))
    assert {row["fill_id"]: row["date_known"] for row in rows} == {"first": True, "second": False}
    with book_read(tmp_path) as book:
        first, second = book.valid("fill")
        assert second.document["clock"] == "not believed"
        assert str(second.document["clock_said"]).startswith("2020-")
        assert 0 < seconds(second.at) - seconds(first.at) < 1
        words = ticket_words(book, "second")
        assert "date not known, after 2026-11-20" in " ".join(words.split())
        assert "filled not known, after 2026-11-20" in tag_words(Filled(second), Looks())
        assert "date not known" not in ticket_words(book, "first")
