"""`rig tag`: the label of a wheel, a QR code with its text, as PDF, PNG or SVG in label size.

The code contains plain text, so that any reader shows it without a network. A quiet zone of four modules is
kept on every side (ISO/IEC 18004; denso-wave.com/qrcode/qrgene4-e.html). A module is a whole number of dots of a label
printer: 0.5 mm or more if the text allows, which is within GS1's range for a QR code at the point of sale (0.396 to
0.990 mm, General Specifications 5.12.3.1 as gs1uk.org has it), and never below 0.375 mm. The two sizes are common rolls
of label printers: common practice, no source.
"""

from __future__ import annotations

import argparse
import io
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

import segno

from rig.books.asked import fill_asked
from rig.books.looks import Looks
from rig.books.prices import looks_now
from rig.books.printing import write_file
from rig.books.where import add_config, book_asked, print_answer
from rig.cli.table import OK, Add
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.shop.filled import Filled, filled_one
from rig.shop.posting import number_of

HEAD, NUMBER, UNKNOWN_LITRES = "LIQUID BALLAST INSIDE", " No. ", "litres not known"
"""What a label begins with; between rig and number; in place of the litres."""
QUIET = 4
"""Modules of the quiet zone (ISO/IEC 18004)."""
DOTS_PER_MM = 8
"""Resolution of a label printer of 203 dots per inch."""
_LEAST_DOTS = 3
_SHARE = 0.56
"""Maximum share of the width for the code."""
_GAP_MM = 1.0
_LINE = 1.25
"""Ratio of line height to letter height."""
_LARGEST_MM, _READABLE_MM, _SMALLEST_MM = 4.2, 2.6, 1.5
"""Letter heights."""
_WIDTH = 0.68
"""Upper estimate of a letter's width over its height. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Size:
    """Size of a label, millimetres."""

    width_mm: float
    height_mm: float


SIZES = {"small": Size(57.0, 32.0), "large": Size(102.0, 51.0)}
"""By name: 57 × 32 mm (2¼ × 1¼ in) and 102 × 51 mm (4 × 2 in)."""


@dataclass(frozen=True, slots=True)
class Label:
    """A label as drawn: dark modules by row, their size, and the lines of text next to the code."""

    size: Size
    modules: tuple[tuple[bool, ...], ...]
    """Without the quiet zone."""
    dots: int
    """Printer dots per module."""
    lines: tuple[str, ...]
    text_mm: float

    @property
    def module_mm(self) -> float:
        """Width of a module."""
        return self.dots / DOTS_PER_MM

    @property
    def code_mm(self) -> float:
        """Width of the code with its quiet zone."""
        return (len(self.modules) + 2 * QUIET) * self.module_mm

    def bars(self) -> Iterator[tuple[int, int, int]]:
        """Runs of dark modules: row, column, length; counted with the quiet zone."""
        for row, cells in enumerate(self.modules, start=QUIET):
            column = 0
            while column < len(cells):
                end = column
                while end < len(cells) and cells[end]:
                    end += 1
                if end > column:
                    yield row, column + QUIET, end - column
                column = end + 1


def add_tag(add: Add) -> None:
    """The command ``tag``."""
    tag = add("tag", tag_command)
    tag.add_argument("id", metavar="ID")
    tag.add_argument("--out", type=Path, metavar="FILE", help="a .pdf, .png or .svg (default: shown on the terminal)")
    sizes = ", ".join(f"{name}: {size.width_mm:g} x {size.height_mm:g} mm" for name, size in SIZES.items())
    tag.add_argument("--size", choices=tuple(SIZES), default="large", help=f"{sizes} (default: %(default)s)")
    add_config(tag)


def tag_command(options: argparse.Namespace) -> int:
    """Write the label of a wheel."""
    with book_asked(options) as book:
        words = tag_words(filled_one(book, fill_asked(book, options.id)), looks_now(book))
    text = "; ".join(words)
    if options.out is None:
        print_answer(options, {"text": text}, text)
        if not options.json:
            segno.make(text, error="m", micro=False).terminal(compact=True)
        return OK
    make = _MADE.get(options.out.suffix.lower())
    if make is None:
        raise Refused(f"{options.out}: write a name that ends in .pdf, .png or .svg")
    label = label_of(words, SIZES[options.size])
    write_file(options.out, make(label))
    document = {"text": text, "file": str(options.out), "module_mm": label.module_mm, "quiet_modules": QUIET}
    print_answer(options, document, f"{options.out}: {text}")
    return OK


def tag_words(filled: Filled, looks: Looks) -> tuple[str, ...]:
    """Text of the label: the content of the wheel, and the record it is from."""
    record, fill = filled.record, PumpWork.of(filled.record)
    held = looks.volume(filled.moved_l + fill.existing_l) if filled.known else UNKNOWN_LITRES
    freeze = fill.freeze_c
    return (
        HEAD,
        ", ".join(filter(None, (fill.shown_size, fill.position))),
        f"{fill.mix if fill.is_mixed else fill.fluid_text or fill.fluid}, {held}",
        *(["frost point not known"] if freeze is None and fill.mix_unknown else []),
        *([] if freeze is None else [f"first ice {looks.temperature(freeze)}".replace("°", "")]),
        f"filled {looks.day_of(fill.clock, record.at)}",
        *([f"lot {fill.lot}"] if fill.lot else []),
        f"{fill.device}{NUMBER}{number_of(record)}",
        *(["SIMULATED"] if fill.simulated else []),
    )


def label_of(words: tuple[str, ...], size: Size) -> Label:
    """The label for some words; Refused if their code would be too fine for it."""
    code = segno.make("; ".join(words), error="m", micro=False, boost_error=False)
    modules = tuple(tuple(bool(cell) for cell in row) for row in code.matrix)
    dots = int(min(size.height_mm, _SHARE * size.width_mm) * DOTS_PER_MM / (len(modules) + 2 * QUIET))
    if dots < _LEAST_DOTS:
        raise Refused("the words of this label are too long for its code: take the other size, or shorten the position")
    room = size.width_mm - (len(modules) + 2 * QUIET) * dots / DOTS_PER_MM - _GAP_MM
    return Label(size, modules, dots, *_set(words, room, size.height_mm - 2 * _GAP_MM))


def _set(words: tuple[str, ...], width_mm: float, height_mm: float) -> tuple[tuple[str, ...], float]:
    """The words in lines, and the letter height: unbroken lines if readable, else as large as fits."""
    whole_mm = min(width_mm / (max(map(len, words)) * _WIDTH), height_mm / (len(words) * _LINE), _LARGEST_MM)
    if whole_mm >= _READABLE_MM:
        return words, whole_mm
    text_mm = _READABLE_MM
    while True:
        lines = tuple(
            line for word in words for line in textwrap.wrap(word, max(8, int(width_mm / (text_mm * _WIDTH))))
        )
        if len(lines) * text_mm * _LINE <= height_mm or text_mm <= _SMALLEST_MM:
            return lines, text_mm
        text_mm -= 0.1


def _baselines(label: Label) -> Iterator[tuple[float, str]]:
    """Position of each line of text, millimetres from the top, vertically centred on the label."""
    step = label.text_mm * _LINE
    top = (label.size.height_mm - len(label.lines) * step) / 2
    for number, line in enumerate(label.lines):
        yield top + number * step + label.text_mm, line


def as_svg(label: Label) -> bytes:
    """The label as SVG, in millimetres."""
    width, height, module = label.size.width_mm, label.size.height_mm, label.module_mm
    left = (height - label.code_mm) / 2
    bars = "".join(
        f"M{column * module:g} {left + row * module:g}h{count * module:g}v{module:g}h-{count * module:g}z"
        for row, column, count in label.bars()
    )
    text = "".join(f'<text x="{label.code_mm:g}" y="{y:.2f}">{escape(line)}</text>' for y, line in _baselines(label))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}"><rect width="{width:g}" height="{height:g}" fill="#fff"/>'
        f'<path d="{bars}"/>'
        f'<g font-family="DejaVu Sans, Arial, sans-serif" font-size="{label.text_mm:g}">{text}</g></svg>'
    ).encode()


def as_png(label: Label) -> bytes:
    """The label as PNG, one pixel per printer dot."""
    from PIL import Image, ImageDraw, ImageFont

    width, height = (round(each * DOTS_PER_MM) for each in (label.size.width_mm, label.size.height_mm))
    picture = Image.new("1", (width, height), 1)
    draw = ImageDraw.Draw(picture)
    top = (height - round(label.code_mm * DOTS_PER_MM)) // 2
    for row, column, count in label.bars():
        x, y = column * label.dots, top + row * label.dots
        draw.rectangle((x, y, x + count * label.dots - 1, y + label.dots - 1), fill=0)
    font = ImageFont.load_default(label.text_mm * DOTS_PER_MM)
    for y_mm, line in _baselines(label):
        draw.text((label.code_mm * DOTS_PER_MM, y_mm * DOTS_PER_MM), line, fill=0, font=font, anchor="ls")
    out = io.BytesIO()
    picture.save(out, "PNG", dpi=(DOTS_PER_MM * 25.4, DOTS_PER_MM * 25.4))
    return out.getvalue()


def as_pdf_label(label: Label) -> bytes:
    """The label as a PDF page of its size."""
    from rig.books.pdf import page_of

    sheet = page_of(label.size.width_mm, label.size.height_mm)
    module, top = label.module_mm, (label.size.height_mm - label.code_mm) / 2
    for row, column, count in label.bars():
        sheet.rect(column * module, top + row * module, count * module, module, style="F")
    for y, line in _baselines(label):
        sheet.put(label.code_mm, y, line, label.text_mm)
    return bytes(sheet.output())


_MADE = {".svg": as_svg, ".png": as_png, ".pdf": as_pdf_label}
