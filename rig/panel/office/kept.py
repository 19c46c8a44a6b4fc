"""Answers of the office's page, kept until a record arrives, and read one at a time. Must not know what they say."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from rig.ledger.chain import Head
from rig.office.register import KeyBook

View = dict[str, object]
_MOST = 200
"""Answers that are kept. Assumed, no source."""


class Kept:
    """Reads the office's book at a URL; nobody starts the same costly reading twice, nor two beside each other."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._lock = threading.Lock()
        self._answers: OrderedDict[Hashable, tuple[dict[str, Head], View]] = OrderedDict()

    def answer(self, asked: Hashable, made: Callable[[KeyBook], View]) -> View:
        """The answer to ``asked``, as ``made`` from the book unless the book's heads are as they were. BookError."""
        with self._lock, KeyBook(self._url) as book:
            heads = book.heads()
            kept = self._answers.get(asked)
            if kept is None or kept[0] != heads:
                kept = heads, made(book)
                self._answers[asked] = kept
            self._answers.move_to_end(asked)
            if len(self._answers) > _MOST:
                self._answers.popitem(last=False)
            return kept[1]
