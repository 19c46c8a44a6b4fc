"""A wheel's label in a photograph, read back into the question about the wheel."""

from __future__ import annotations

from pathlib import Path

import pytest
from photographs import BLANK, photograph
from shop_books import fill_of, journal_with

from rig.books.looks import Looks
from rig.books.tag import SIZES, tag_words
from rig.books.tag_read import codes_in, wheel_of
from rig.ledger.keeping import book_of
from rig.record.base import Document
from rig.run.refused import Refused
from rig.run.settings import Settings, load_settings
from rig.shop.filled import filled_one
from rig.shop.posting import number_of

TWO_MORE = fill_of("b", 20, existing_l=261.2, net_l=20.0, mass_kg=25.6)


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Settings:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    shipped = (Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")
    (tmp_path / "rig.toml").write_text(shipped.replace("Demo rig (simulated)", "Truck 1"), encoding="utf-8")
    return load_settings(tmp_path / "rig.toml")


def labels(settings: Settings, *fills: Document, us: bool = False) -> list[str]:
    """The labels of fills in the book, in its order."""
    journal_with(Path(settings.rig.data), *fills)
    with book_of(Path(settings.rig.data)) as book:
        by_number = {number_of(each): each for each in book.valid("fill")}
        return [
            "; ".join(tag_words(filled_one(book, by_number[str(at + 1)]), Looks(us=us))) for at in range(len(fills))
        ]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("turned", [0.0, 14.0, 97.0])
def test_a_label_is_read_from_a_photograph_taken_askew(size: str, turned: float) -> None:
    words = ("LIQUID BALLAST INSIDE", "18.4-38, rear left", "beet, 411.8 L (108.8 gal)", "Truck 1 No. 3")
    assert codes_in(photograph(words, size, turned=turned)) == ["; ".join(words)]


@pytest.mark.parametrize("us", [False, True])
def test_a_label_of_another_rig_is_taken_at_its_word(settings: Settings, us: bool) -> None:
    (label,) = labels(settings, fill_of("a"), us=us)
    found = wheel_of(settings, [label.replace("Truck 1", "Truck 7")])
    assert (found.size, found.position, found.holds_fluid) == ("16.9-28", "rear left", "beet")
    assert float(found.holds.removesuffix(" L")) == pytest.approx(261.2, abs=0.2)
    assert "of another rig" in found.says


def test_what_was_done_after_the_label_was_printed_counts(settings: Settings) -> None:
    first, _ = labels(settings, fill_of("a"), TWO_MORE)
    found = wheel_of(settings, [first])
    assert (found.size, found.position) == ("16.9-28", "rear left")
    assert found.holds == "281.20 L"
    assert found.holds_fluid == "281.20 L beet"
    assert "by the book" in found.says


def test_without_a_job_a_label_speaks_of_its_own_fill_alone(settings: Settings) -> None:
    first, _ = labels(settings, fill_of("a", job=""), TWO_MORE | {"job": "", "size": "18.4-38"})
    assert (wheel_of(settings, [first]).size, wheel_of(settings, [first]).holds) == ("16.9-28", "261.20 L")


def test_marks_of_strength_and_an_unknown_volume_are_read(settings: Settings) -> None:
    label = "LIQUID BALLAST INSIDE; VF 480/80R42 CFO, front right; somebody's mix, litres not known; Truck 9 No. 2"
    found = wheel_of(settings, ["another code", label])
    assert (found.size, found.position) == ("VF 480/80R42 CFO", "front right")
    assert (found.holds, found.holds_fluid) == ("", "unknown")


@pytest.mark.parametrize(
    "text",
    ["https://example.org", "LIQUID BALLAST INSIDE", "LIQUID BALLAST INSIDE; rear left; beet, 9 L",
     "LIQUID BALLAST INSIDE; 16.9-28; beet, nine"],
)  # fmt: skip
def test_another_code_is_refused_with_words(settings: Settings, text: str) -> None:
    with pytest.raises(Refused, match="not that of a wheel's label"):
        wheel_of(settings, [text])


@pytest.mark.parametrize(
    ("picture", "words"),
    [(b"", "no picture"), (b"\xff\xd8\xff\xe0 broken", "no picture"), (BLANK[:200], "no picture"), (BLANK, "no code")],
)
def test_what_is_no_photograph_of_a_label_is_refused_with_words(picture: bytes, words: str) -> None:
    with pytest.raises(Refused, match=words):
        codes_in(picture)
