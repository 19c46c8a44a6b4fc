"""`rig guide`: the guide in a terminal, at its width. Decides nothing."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from typing import ClassVar

from rich.console import Console, JustifyMethod, RenderableType
from rich.markdown import Markdown, TableDataElement
from rich.text import Text

from rig.cli.table import OK, USAGE, Add
from rig.guide.search import Hit, near, search
from rig.guide.topic import Topic, written
from rig.guide.topics import contents, file_of, find

_WIDEST = 100
"""Longer lines are hard to read."""


def add_guide(add: Add) -> None:
    """The command ``guide``."""
    guide = add("guide", guide_command)
    guide.add_argument(
        "words",
        nargs="*",
        metavar="TOPIC",
        help="a topic, an alarm, a command, or words to look for; none: what there is",
    )


def guide_command(options: argparse.Namespace) -> int:
    """Show a topic, or what was found; returns the exit status."""
    words = " ".join(options.words).strip()
    topic = find(words) if words else None
    if not words:
        document: dict[str, object] = {"topics": [_document(each) for each in written()]}
        shown = page("Guide", f"{_HOW}\n\n{contents()}")
    elif topic is not None:
        file, text = file_of(topic), topic.make()
        if file is not None:
            text = f"It lies at `{file}`.\n\n{text}"
        document, shown = {**_document(topic), "text": text}, page(topic.title, text)
    else:
        found = search(words)
        close = [] if found else near(words)
        document = {"words": words, "found": [asdict(each) for each in found], "near": close}
        shown = _results(found)
    if options.json:
        print(json.dumps(document))
    elif shown:
        console = Console(highlight=False)
        console.print(*shown, sep="\n", width=min(console.width, _WIDEST))
    if words and topic is None and not found:
        hint = f"did you mean {' or '.join(close)}?" if close else "`rig guide` alone lists what there is"
        print(f"rig: the guide has nothing about {words!r}: {hint}", file=sys.stderr)
        return USAGE
    return OK


_HOW = "`rig guide TOPIC` shows one of these, `rig guide no_flow` an alarm, `rig guide WORDS` what has these words."


def _document(topic: Topic) -> dict[str, object]:
    return {"topic": topic.name, "kind": topic.kind, "title": topic.title}


class _Cell(TableDataElement):
    """A cell that breaks a word wider than its column, where the library's would cut it off."""

    def __init__(self, justify: JustifyMethod) -> None:
        super().__init__(justify)
        self.content.overflow = "fold"


class _Page(Markdown):
    elements: ClassVar = {**Markdown.elements, "td_open": _Cell}


def page(title: str, text: str) -> list[RenderableType]:
    """A page, its links as the command that shows where they lead."""
    page = _Page(text, code_theme="bw", hyperlinks=False)
    for token in page.parsed:
        for inner in token.children or ():
            if inner.type == "link_open":
                inner.attrs["href"] = f"rig guide {_shortest(str(inner.attrs['href']))}"
    return [Text(title, style="bold"), Text(), page]


def _shortest(name: str) -> str:
    """The least that names a topic."""
    last = name.rpartition("/")[2]
    topic = find(last)
    return last if topic is not None and topic.name == name else name


def _results(found: list[Hit]) -> list[RenderableType]:
    rows: list[RenderableType] = []
    for hit in found:
        head = Text.assemble(f"{hit.title} (rig guide ", (_shortest(hit.topic), "bold"), ")")
        rows += [*([Text()] if rows else []), head, Text(hit.excerpt, "dim")]
    return rows
