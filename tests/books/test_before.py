"""What the book says before a fill: enough in the tote for the axle, what the wheel holds, which liquid is drawn.

The words of the mixes are those of the fluid room; litres are sums by hand.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_now, journal_with
from virtual_fills import rig_settings

from rig.cli import main
from rig.ledger.keeping import book_of
from rig.run.assembly import Question
from rig.run.clock_memory import utc_now
from rig.shop.before import foreknown
from rig.shop.posting import book_if_any
from rig.shop.totes import same_fluid

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"
Tell = Callable[..., None]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.toml").write_text(CONFIG.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


@pytest.fixture
def tell(folder: Path) -> Tell:
    def one(*words: str) -> None:
        assert main([*words, "--config", "rig.toml"]) == 0

    return one


def told(*words: str, size: str = "16.9-28", capsys: pytest.CaptureFixture[str]) -> tuple[dict[str, object], list[str]]:
    """The answer as JSON, and the book's own sentences in it."""
    capsys.readouterr()
    assert main(["target", size, *words, "--config", "rig.toml", "--json"]) == 0
    target = json.loads(capsys.readouterr().out)
    return target, [each["text"] for each in target["cautions"] if each["source"] == "the shop's own book"]


def test_without_a_book_nothing_is_told_and_none_is_made(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert told("--position", "rear left", capsys=capsys)[1] == []
    assert not (folder / "rig-data").exists()
    with book_if_any(rig_settings(rig__data=str(folder / "none"))) as book:
        assert book is None


@pytest.mark.parametrize(
    ("left", "words"),
    [
        # A wheel of about 261 L, and 20 L that the dip tube leaves: 281 for one, 542 for both.
        ("250 L", "this wheel needs"),
        ("270 L", "this wheel needs"),
        ("290 L", "not for rear right too"),
        ("530 L", "not for rear right too"),
        ("560 L", ""),
    ],
)
def test_enough_for_both_wheels_of_an_axle(
    tell: Tell, capsys: pytest.CaptureFixture[str], left: str, words: str
) -> None:
    tell("stock", "dip", "--volume", left)
    _, found = told("--job", "J1", "--position", "Rear Left", capsys=capsys)
    assert len(found) == bool(words)
    assert words in "".join(found)
    assert main(["target", "16.9-28", "--job", "J1", "--position", "rear left", "--config", "rig.toml"]) == 0
    assert words in capsys.readouterr().out


@pytest.mark.parametrize("known", ["level", "book", "configuration"])
def test_what_the_tote_holds_is_the_level_s_else_the_book_s_else_the_configuration_s(folder: Path, known: str) -> None:
    """Each says 300 L, and the ones behind it 900: enough for one wheel of 261 L, not for both."""
    without_level = {} if known == "level" else {"points__tote_level": None}
    content = "300 L" if known == "configuration" else "900 L"
    settings = rig_settings(rig__data=str(folder / "rig-data"), tote__content=content, **without_level)
    if known != "configuration":
        with book_of(folder / "rig-data", settings.rig.name) as book:
            litres = 300.0 if known == "book" else 900.0
            book.append("dip", "d", utc_now(), {"tote": "", "tote_l": litres, "fluid": "", "lot": ""})
    level_l = 300.0 if known == "level" else None
    (told,) = foreknown(settings, Question("16.9-28"), "J1", "rear left", level_l=level_l).cautions
    words = {"level": "by its level", "book": "by the book", "configuration": "as configured"}
    assert f"the tote holds 300.0 L (79.3 gal) {words[known]}: enough for this wheel, not for rear right" in told.text
    assert not foreknown(settings, Question("16.9-28"), "J1", "rear", level_l=level_l).cautions
    if known == "book":
        # A level that shows more goes before a book that says less.
        assert not foreknown(settings, Question("16.9-28"), "J1", "rear left", level_l=900.0).cautions


def test_with_a_level_to_look_at_the_configuration_is_nobody_s_word(folder: Path) -> None:
    settings = rig_settings(rig__data=str(folder / "rig-data"), tote__content="30 L")
    assert not foreknown(settings, Question("16.9-28"), "J1", "rear left").cautions


def test_the_second_wheel_needs_only_its_own(tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tell("stock", "dip", "--volume", "600 L")
    (folder / "rig-data").mkdir(exist_ok=True)
    journal_with(folder / "rig-data", fill_now("a", job="J1", position="rear left", net_l=261.0))
    # 339 L are left: enough for rear right, whose twin is done, not for both wheels of another job.
    assert told("--job", "J1", "--position", "rear right", capsys=capsys)[1] == []
    assert "rear left too" in told("--job", "J2", "--position", "rear right", capsys=capsys)[1][0]
    assert told("--job", "J2", "--position", "rear", capsys=capsys)[1] == []
    # Without a job the day counts.
    journal_with(folder / "rig-data", fill_now("b", job="", position="front left", net_l=1.0))
    assert told("--position", "front right", capsys=capsys)[1] == []


def test_a_wheel_that_holds_another_liquid(tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tell("job", "J1", "--customer", "Hill", "--machine", "T7")
    brine = fill_now("a", job="J1", net_l=114.0, fluid="cacl2:20%")
    journal_with(folder / "rig-data", brine)
    tell("job", "J2", "--customer", "Hill", "--machine", "T7")
    tell("job", "J3", "--customer", "Dale", "--machine", "T7")
    target, found = told("--job", "J2", "--position", "rear left", capsys=capsys)
    assert "holds 114.0 L (30.1 gal) of cacl2:20%, and beet is to go on it" in found[0]
    texts = [each["text"] for each in target["cautions"]]  # type: ignore[attr-defined]
    # The sentences of the fluid room for beet on brine.
    assert any("thinned beet may spoil" in text for text in texts)
    assert any("calcium has been in this wheel" in text for text in texts)
    # Another wheel, and the like wheel of another customer, hold nothing that the book knows.
    assert told("--job", "J2", "--position", "rear right", capsys=capsys)[1] == []
    assert told("--job", "J3", "--position", "rear left", capsys=capsys)[1] == []
    # More of the same: it is full already; counted in, nothing is said.
    asked = ("--job", "J2", "--position", "rear left", "--fluid", "cacl2:20%")
    assert "holds 114.0 L" in told(*asked, capsys=capsys)[1][0]
    assert told(*asked, "--holds", "114 L", capsys=capsys)[1] == []


def test_what_came_out_or_was_found_is_believed(tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal_with(folder / "rig-data" if tell("stock") is None else folder, fill_now("a", net_l=114.0, fluid="water"))
    at = ("--job", "J1", "--position", "rear left")
    tell("note", "return", *at, "--volume", "100 L", "--to", "waste tank")
    assert "holds 14.0 L" in told(*at, capsys=capsys)[1][0]
    tell("note", "holds", *at, "--volume", "30 L", "--fluid", "pg:50%vol")
    assert "holds 30.0 L (7.9 gal) of pg:50%vol" in told(*at, capsys=capsys)[1][0]
    # A rinse leaves water in place of what stands below the valve hole.
    tell("note", "step", *at, "--step", "rinse")
    assert "holds 30.0 L (7.9 gal) of water" in told(*at, capsys=capsys)[1][0]
    tell("note", "step", *at, "--step", "new wheel")
    assert told(*at, capsys=capsys)[1] == []


def test_the_mix_in_the_wheel_is_the_book_s(tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal_with(folder / "rig-data" if tell("stock") is None else folder, fill_now("a", net_l=75.7, fluid="water"))
    at = ("--job", "J1", "--position", "rear left", "--fluid", "cacl2:3.5lb/gal")
    target, found = told(*at, "--holds", "75.7 L", capsys=capsys)
    # 75.7 L of water topped up to 261.2 L with brine of 22.8 %: 17.0 %, first ice at -13.7 C (computed outside).
    assert target["mix"] == "cacl2:17.0%"
    assert target["freeze_c"] == pytest.approx(-13.7, abs=0.1)
    assert any("75.7 L (20.0 gal) of water" in text for text in found)


def test_the_tote_at_the_pump_says_what_is_drawn(tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tell("stock", "load", "--volume", "900 L", "--fluid", "cacl2:22.8%")
    target, found = told(capsys=capsys)
    assert target["fluid"] == "cacl2:22.8%"
    assert "the configuration says beet" in found[0]
    assert told("--fluid", "cacl2:3.5lb/gal", capsys=capsys)[1] == []
    assert "beet was asked for" in told("--fluid", "beet", capsys=capsys)[1][0]
    settings = rig_settings(rig__data=str(folder / "rig-data"))
    assert foreknown(settings, Question("16.9-28", fluid="water")).refusal
    assert not foreknown(settings, Question("16.9-28")).refusal
    # Water in the brine makes weaker brine: by hand 0.228 x 900 x 1.209 of 900 x 1.209 + 100 x 0.999 kg.
    tell("stock", "load", "--volume", "100 L", "--fluid", "water", "--mixed")
    weaker = foreknown(settings, Question("16.9-28"))
    assert not weaker.refusal
    assert weaker.target.fluid.strength == pytest.approx(0.2089, abs=1e-3)
    assert "holds cacl2:20.9% by the book" in foreknown(settings, Question("16.9-28", fluid="cacl2:3.5lb/gal")).refusal
    tell("stock", "load", "--volume", "100 L", "--fluid", "pg:50%vol", "--mixed")
    assert "holds a mix" in foreknown(settings, Question("16.9-28")).refusal
    # What is empty holds no liquid that could be the wrong one.
    tell("stock", "dip", "--volume", "0 L")
    assert not foreknown(settings, Question("16.9-28", fluid="beet")).refusal


def test_an_unsound_book_is_told_and_stops_no_answer(
    tell: Tell, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tell("stock", "dip", "--volume", "900 L")
    (folder / "rig-data" / "book.sqlite").write_bytes(b"no database at all" * 300)
    assert "cannot be read" in told(capsys=capsys)[1][0]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("beet", "Beet juice", True),
        ("cacl2:3.5lb/gal", "cacl2:22.8%", True),
        ("cacl2:20%", "cacl2:28%", False),
        ("pg:50%vol", "eg:50%vol", False),
        ("house mix", "House  mix", True),
        ("house mix", "water", False),
    ],
)
def test_one_liquid_has_many_names(one: str, other: str, same: bool) -> None:
    assert same_fluid(rig_settings(), one, other) is same
    assert same_fluid(None, other, one) is same
