"""A paper as PDF. A module of its own, because its library takes long to load; must not know what is printed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import XPos, YPos

from rig.books.paper import Block, Paper, Table

_FONTS = Path("/usr/share/fonts/truetype/dejavu")
"""Where Debian keeps a font with more than Latin letters; without it, letters that Latin-1 lacks become '?'."""


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
        # What matters most comes first: a paper of many fills has a number longer than the line.
        said = f"page {self.page_no()} of {{nb}}   {marks}   {self.paper.title} {self.paper.number}"
        self.cell(0, 5, self.words(said))


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
