"""A paper as PDF. A module of its own, because its library takes long to load; must not know what is printed."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, XPos, YPos
from fpdf.errors import FPDFException

from rig.books.paper import Block, Head, Paper, Table

_FONTS = Path("/usr/share/fonts/truetype/dejavu")
"""Where Debian keeps a font with more than Latin letters; without it, letters that Latin-1 lacks become '?'."""
_FACES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
_MARGIN_MM, _FOOT_MM = 14.0, 14.0
_LOGO_MM = (50.0, 20.0)
"""The most room that a logo takes: wide, high."""
_NAME_MM = 42.0
_LEAST, _SMALL, _TABLE, _TEXT, _TITLE = 4.5, 6.0, 8.0, 8.5, 15.0
"""Sizes of type, points; ``_LEAST`` is the smallest to which a wide table gives way."""
_MM = 0.5
"""Height of a line over the size of its type, mm a point."""
_MM_OF_POINT = 25.4 / 72
_SHORT = 10
"""Rows of a table that is not broken over two pages."""
_FIRST_LEAST = 0.28
"""Share of the width that a table's first column keeps."""


class NoFontError(RuntimeError):
    """A paper that must hold its own font cannot be made here; the text says what to install."""


class Page(FPDF):
    """A page with letters in the font that is there. ``archive``: of a PDF/A-3, which must hold its fonts."""

    def __init__(self, size: str | tuple[float, float], *, archive: bool = False) -> None:
        self.wide = all((_FONTS / name).exists() for name in _FACES.values())
        if archive and not self.wide:
            raise NoFontError(f"no font in {_FONTS} that such a PDF may hold: install Debian's fonts-dejavu-core")
        super().__init__(format=size, enforce_compliance="PDF/A-3B" if archive else None)
        self.face = "DejaVu" if self.wide else "Helvetica"
        if self.wide:
            for style, name in _FACES.items():
                self.add_font("DejaVu", style, _FONTS / name)

    def words(self, text: str) -> str:
        """A text with the letters that the font has."""
        return text if self.wide else text.encode("latin-1", "replace").decode("latin-1")

    def fitted(self, text: str, width: float) -> str:
        """As much of a line as is that wide."""
        while self.get_string_width(text) > width:
            text = text[:-2] + "…" if self.wide else text[:-1]
        return text

    def height_of(self, text: str, width: float, line: float) -> float:
        """How high a text stands in a column, by lines of a height."""
        high = self.multi_cell(width, line, text, dry_run=True, output=MethodReturnValue.HEIGHT)
        assert isinstance(high, float)
        return high

    def put(self, x_mm: float, y_mm: float, text: str, height_mm: float) -> None:
        """A line of text on its base line, as much of it as there is room."""
        self.set_font(self.face, "", height_mm / _MM_OF_POINT)
        self.text(x_mm, y_mm, self.fitted(self.words(text), self.w - x_mm))


class _Sheet(Page):
    """A page of a paper, with the marks and the page number at its foot."""

    def __init__(self, paper: Paper, *, archive: bool) -> None:
        super().__init__("Letter" if paper.letter else "A4", archive=archive)
        self.paper = paper
        self.set_margins(_MARGIN_MM, _MARGIN_MM)

    def footer(self) -> None:
        """At the foot of each page: what it is part of."""
        self.set_y(-11)
        self.set_font(self.face, "", 7)
        marks = "  ".join(self.paper.marks)
        # What matters most comes first: a paper of many fills has a number longer than the line.
        said = f"page {self.page_no()} of {{nb}}   {marks}   {self.paper.title} {self.paper.number}"
        self.cell(0, 4, self.fitted(self.words(said), self.epw))


def page_of(width_mm: float, height_mm: float) -> Page:
    """An empty page of a size of its own, without margins."""
    page = Page((min(width_mm, height_mm), max(width_mm, height_mm)))
    page.set_margin(0)
    page.set_auto_page_break(auto=False)
    page.add_page(orientation="landscape" if width_mm > height_mm else "portrait")
    return page


