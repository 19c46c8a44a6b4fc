"""Search in the guide: SQLite's full-text index over names, titles and texts, made in memory from what is there now."""

from __future__ import annotations

import difflib
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from functools import cache

from rig.guide.topics import topics

_MOST = 20
"""Topics found that are shown."""
_WEIGHTS = "8.0, 5.0, 1.0"
"""Of a word in the name, in the title and in the text. Chosen by trial, no source."""


@dataclass(frozen=True, slots=True)
class Hit:
    """A topic found, with the words around what was looked for."""

    topic: str
    title: str
    excerpt: str


def prepare() -> None:
    """Make every text now: it takes a second of processor time that should not fall into a fill."""
    _all()


@cache
def _all() -> tuple[tuple[str, str, str], ...]:
    return tuple((each.name, each.title, _plain(each.make())) for each in topics())


def search(words: str) -> list[Hit]:
    """The topics that hold all of the words, the best first; where none does, those that hold some of them."""
    asked = [f'"{word}"' for word in re.findall(r"[\w.]+", words)]
    if not asked:
        return []
    with closing(sqlite3.connect(":memory:")) as index:
        index.execute("CREATE VIRTUAL TABLE topic USING fts5(name, title, text, tokenize = 'porter unicode61')")
        index.executemany("INSERT INTO topic VALUES (?, ?, ?)", _all())
        for joint in (" AND ", " OR "):
            found = index.execute(
                "SELECT name, title, snippet(topic, 2, '', '', ' … ', 16) FROM topic WHERE topic MATCH ? "
                f"ORDER BY bm25(topic, {_WEIGHTS}) LIMIT ?",
                (joint.join(asked), _MOST),
            ).fetchall()
            if found:
                return [Hit(name, title, " ".join(excerpt.split())) for name, title, excerpt in found]
    return []


def _plain(text: str) -> str:
    """Markdown without its marks."""
    return re.sub(r"[`*|#]|^ *- |\\(?=[\[\]])", "", re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text), flags=re.MULTILINE)


def near(words: str) -> list[str]:
    """Names of topics, and words of titles, that are spelt nearly like this; the nearest first."""
    known: dict[str, str] = {}
    for name, title, _ in _all():
        for word in (name.rpartition("/")[2], *re.findall(r"\w{4,}", title)):
            known.setdefault(word.casefold(), word)
    asked = (words.casefold(), *words.casefold().split())
    close = dict.fromkeys(each for word in asked for each in difflib.get_close_matches(word, known, n=3, cutoff=0.7))
    return [known[each] for each in close]
