"""People whom the office offers, entered among those who may sign in at a truck.

The rule: of two words on one name the one that this truck has heard later stands. So a person of the office is entered,
changed and removed as the office says, what is entered on the truck afterwards stands until the office says something
new of that name, and a name of which the office has never spoken is the truck's own. No word is followed that would
leave the truck without a supervisor: it waits until there is another one.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from rig.ledger import COPY_NAME
from rig.ledger.book import Book
from rig.ledger.files import write_private
from rig.office.keys import OFFICE
from rig.panel.people import People, Role, Someone
from rig.record.notes import SHARED, Shared

_HEARD = "people-heard.json"
"""The office's last word on each name that was followed, by its seal."""


@dataclass(frozen=True, slots=True)
class Word:
    """What the office says of a name."""

    name: str
    mark: str
    """The seal of its record."""
    someone: Someone | None
    """None: removed."""

    @property
    def key(self) -> str:
        """The name as it is compared."""
        return self.name.casefold()


def followed(
    people: Sequence[Someone], heard: Mapping[str, str], words: Sequence[Word]
) -> tuple[list[Someone], dict[str, str], list[str]]:
    """The people after the office's words that are new, the words heard by then, and what waits, in words. Pure.

    Supervisors are entered first and removals come last, so that a supervisor may take another one's place.
    """
    now, marks, waiting = list(people), dict(heard), list[str]()
    for word in sorted(words, key=_turn):
        if marks.get(word.key) == word.mark:
            continue
        new = [each for each in now if each.name.casefold() != word.key]
        new += [] if word.someone is None else [word.someone]
        if not _may_become(now, new):
            what = "removed" if word.someone is None else f"a {word.someone.role}"
            waiting.append(f"{word.name} is {what} by the office, and that waits for another supervisor on this truck")
            continue
        now, marks[word.key] = new, word.mark
    return now, marks, waiting


def _turn(word: Word) -> tuple[int, str]:
    return (2 if word.someone is None else int(word.someone.role != "supervisor")), word.key


def _may_become(now: Sequence[Someone], new: Sequence[Someone]) -> bool:
    """Whether somebody can still sign in and set up; people without a supervisor may stay so, but not become none."""
    if any(each.role == "supervisor" for each in new) or list(new) == list(now):
        return True
    return bool(new) and bool(now) and not any(each.role == "supervisor" for each in now)


def follow_office(folder: Path) -> list[str]:
    """Follow the office's new words on people in a rig's folder; returns what waits, in words.

    PeopleError or OSError if the people cannot be read or written, BookError if the copy cannot be read.
    """
    words = _words(folder)
    if not words:
        return []
    people, marks = People(folder), folder / _HEARD
    heard: dict[str, str] = {}
    with contextlib.suppress(OSError, ValueError):
        heard = dict(json.loads(marks.read_text(encoding="utf-8")))
    waiting: list[str] = []
    after = dict(heard)

    def change(now: list[Someone]) -> list[Someone]:
        nonlocal after, waiting
        new, after, waiting = followed(now, heard, words)
        return new

    people.change(change)
    if after != heard:
        # After the people: a word that is followed twice is followed once.
        write_private(marks, json.dumps(after))
    return waiting


def _words(folder: Path) -> list[Word]:
    """What the office says of people; none by a version with roles that this one does not know."""
    if not (folder / COPY_NAME).exists():
        return []
    with Book(f"sqlite:///{folder / COPY_NAME}") as copy:
        found = [(record.hash, Shared.of(record)) for record in copy.valid(f"{SHARED}person", truck=OFFICE)]
    words = []
    for mark, offer in found:
        role, pin = offer.said.get("role"), offer.said.get("pin")
        if offer.said.get("removed"):
            words.append(Word(offer.name, mark, None))
        elif role in get_args(Role) and isinstance(pin, str):
            own: Role = "supervisor" if role == "supervisor" else "technician"
            words.append(Word(offer.name, mark, Someone(offer.name, own, pin)))
    return words
