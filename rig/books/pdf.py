"""Papers as PDF, in a separate module because the library loads slowly; must not know what is printed."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, XPos, YPos
from fpdf.errors import FPDFException

from rig.books.paper import Block, Head, Paper, Table
from rig.sentence import Wording

_FONTS = Path("/usr/share/fonts/truetype/dejavu")
"""Debian's folder of a font with more than Latin letters; without it, letters missing in Latin-1 become '?'."""
_FACES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
_MARGIN_MM, _FOOT_MM = 14.0, 14.0
_LOGO_MM = (50.0, 20.0)
"""Maximum size of a logo: width, height."""
_NAME_MM = 42.0
_LEAST, _SMALL, _TABLE, _TEXT, _TITLE = 4.5, 6.0, 8.0, 8.5, 15.0
"""Font sizes, points; ``_LEAST`` is the smallest to which a wide table is reduced."""
_MM = 0.5
"""Ratio of line height to font size, mm per point."""
_MM_OF_POINT = 25.4 / 72
_SHORT = 10
"""Largest number of rows of a table that is not split over two pages."""
_FIRST_LEAST = 0.28
"""Minimum share of the width for a table's first column."""


class NoFontError(RuntimeError):
    """A paper that must embed its font cannot be made here; the text says what to install."""


class Page(FPDF):
    """A page in the available font. ``archive``: of a PDF/A-3, which must embed its fonts."""

    def __init__(self, size: str | tuple[float, float], *, archive: bool = False) -> None:
        self.wide = all((_FONTS / name).exists() for name in _FACES.values())
        if archive and not self.wide:
            raise NoFontError(
                Wording(
                    "refused.no_font",
                    "no font in {folder} that such a PDF may hold: install Debian's fonts-dejavu-core",
                )(folder=str(_FONTS))
            )
        super().__init__(format=size, enforce_compliance="PDF/A-3B" if archive else None)
        self.face = "DejaVu" if self.wide else "Helvetica"
        if self.wide:
            for style, name in _FACES.items():
                self.add_font("DejaVu", style, _FONTS / name)

    def words(self, text: str) -> str:
        """A text reduced to the font's letters."""
        return text if self.wide else text.encode("latin-1", "replace").decode("latin-1")

    def fitted(self, text: str, width: float) -> str:
        """A line cut to a width."""
        while self.get_string_width(text) > width:
            text = text[:-2] + "…" if self.wide else text[:-1]
        return text

    def height_of(self, text: str, width: float, line: float) -> float:
        """Height of a text in a column, for a line height."""
        high = self.multi_cell(width, line, text, dry_run=True, output=MethodReturnValue.HEIGHT)
        assert isinstance(high, float)
        return high

    def put(self, x_mm: float, y_mm: float, text: str, height_mm: float) -> None:
        """Put a line of text on its base line, cut to the available width."""
        self.set_font(self.face, "", height_mm / _MM_OF_POINT)
        self.text(x_mm, y_mm, self.fitted(self.words(text), self.w - x_mm))


class _Sheet(Page):
    """A page of a paper, with the marks and the page number at its foot."""

    def __init__(self, paper: Paper, *, archive: bool) -> None:
        super().__init__("Letter" if paper.letter else "A4", archive=archive)
        self.paper = paper
        self.set_margins(_MARGIN_MM, _MARGIN_MM)

    def footer(self) -> None:
        """Print the page number and the paper's identity at the foot of each page."""
        self.set_y(-11)
        self.set_font(self.face, "", 7)
        marks = "  ".join(self.paper.marks)
        # Most important first: a paper of many fills has a number longer than the line.
        said = f"page {self.page_no()} of {{nb}}   {marks}   {self.paper.title} {self.paper.number}"
        self.cell(0, 4, self.fitted(self.words(said), self.epw))


def page_of(width_mm: float, height_mm: float) -> Page:
    """An empty page of a custom size, without margins."""
    page = Page((min(width_mm, height_mm), max(width_mm, height_mm)))
    page.set_margin(0)
    page.set_auto_page_break(auto=False)
    page.add_page(orientation="landscape" if width_mm > height_mm else "portrait")
    return page


def as_pdf(paper: Paper, *, archive: bool = False) -> bytes:
    """The paper as a PDF on A4 or Letter; ``archive``: as PDF/A-3 (ISO 19005-3), which embeds its fonts.

    NoFontError if there is none to embed.
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
    """Why a picture cannot be drawn on a paper; None if it can."""
    sheet = FPDF()
    sheet.add_page()
    try:
        sheet.image(io.BytesIO(picture), w=20)
        sheet.output()
    # Errors of the PNG and SVG readers for an unreadable file.
    except (OSError, ValueError, SyntaxError, LookupError, TypeError, NotImplementedError, FPDFException) as error:
        return f"{type(error).__name__}: {error}"
    return None


def _say(sheet: _Sheet, text: str, size: float, *, bold: bool = False) -> None:
    sheet.set_font(sheet.face, "B" if bold else "", size)
    sheet.multi_cell(0, size * _MM, sheet.words(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")


def _letterhead(sheet: _Sheet, head: Head) -> None:
    """Draw the shop's name and lines at the left, its picture at the right."""
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
    """Draw the addressee at the left, the facts at the right."""
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
        # The billed quantity is in capitals: it is what the reader looks for.
        sheet.set_font(sheet.face, "B" if name.isupper() else "", size)
        cells = ((0.0, name_mm - 2, sheet.words(name)), (name_mm, sheet.epw - name_mm, sheet.words(value)))
        if sheet.will_page_break(max(sheet.height_of(text, wide, height) for _, wide, text in cells)):
            sheet.add_page()
        top, ends = sheet.get_y(), []
        for left, wide, text in cells:
            sheet.set_xy(sheet.l_margin + left, top)
            sheet.multi_cell(wide, height, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
            ends.append(sheet.get_y())
        # A value longer than a page ends on another page.
        sheet.set_y(max(ends) if ends[-1] > top else ends[-1])


def _block(sheet: _Sheet, block: Block, size: float) -> None:
    sheet.ln(2.2)
    # Keep a title with its block, and a short table on one page.
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
    """Draw figures under the last column of a table, so that they can be added up in place."""
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
    """Each column as wide as its widest value, the first one takes the rest; if that is too little, all are reduced."""
    wide = _natural(sheet, table, size)
    first, others = min(wide[0], sheet.epw * _FIRST_LEAST), wide[1:]
    room = sheet.epw - first
    if sum(others) > room:
        others = [each * room / sum(others) for each in others]
    return [sheet.epw - sum(others), *others]


def _natural(sheet: _Sheet, table: Table, size: float) -> list[float]:
    """Natural width of each column without line breaks; leaves the font set to the size."""
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
