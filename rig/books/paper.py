"""A printed paper as data, and its three looks: columns of text for a terminal or a receipt printer, PDF, JSON.

Pure up to the bytes of a PDF; must not know what is printed, nor where it goes.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import XPos, YPos

_FONTS = Path("/usr/share/fonts/truetype/dejavu")
"""Where Debian keeps a font with more than Latin letters; without it, letters that Latin-1 lacks become '?'."""
_INK = {"°C": "C", "±": "+-", "×": "x", "…": "..", "→": "->", "–": "-", "—": "-", "³": "3", "≥": ">=", "·": "."}
Table = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a paper: pairs of a name and a value, and a table with its head in the first row."""

    title: str
    rows: tuple[tuple[str, str], ...] = ()
    table: Table = ()
    """Text first, an amount last; the columns between are told on one line where there is little room."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A ticket or a bill. ``marks`` stand out at the top; ``signed`` are lines for signatures."""

    title: str
    number: str
    at: str
    marks: tuple[str, ...]
    blocks: tuple[Block, ...]
    feet: tuple[str, ...]
    signed: tuple[str, ...] = ()

    def as_json(self) -> dict[str, object]:
        """The paper's words, for a program that prints it itself."""
        return {
            "title": self.title,
            "number": self.number,
            "marks": list(self.marks),
            "blocks": [
                {
                    "title": block.title,
                    "rows": [list(row) for row in block.rows],
                    "table": [list(r) for r in block.table],
                }
                for block in self.blocks
            ],
            "feet": list(self.feet),
        }


# --- columns of text ------------------------------------------------------------------------------------------------


def as_text(paper: Paper, columns: int, *, ascii_only: bool = False) -> str:
    """The paper in so many columns (24 or more); for a receipt printer in plain ASCII."""
    # Letters first, then the layout: some letters become two.
    say = plain if ascii_only else str
    lines: list[str] = []
    for text in (paper.title, paper.number, *(f"*** {mark} ***" for mark in paper.marks)):
        lines += [line.center(columns).rstrip() for line in textwrap.wrap(say(text), columns)]
    for block in paper.blocks:
        lines += ["-" * columns, *textwrap.wrap(say(block.title), columns)]
        for name, value in block.rows:
            lines += _pair(say(name), say(value), columns)
        for row in block.table[1:]:
            lines += _table_row([say(cell) for cell in row], columns)
    lines.append("-" * columns)
    for foot in paper.feet:
        lines += textwrap.wrap(say(foot), columns)
    for who in paper.signed:
        lines += ["", "", "_" * columns, who]
    return "\n".join(lines)


def _pair(name: str, value: str, columns: int) -> list[str]:
    if len(name) + 1 + len(value) <= columns:
        return [f"{name}{value:>{columns - len(name)}}"]
    wrapped = textwrap.wrap(value, columns - 2) or [""]
    return [name, *(f"  {line}" for line in wrapped)]


def _table_row(row: Sequence[str], columns: int) -> list[str]:
    middle = "  ".join(value for value in row[1:-1] if value)
    first = textwrap.wrap(row[0], columns) or [""]
    if not middle and len(first) == 1 and len(first[0]) + 1 + len(row[-1]) <= columns:
        return [f"{first[0]}{row[-1]:>{columns - len(first[0])}}"]
    return [*first, *_pair(f"  {middle}", row[-1], columns)]


def plain(text: str) -> str:
    """A text in ASCII, letter by letter as near as can be."""
    for ink, letters in _INK.items():
        text = text.replace(ink, letters)
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


# --- PDF ------------------------------------------------------------------------------------------------------------


class _Sheet(FPDF):
    """A page with the marks and the page number at its foot."""

    def __init__(self, paper: Paper) -> None:
        super().__init__(format="A4")
        self.paper = paper
        self.wide = all((_FONTS / name).exists() for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"))
        self.face = "DejaVu" if self.wide else "Helvetica"
        if self.wide:
            self.add_font("DejaVu", "", _FONTS / "DejaVuSans.ttf")
            self.add_font("DejaVu", "B", _FONTS / "DejaVuSans-Bold.ttf")

    def words(self, text: str) -> str:
        """A text with the letters that the font has."""
        return text if self.wide else text.encode("latin-1", "replace").decode("latin-1")

    def footer(self) -> None:
        """At the foot of each page: what it is part of."""
        self.set_y(-15)
        self.set_font(self.face, "", 8)
        marks = "  ".join(self.paper.marks)
        self.cell(
            0, 5, self.words(f"{self.paper.title} {self.paper.number}   page {self.page_no()} of {{nb}}   {marks}")
        )


def as_pdf(paper: Paper) -> bytes:
    """The paper as a PDF on A4."""
    sheet = _Sheet(paper)
    sheet.set_title(sheet.words(f"{paper.title} {paper.number}"))
    sheet.set_creation_date(datetime.fromisoformat(paper.at))
    sheet.set_auto_page_break(auto=True, margin=20)
    sheet.add_page()
    _say(sheet, paper.title, 16, bold=True)
    _say(sheet, paper.number, 10)
    for mark in paper.marks:
        sheet.set_text_color(170, 0, 0)
        _say(sheet, mark, 11, bold=True)
        sheet.set_text_color(0, 0, 0)
    for block in paper.blocks:
        _block(sheet, block)
    sheet.ln(3)
    for foot in paper.feet:
        _say(sheet, foot, 8)
    for who in paper.signed:
        _signature(sheet, who)
    return bytes(sheet.output())


def _say(sheet: _Sheet, text: str, size: int, *, bold: bool = False) -> None:
    sheet.set_font(sheet.face, "B" if bold else "", size)
    sheet.multi_cell(0, size * 0.5, sheet.words(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _block(sheet: _Sheet, block: Block) -> None:
    sheet.ln(3)
    # A title that stands alone at the foot of a page belongs to nothing.
    if sheet.will_page_break(20):
        sheet.add_page()
    _say(sheet, block.title, 11, bold=True)
    sheet.set_draw_color(150, 150, 150)
    sheet.line(sheet.l_margin, sheet.get_y(), sheet.w - sheet.r_margin, sheet.get_y())
    sheet.ln(1)
    for name, value in block.rows:
        if sheet.will_page_break(5):
            sheet.add_page()
        # What is billed stands in capitals: it is what the reader looks for.
        sheet.set_font(sheet.face, "B" if name.isupper() else "", 9)
        sheet.cell(42, 4.6, sheet.words(name))
        sheet.multi_cell(0, 4.6, sheet.words(value), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    if block.table:
        _table(sheet, block.table)


def _table(sheet: _Sheet, table: Table) -> None:
    sheet.ln(1)
    sheet.set_font(sheet.face, "", 8)
    others = len(table[0]) - 1
    with sheet.table(
        borders_layout="HORIZONTAL_LINES",
        line_height=4.6,
        col_widths=(100 - 14 * others, *([14] * others)),
        text_align=("LEFT", *(["RIGHT"] * others)),
    ) as made:
        for row in table:
            cells = made.row()
            for value in row:
                cells.cell(sheet.words(value))


def _signature(sheet: _Sheet, who: str) -> None:
    if sheet.will_page_break(18):
        sheet.add_page()
    sheet.ln(12)
    sheet.line(sheet.l_margin, sheet.get_y(), sheet.l_margin + 80, sheet.get_y())
    _say(sheet, who, 8)
