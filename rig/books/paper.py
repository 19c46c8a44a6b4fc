"""A printed paper as data, and two of its looks: columns of text for a terminal or a receipt printer, and JSON.

Pure; must not know what is printed, nor where it goes.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

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
