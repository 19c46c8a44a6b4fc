"""The label of a wheel, read back by a reader of another make (zxing-cpp), in both sizes and all kinds of files.

ISO/IEC 18004: a quiet zone of four modules on every side, as the inventor's page has it (denso-wave.com/qrcode); GS1
gives a QR code at the counter modules of 0.396 to 0.990 mm (General Specifications 5.12.3.1, as gs1uk.org has it).
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from fpdf import FPDF
from PIL import Image
from shop_books import fill_of, journal_with

from rig.books.looks import Looks
from rig.books.tag import DOTS_PER_MM, QUIET, SIZES, Label, as_pdf_label, as_png, as_svg, label_of, tag_words
from rig.cli import main
from rig.ledger.keeping import book_of
from rig.run.refused import Refused
from rig.shop.filled import Filled

WORDS = ("LIQUID BALLAST INSIDE", "18.4-38, rear left", "beet, 411.8 L (108.8 gal)", "first ice -37 C (-35 F)",
         "filled 2026-11-20", "Truck 1 No. 3", "SIMULATED")  # fmt: skip


def read(picture: Path) -> str:
    found = zxingcpp.read_barcodes(np.asarray(Image.open(picture).convert("L")))
    assert len(found) == 1
    return str(found[0].text)


def rendered(pdf: Path) -> Path:
    subprocess.run(["pdftoppm", "-r", "203", "-png", "-singlefile", pdf.name, "page"], cwd=pdf.parent, check=True)
    return pdf.parent / "page.png"


@pytest.mark.parametrize("size", SIZES)
def test_another_reader_reads_the_label_from_png_and_pdf(size: str, tmp_path: Path) -> None:
    label = label_of(WORDS, SIZES[size])
    (tmp_path / "tag.png").write_bytes(as_png(label))
    (tmp_path / "tag.pdf").write_bytes(as_pdf_label(label))
    for picture in (tmp_path / "tag.png", rendered(tmp_path / "tag.pdf")):
        assert read(picture) == "; ".join(WORDS)


@pytest.mark.parametrize("size", SIZES)
def test_another_reader_reads_the_label_from_svg(size: str, tmp_path: Path) -> None:
    """Drawn by the reader of SVG of another library, on white as the label is."""
    (tmp_path / "tag.svg").write_bytes(as_svg(label_of(WORDS, SIZES[size])))
    page = FPDF(format=(60, 110))
    page.add_page(orientation="landscape")
    page.image(tmp_path / "tag.svg", x=2, y=2, w=SIZES[size].width_mm)
    page.output(str(tmp_path / "svg.pdf"))
    assert read(rendered(tmp_path / "svg.pdf")) == "; ".join(WORDS)


@pytest.mark.parametrize("size", SIZES)
def test_the_quiet_zone_is_white_and_a_module_is_whole_dots(size: str, tmp_path: Path) -> None:
    label = label_of(WORDS, SIZES[size])
    assert 0.396 <= label.module_mm <= 0.990
    (tmp_path / "tag.png").write_bytes(as_png(label))
    with Image.open(tmp_path / "tag.png") as picture:
        dark = ~np.asarray(picture.convert("1"))
    width, height = (round(each * DOTS_PER_MM) for each in (SIZES[size].width_mm, SIZES[size].height_mm))
    assert dark.shape == (height, width)
    code, quiet = len(label.modules) * label.dots, QUIET * label.dots
    rows, columns = np.where(dark[:, : quiet + code])
    assert (columns.min(), columns.max()) == (quiet, quiet + code - 1)
    assert rows.min() >= quiet
    assert rows.max() < height - quiet
    # Between the code and its words there are four modules too.
    assert not dark[:, quiet + code : 2 * quiet + code].any()


@pytest.mark.parametrize("size", SIZES)
def test_every_word_stands_on_the_label(size: str) -> None:
    label = label_of(WORDS, SIZES[size])
    assert " ".join(label.lines) == " ".join(WORDS)
    assert fits(label)


def fits(label: Label) -> bool:
    return len(label.lines) * label.text_mm * 1.25 <= label.size.height_mm


def test_a_long_position_makes_the_small_label_finer_or_is_refused() -> None:
    long = (*WORDS, "x" * 60)
    assert label_of(long, SIZES["large"]).module_mm > label_of(long, SIZES["small"]).module_mm >= 0.375
    with pytest.raises(Refused, match="other size"):
        label_of((*WORDS, "x" * 400), SIZES["small"])


def test_the_command_writes_each_kind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    journal_with(tmp_path / "rig-data", fill_of("a", freeze_c=-37.0))
    for name in ("t.svg", "t.png", "t.pdf"):
        for size in SIZES:
            assert main(["tag", "a", "--out", name, "--size", size, "--json"]) == 0
            document = json.loads(capsys.readouterr().out)
            assert document["quiet_modules"] == 4
    assert read(tmp_path / "t.png") == document["text"]
    assert "first ice -37 C (-35 F)" in document["text"]
    assert "mm" in (tmp_path / "t.svg").read_text(encoding="utf-8")
    assert main(["tag", "a", "--out", "t.doc"]) == 3
    with book_of(tmp_path / "rig-data") as book:
        [fill] = book.valid("fill")
    assert "first ice -35 F (-37 C)" in tag_words(Filled(fill), Looks(us=True))


def test_marks_of_strength_stay_on_the_label_and_the_size_is_found_without_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    journal_with(
        tmp_path / "rig-data", fill_of("a", size="480/80R42", size_as_marked="VF 480/80R42 CFO", position="rear left")
    )
    assert main(["tag", "a", "--out", "t.svg", "--json"]) == 0
    assert "VF 480/80R42 CFO, rear left" in json.loads(capsys.readouterr().out)["text"]
    assert main(["ticket", "a"]) == 0
    assert "VF 480/80R42 CFO" in capsys.readouterr().out
    with book_of(tmp_path / "rig-data") as book:
        [fill] = book.valid("fill")
    assert json.loads(fill.body)["size"] == "480/80R42"
