"""A printed paper as data, and two of its forms: columns of text for a terminal or a receipt printer, and JSON.

Pure; must not know what is printed, nor where it goes.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

_INK = {"°": "", "±": "+-", "×": "x", "…": "..", "→": "->", "–": "-", "—": "-", "³": "3", "≥": ">=", "·": "."}
_GAP = "  "
Rows = tuple[tuple[str, str], ...]
Table = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a paper: pairs of a name and a value, and a table with its headings in the first row."""

    title: str
    rows: Rows = ()
    table: Table = ()
    """Text first, then figures. In little space the columns between first and last are joined on one line."""
    kind: Literal["plain", "named", "sums", "small"] = "plain"
    """``named``: in little space each value of the table is next to its heading; ``sums``: the values are under the
    last column of a table; ``small``: in small type at the end of the paper, after the signatures, and named."""


@dataclass(frozen=True, slots=True)
class Head:
    """Issuer of a paper: name, lines under it, and a picture (PNG or SVG), empty for none."""

    name: str
    lines: tuple[str, ...] = ()
    logo: bytes = b""


@dataclass(frozen=True, slots=True)
class Paper:
    """A ticket, a bill, a quote. ``marks`` are highlighted at the top; ``signed`` are lines for signatures."""

    title: str
    number: str
    at: str
    marks: tuple[str, ...]
    blocks: tuple[Block, ...]
    feet: tuple[str, ...]
    signed: tuple[str, ...] = ()
    head: Head | None = None
    to: tuple[str, ...] = ()
    """Addressee: name and address."""
    facts: Rows = ()
    """Facts next to the addressee: customer number, date, due date."""
    letter: bool = False
    """On Letter paper, else A4."""

    def as_json(self) -> dict[str, object]:
        """The paper's text, for a program that prints it itself."""
        return {
            "title": self.title,
            "number": self.number,
            "marks": list(self.marks),
            "shop": [self.head.name, *self.head.lines] if self.head else [],
            "to": list(self.to),
            "facts": [list(row) for row in self.facts],
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
    """The paper as text of a width of 24 columns or more; for a receipt printer in plain ASCII."""
    # Replace letters before the layout: some become two.
    say = plain if ascii_only else str
    lines: list[str] = []
    top = (paper.head.name, *paper.head.lines, "") if paper.head else ()
    for text in (*top, paper.title, paper.number, *(f"*** {mark} ***" for mark in paper.marks)):
        lines += [line.center(columns).rstrip() for line in textwrap.wrap(say(text), columns)] or [""]
    if paper.to or paper.facts:
        lines.append("-" * columns)
        for text in paper.to:
            lines += textwrap.wrap(say(text), columns)
        lines += _pairs(paper.facts, say, columns)
    for block in paper.blocks:
        lines += ["-" * columns, *textwrap.wrap(say(block.title), columns)]
        lines += _pairs(block.rows, say, columns)
        lines += _table(block, [[say(cell) for cell in row] for row in block.table], columns)
    lines.append("-" * columns)
    for foot in paper.feet:
        lines += textwrap.wrap(say(foot), columns)
    for who in paper.signed:
        lines += ["", "", "_" * columns, who]
    return "\n".join(lines)


def _pairs(rows: Rows, say: type[str] | object, columns: int) -> list[str]:
    assert callable(say)
    return [line for name, value in rows for line in _pair(say(name), say(value), columns)]


def _pair(name: str, value: str, columns: int) -> list[str]:
    if len(name) + 1 + len(value) <= columns:
        return [f"{name}{value:>{columns - len(name)}}"]
    wrapped = textwrap.wrap(value, columns - 2) or [""]
    return [*textwrap.wrap(name, columns), *(f"  {line}" for line in wrapped)]


def _table(block: Block, table: Sequence[Sequence[str]], columns: int) -> list[str]:
    """The table as a grid with headings if it fits; else row by row."""
    if not table:
        return []
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    if sum(widths) + len(_GAP) * (len(widths) - 1) <= columns:
        widths[0] = columns - sum(widths[1:]) - len(_GAP) * (len(widths) - 1)
        return [
            _GAP.join(f"{cell:>{width}}" if place else f"{cell:<{width}}"
                      for place, (cell, width) in enumerate(zip(row, widths, strict=True)))
            for row in table
        ]  # fmt: skip
    if block.kind in ("named", "small"):
        return [line for row in table[1:] for line in _named_row(table[0], row, columns)]
    return [line for row in table[1:] for line in _table_row(row, columns)]


def _named_row(head: Sequence[str], row: Sequence[str], columns: int) -> list[str]:
    pairs = [_pair(f"  {name}", value, columns) for name, value in zip(head[1:], row[1:], strict=True) if value]
    return [*textwrap.wrap(row[0], columns), *(line for pair in pairs for line in pair)]


def _table_row(row: Sequence[str], columns: int) -> list[str]:
    middle = _GAP.join(value for value in row[1:-1] if value)
    first = textwrap.wrap(row[0], columns) or [""]
    if not middle and len(first) == 1 and len(first[0]) + 1 + len(row[-1]) <= columns:
        return [f"{first[0]}{row[-1]:>{columns - len(first[0])}}"]
    return [*first, *_pair(f"  {middle}", row[-1], columns)]


def plain(text: str) -> str:
    """A text in ASCII, each letter replaced by the nearest."""
    for ink, letters in _INK.items():
        text = text.replace(ink, letters)
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