def as_pdf(paper: Paper, *, archive: bool = False) -> bytes:
    """The paper as a PDF on A4 or Letter; ``archive``: as PDF/A-3 (ISO 19005-3), which holds its fonts.

    NoFontError where there is none to hold.
    """
    sheet = _Sheet(paper, archive=archive)
    sheet.set_title(sheet.words(f"{paper.title} {paper.number}"))
    sheet.set_creation_date(datetime.fromisoformat(paper.at))
    sheet.set_auto_page_break(auto=True, margin=_FOOT_MM)
    sheet.add_page()
    if paper.head:
        _letterhead(sheet, paper.head)
    _say(sheet, paper.title, _TITLE, bold=True)
    _say(sheet, paper.number, 10)
    for mark in paper.marks:
        sheet.set_text_color(170, 0, 0)
        _say(sheet, mark, 11, bold=True)
        sheet.set_text_color(0, 0, 0)
    _addressed(sheet, paper)
    for block in paper.blocks:
        if block.kind != "small":
            _block(sheet, block, _TEXT)
    sheet.ln(2)
    for foot in paper.feet:
        _say(sheet, foot, 7)
    for who in paper.signed:
        _signature(sheet, who)
    for block in paper.blocks:
        if block.kind == "small":
            _block(sheet, block, _SMALL)
    return bytes(sheet.output())


def logo_fault(picture: bytes) -> str | None:
    """Why a picture cannot stand on a paper; None when it can."""
    sheet = FPDF()
    sheet.add_page()
    try:
        sheet.image(io.BytesIO(picture), w=20)
        sheet.output()
    # What the readers of PNG and SVG raise of a file that they cannot read.
    except (OSError, ValueError, SyntaxError, LookupError, TypeError, NotImplementedError, FPDFException) as error:
        return f"{type(error).__name__}: {error}"
    return None


