"""A record's time stamp with the quality of the clock when it was taken.

Pure: a text with two attributes. It must not know clocks.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Self

from rig.ledger.chain import Body, Record, canonical
from rig.record.base import Document, Trust

CLOCK, SAID = "clock", "clock_said"
UNBELIEVED: Trust = "not believed"
"""The names of the two fields in a record, and the value for an untrusted time."""


class Moment(str):
    """A time, ISO 8601 in UTC, with its quality."""

    clock: Trust
    said: str | None
    """What the clock showed, if it differs."""

    def __new__(cls, at: str, clock: Trust, said: str | None = None) -> Self:
        """The time ``at``."""
        made = super().__new__(cls, at)
        made.clock, made.said = clock, said
        return made

    def __deepcopy__(self, _: object) -> Self:
        """Itself: it never changes."""
        return self

    @property
    def words(self) -> Document:
        """The fields of a record that describe its time."""
        return {CLOCK: self.clock} | ({} if self.said is None else {SAID: self.said})


def local_day(at: str) -> str:
    """The day of a record's time where this computer is, as YYYY-MM-DD."""
    return datetime.fromisoformat(at).replace(tzinfo=UTC).astimezone().date().isoformat()


def with_words(at: str, body: Document) -> Document:
    """A body with the quality of the time ``at``, if known; earlier such fields are replaced."""
    if not isinstance(at, Moment):
        return body
    return {name: value for name, value in body.items() if name not in (CLOCK, SAID)} | at.words


def says(record: Record, at: str, body: Body) -> bool:
    """Whether a record is the one to be written, and not another that already had its key."""
    return record.body == canonical(with_words(at, dict(body)))
