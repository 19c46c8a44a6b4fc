"""How a shop wants its papers: size, units, clock, logo; machines with many wheels; quotes; the files of an export."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from pypdf import PdfReader
from shop_books import fill_of, journal_with

from rig.books.looks import Looks
from rig.books.pdf import logo_fault
from rig.cli import main

PRICES = Path(__file__).parents[2] / "config" / "prices.toml"
CONFIG = PRICES.parent
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 8"><circle cx="4" cy="4" r="3" fill="#0a5"/></svg>'
PLACES = [f"{axle} {side} {dual}" for axle in ("front", "rear", "third", "fourth", "fifth", "sixth")
          for side in ("left", "right") for dual in ("inner", "outer")]  # fmt: skip
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()

    def run_one(*words: str) -> tuple[int, str, str]:
        status = main(list(words))
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run_one


def handed_in(run: Run, *changes: tuple[str, str]) -> tuple[int, str, str]:
    text = PRICES.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    Path("own.toml").write_text(text, encoding="utf-8")
    return run("prices", "own.toml")


def words_of(pdf: str) -> str:
    done = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True, text=True)
    return re.sub(r"\s+", " ", done.stdout)


# ISO 216 has A4 as 210 x 297 mm; ANSI/ASME Y14.1 has size A, Letter, as 8.5 x 11 in; 72 points an inch.
@pytest.mark.parametrize(("paper", "points"), [("letter", (612.0, 792.0)), ("A4", (595.28, 841.89))])
def test_papers_are_of_the_size_that_the_shop_has(
    run: Run, tmp_path: Path, paper: str, points: tuple[float, float]
) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"))
    handed_in(run, ('paper = "letter"', f'paper = "{paper}"'))
    for words in (("bill", "J1"), ("ticket", "a")):
        assert run(*words, "--pdf", "x.pdf")[0] == 0
        box = PdfReader("x.pdf").pages[0].mediabox
        assert (round(float(box.width), 2), round(float(box.height), 2)) == points


def test_gallons_pounds_and_fahrenheit_come_first_where_the_shop_says_so(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a", freeze_c=-18.0))
    handed_in(run)
    text = run("ticket", "a")[1]
    # 261.2 L are 69.0 gal, 334.9 kg are 738 lb, -18 °C are -0.4 °F, 82.7 kPa are 12.0 psi (NIST SP 811, appendix B).
    for words in ("69.0 gal (261.2 L)", "738 lb (335 kg)", "0 °F (-18 °C)", "12.0 psi (83 kPa)", "59.0 °F (15.0 °C)"):
        assert words in text, words
    handed_in(run, ('units = "us"', 'units = "metric"'))
    text = run("ticket", "a")[1]
    for words in ("261.2 L (69.0 gal)", "335 kg (738 lb)", "-18 °C (0 °F)", "83 kPa (12.0 psi)", "15.0 °C (59.0 °F)"):
        assert words in text, words


def test_the_clock_is_that_of_the_shop_with_its_zone(run: Run, tmp_path: Path) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"))
    handed_in(run, ('# zone = "America/Chicago"', 'zone = "America/Chicago"'))
    # 08:00 UTC in November is 02:00 Central Standard Time (IANA time zone database).
    assert "2026-11-20 02:00 CST (UTC-06:00)" in run("ticket", "a")[1]
    summer = Looks(zone="America/Chicago").moment("2026-07-01T03:00:00.000+00:00")
    assert summer == "2026-06-30 22:00 CDT (UTC-05:00)"
    # The day of a bill is the shop's, not that of UTC.
    assert Looks(zone="America/Chicago").day("2026-07-01T03:00:00.000+00:00").isoformat() == "2026-06-30"
    status, _, error = handed_in(run, ('# zone = "America/Chicago"', 'zone = "Middle/Earth"'))
    assert (status, "no time zone" in error) == (2, True)


# --- logo -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["logo.svg", "logo.png"])
def test_the_logo_stands_on_the_paper_and_the_book_keeps_it(run: Run, tmp_path: Path, name: str) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"))
    if name.endswith("svg"):
        Path(name).write_text(SVG, encoding="utf-8")
    else:
        Image.new("RGBA", (60, 20), (0, 160, 90, 255)).save(name)
    assert handed_in(run, ('# logo = "logo.svg"', f'logo = "{name}"'))[0] == 0
    Path(name).unlink()
    assert run("bill", "J1", "--pdf", "x.pdf")[0] == 0
    subprocess.run(["pdftoppm", "-r", "50", "-png", "-singlefile", "x.pdf", "x"], check=True)
    with Image.open("x.png") as page:
        top = page.convert("RGB").crop((page.width // 2, 0, page.width, page.height // 5))
        colours = {pixel for _, pixel in top.getcolors(100_000) or []}
    assert any(green > 120 and red < 60 for red, green, _ in colours)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"GIF89a", "neither a PNG nor an SVG"),
        (b"\x89PNG\r\n\x1a\nbroken", "cannot be drawn"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><circle", "cannot be drawn"),
        (b"\x89PNG\r\n\x1a\n" + b"0" * 300_000, "at most 256"),
        (None, "cannot be read"),
    ],
)
def test_a_logo_that_cannot_be_printed_is_refused_at_once(
    run: Run, tmp_path: Path, content: bytes | None, words: str
) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"))
    if content is not None:
        Path("logo.svg").write_bytes(content)
    status, _, error = handed_in(run, ('# logo = "logo.svg"', 'logo = "logo.svg"'))
    assert (status, words in error) == (2, True), error


def test_what_is_no_picture_is_told() -> None:
    assert logo_fault(SVG.encode()) is None
    assert logo_fault(b"nothing") is not None


# --- machines -------------------------------------------------------------------------------------------------------


def test_a_machine_with_24_wheels_has_one_table_and_its_axles(run: Run, tmp_path: Path) -> None:
    fills = [fill_of(f"f{n:02}", n, position=place, net_l=100.0 + n) for n, place in enumerate(PLACES)]
    journal_with(tmp_path / "rig-data", *fills)
    handed_in(run, ('units = "us"', 'units = "metric"'))
    paper = json.loads(run("ticket", "--job", "J1", "--json")[1])["paper"]
    tables = {block["title"]: block["table"] for block in paper["blocks"]}
    assert [row[0].partition(" ")[2].partition(" ")[2] for row in tables["Wheels"][1:]] == PLACES
    # By hand: the first axle 100 + 101 + 102 + 103 L; all 24 wheels 24 x 100 + (0 + … + 23) = 2676 L.
    axles = {row[0]: (row[1], row[2].split(" (")[0]) for row in tables["Axles"][1:]}
    assert axles["axle front"] == ("4", "406.0 L")
    assert axles["TOGETHER"] == ("24", "2676.0 L")
    assert run("ticket", "--job", "J1", "--pdf", "x.pdf")[0] == 0
    first = words_of_page("x.pdf", 1)
    assert all(place in first for place in PLACES)
    assert "TOGETHER" in first
    assert len(PdfReader("x.pdf").pages) <= 3


def words_of_page(pdf: str, page: int) -> str:
    done = subprocess.run(
        ["pdftotext", "-layout", "-f", str(page), "-l", str(page), pdf, "-"], check=True, capture_output=True, text=True
    )
    return re.sub(r" +", " ", done.stdout)


def test_four_wheels_and_the_signature_are_on_one_page_and_the_meter_in_small_type(run: Run, tmp_path: Path) -> None:
    places = ("front left", "front right", "rear left", "rear right")
    journal_with(tmp_path / "rig-data", *(fill_of(f"f{n}", n, position=place) for n, place in enumerate(places)))
    handed_in(run)
    run("ticket", "--job", "J1", "--pdf", "x.pdf")
    assert "received" in words_of_page("x.pdf", 1)
    fonts = subprocess.run(
        ["pdftotext", "-bbox-layout", "x.pdf", "-"], check=True, capture_output=True, text=True
    ).stdout
    height = {
        word: float(bottom) - float(top)
        for top, bottom, word in re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]+)</word>', fonts)
    }
    assert height["totaliser"] < 0.8 * height["received"] < height["DELIVERY"]


# --- quote ----------------------------------------------------------------------------------------------------------


def test_a_quote_has_positions_quantities_and_each_wheels_own_level(run: Run) -> None:
    config = ["--config", str(shutil.copy(CONFIG / "demo.toml", "rig.toml"))]
    assert run("prices", str(PRICES), *config)[0] == 0
    run("job", "Q", "--customer", "Hill Farm", *config)
    wheels = ["rear left=18.4-38@75%", "front=2*14.9-28@4", "14.9-28@60 gal", "14.9-28@200 kg", "16.9-28"]
    status, text, error = run("quote", "Q", *wheels, "--item", "5*core", "--pdf", "q.pdf", "--json", *config)
    assert status == 0, error
    quote = json.loads(text)
    assert [(each["position"], each["size"]) for each in quote["wheels"]] == [
        ("rear left", "18.4-38"), ("front 1", "14.9-28"), ("front 2", "14.9-28"), ("wheel 4", "14.9-28"),
        ("wheel 5", "14.9-28"), ("wheel 6", "16.9-28"),
    ]  # fmt: skip
    assert "75 % of the cavity" in quote["wheels"][0]["level"]
    assert "4 o'clock" in quote["wheels"][1]["level"]
    assert float(quote["wheels"][3]["planned_l"]) == pytest.approx(60 * 3.785411784, abs=1e-3)
    assert float(quote["wheels"][4]["mass_kg"]) == pytest.approx(200, abs=0.01)
    assert "12 o'clock" in quote["wheels"][5]["level"]
    assert [line["quantity"] for line in quote["lines"] if line["text"] == "core"] == ["5"]
    words = words_of("q.pdf")
    for each in ("QUOTE", "Hill Farm", "rear left", "75 % of the cavity", quote["total"], "NOT ACCEPTED", "accepted"):
        assert each in words, each
    assert run("quote", "Q", "--accept", "A. Hill", "--pdf", "q.pdf", *config)[0] == 0
    assert "by A. Hill" in words_of("q.pdf")


@pytest.mark.parametrize("wheel", ["a=b=18.4-38", "0*18.4-38", "18.4-38@", "=18.4-38", "18.4-38@lots", "18.4-38@300%"])
def test_a_wheel_that_cannot_be_read_is_refused(run: Run, wheel: str) -> None:
    config = ["--config", str(shutil.copy(CONFIG / "demo.toml", "rig.toml"))]
    run("prices", str(PRICES), *config)
    assert run("quote", "Q", wheel, *config)[0] in (2, 3)


# --- export ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["book.csv", "book.jsonl", "book", "BOOK.CSV"])
def test_an_export_writes_two_files_whatever_it_is_called(run: Run, tmp_path: Path, name: str) -> None:
    journal_with(tmp_path / "rig-data", fill_of("a"))
    found = json.loads(run("ledger", "export", name, "--json")[1])
    lines, table = Path(found["lines"]), Path(found["table"])
    assert lines != table
    assert [json.loads(line)["kind"] for line in lines.read_text(encoding="utf-8").splitlines()] == ["fill"]
    assert table.read_text(encoding="utf-8-sig").startswith("truck,serial,kind")
