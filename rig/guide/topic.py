"""What a topic of the guide is, and the written pages: Markdown files of the package, the folder being the kind."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

KINDS = {"first-day": "A first day", "how-to": "How to …", "reference": "Reference", "background": "Background"}
"""The kinds of pages, in the order in which they are listed: folder and heading."""


@dataclass(frozen=True, slots=True)
class Topic:
    """One page of the guide."""

    name: str
    """Kind or table, and its own name: ``how-to/fill-a-wheel``, ``alarms/no_flow``."""
    title: str
    make: Callable[[], str]
    """Makes its text: Markdown below the title. Links lead to topics by name."""

    @property
    def kind(self) -> str:
        """One of KINDS."""
        folder = self.name.partition("/")[0]
        return folder if folder in KINDS else "reference"

    @property
    def last(self) -> str:
        """Its own name, without kind or table."""
        return self.name.rpartition("/")[2]


@cache
def written() -> tuple[Topic, ...]:
    """The written pages, in the order of kinds and file names; the number before a name only orders."""
    return tuple(_page(kind, name) for kind in KINDS for name in sorted(_names(kind)))


def sections(text: str) -> tuple[str, dict[str, str]]:
    """The text before the first heading of the second level, and the text below each, by heading."""
    before, *parts = re.split(r"(?m)^## ", text)
    return before.strip("\n"), {
        head.strip(): body.strip("\n") for head, _, body in (part.partition("\n") for part in parts)
    }


def prose(docstring: str) -> str:
    """A docstring as Markdown: code and roles in single quotes, each paragraph on one line."""
    plain = re.sub(r":\w+:(?=`)", "", docstring).replace("``", "`")
    return "\n\n".join(" ".join(part.split()) for part in plain.split("\n\n"))


def of_page(name: str) -> dict[str, str]:
    """The sections of a written page by heading."""
    page = next(each for each in written() if each.name == name)
    return sections(page.make())[1]


def _names(kind: str) -> Iterator[str]:
    folder = files(__package__).joinpath("text", kind)
    return (each.name for each in folder.iterdir() if each.name.endswith(".md"))


def _page(kind: str, file_name: str) -> Topic:
    text = files(__package__).joinpath("text", kind, file_name).read_text(encoding="utf-8")
    head, _, body = text.partition("\n")
    name = re.sub(r"^\d+-", "", file_name.removesuffix(".md"))
    return Topic(f"{kind}/{name}", head.removeprefix("# ").strip(), body.strip("\n").__str__)