def _say(sheet: _Sheet, text: str, size: float, *, bold: bool = False) -> None:
    sheet.set_font(sheet.face, "B" if bold else "", size)
    sheet.multi_cell(0, size * _MM, sheet.words(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")


def _letterhead(sheet: _Sheet, head: Head) -> None:
    """The shop's name and lines at the left, its picture at the right."""
    top, under = sheet.get_y(), sheet.get_y()
    if head.logo:
        wide, high = _LOGO_MM
        drawn = sheet.image(
            io.BytesIO(head.logo), x=sheet.w - sheet.r_margin - wide, y=top, w=wide, h=high, keep_aspect_ratio=True
        )
        under = top + (drawn.rendered_height or high)
        sheet.set_y(top)
    sheet.set_right_margin(sheet.r_margin + (_LOGO_MM[0] + 5 if head.logo else 0))
    _say(sheet, head.name, 12, bold=True)
    for line in head.lines:
        _say(sheet, line, 8)
    sheet.set_right_margin(_MARGIN_MM)
    sheet.set_y(max(sheet.get_y(), under) + 2)
    _rule(sheet)
    sheet.ln(4)


def _rule(sheet: _Sheet) -> None:
    sheet.set_draw_color(150, 150, 150)
    sheet.line(sheet.l_margin, sheet.get_y(), sheet.w - sheet.r_margin, sheet.get_y())


def _addressed(sheet: _Sheet, paper: Paper) -> None:
    """Whom it is for at the left, the facts beside it at the right."""
    if not (paper.to or paper.facts):
        return
    sheet.ln(3)
    top, half = sheet.get_y(), sheet.epw * 0.5
    sheet.set_right_margin(_MARGIN_MM + half + 4)
    for number, line in enumerate(paper.to):
        _say(sheet, line, 10 if number == 0 else _TEXT, bold=number == 0)
    under = sheet.get_y()
    sheet.set_right_margin(_MARGIN_MM)
    sheet.set_left_margin(_MARGIN_MM + half)
    sheet.set_y(top)
    _rows(sheet, paper.facts, _TEXT, 30.0)
    sheet.set_left_margin(_MARGIN_MM)
    sheet.set_y(max(under, sheet.get_y()))


def _rows(sheet: _Sheet, rows: Sequence[tuple[str, str]], size: float, name_mm: float) -> None:
    height = size * _MM + 0.1
    for name, value in rows:
        # What is billed stands in capitals: it is what the reader looks for.
        sheet.set_font(sheet.face, "B" if name.isupper() else "", size)
        cells = ((0.0, name_mm - 2, sheet.words(name)), (name_mm, sheet.epw - name_mm, sheet.words(value)))
        if sheet.will_page_break(max(sheet.height_of(text, wide, height) for _, wide, text in cells)):
            sheet.add_page()
        top, ends = sheet.get_y(), []
        for left, wide, text in cells:
            sheet.set_xy(sheet.l_margin + left, top)
            sheet.multi_cell(wide, height, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
            ends.append(sheet.get_y())
        # A value of more than a page ends on another one than it began.
        sheet.set_y(max(ends) if ends[-1] > top else ends[-1])


def _block(sheet: _Sheet, block: Block, size: float) -> None:
    sheet.ln(2.2)
    # A title that stands alone at the foot of a page belongs to nothing, and a short table stays in one piece.
    rows = len(block.table) if len(block.table) <= _SHORT else 0
    if sheet.will_page_break(max(20 if size == _TEXT else 10, 8 + rows * (size * _MM + 0.7))):
        sheet.add_page()
    if block.title:
        _say(sheet, block.title, size + 2 if size == _TEXT else size, bold=True)
        _rule(sheet)
        sheet.ln(1)
    if block.kind == "sums":
        _sums(sheet, block)
    else:
        _rows(sheet, block.rows, size, _NAME_MM if size == _TEXT else _NAME_MM * 0.7)
    if block.table:
        _table(sheet, block.table, _TABLE if size == _TEXT else size)


def _sums(sheet: _Sheet, block: Block) -> None:
    """Figures under the last column of a table, so that they can be added up where they stand."""
    for name, value in block.rows:
        if sheet.will_page_break(6):
            sheet.add_page()
        sheet.set_font(sheet.face, "B" if name.isupper() else "", 10 if name.isupper() else _TEXT)
        sheet.cell(sheet.epw - 36, 5.2, sheet.words(name), align="R")
        sheet.cell(36, 5.2, sheet.words(value), align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _table(sheet: _Sheet, table: Table, size: float) -> None:
    sheet.ln(0.5)
    while size > _LEAST and sum(_natural(sheet, table, size)) > sheet.epw:
        size -= 0.25
    widths = _widths(sheet, table, size)
    others = len(table[0]) - 1
    with sheet.table(
        borders_layout="HORIZONTAL_LINES",
        line_height=size * _MM + 0.3,
        padding=(0.15, 0.8),
        col_widths=tuple(widths),
        width=sheet.epw,
        text_align=("LEFT", *(["RIGHT"] * others)),
    ) as made:
        for row in table:
            cells = made.row()
            for value in row:
                cells.cell(sheet.words(value))


def _widths(sheet: _Sheet, table: Table, size: float) -> list[float]:
    """Each column as wide as its widest value, the first one takes the rest; where that is little, all give way."""
    wide = _natural(sheet, table, size)
    first, others = min(wide[0], sheet.epw * _FIRST_LEAST), wide[1:]
    room = sheet.epw - first
    if sum(others) > room:
        others = [each * room / sum(others) for each in others]
    return [sheet.epw - sum(others), *others]


def _natural(sheet: _Sheet, table: Table, size: float) -> list[float]:
    """How wide each column is where no value is broken; leaves the font set to the size."""
    sheet.set_font(sheet.face, "B", size)
    gap = 2.2 if size == _TABLE else 1.7
    wide = [
        max(sheet.get_string_width(sheet.words(value)) + gap for value in column) for column in zip(*table, strict=True)
    ]
    sheet.set_font(sheet.face, "", size)
    return wide


def _signature(sheet: _Sheet, who: str) -> None:
    if sheet.will_page_break(18):
        sheet.add_page()
    sheet.ln(10)
    sheet.line(sheet.l_margin, sheet.get_y(), sheet.l_margin + 80, sheet.get_y())
    _say(sheet, who, 8)
