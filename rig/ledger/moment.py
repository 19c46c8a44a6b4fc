"""A time for a record that carries how far the clock was known when it was taken.

Pure: a text with two words beside it. It must not know clocks.
"""

from __future__ import annotations

from typing import Literal, Self

from rig.ledger.chain import Body, Record, canonical

Trust = Literal["synchronised", "confirmed", "plausible", "not believed"]
"""synchronised: by the system's own statement since it started. confirmed: by a person since then. plausible: neither,
and nothing is against it. not believed: the time of a record is then a bound, no earlier than which it was."""
CLOCK, SAID = "clock", "clock_said"
UNBELIEVED: Trust = "not believed"
"""Under which names a record keeps them."""


class Moment(str):
    """A time, ISO 8601 in UTC; what is written with it says how far it is to be believed."""

    clock: Trust
    said: str | None
    """What the clock itself showed, where that was something else."""

    def __new__(cls, at: str, clock: Trust, said: str | None = None) -> Self:
        """The time ``at``."""
        made = super().__new__(cls, at)
        made.clock, made.said = clock, said
        return made

    def __deepcopy__(self, _: object) -> Self:
        """Itself: it never changes."""
        return self

    @property
    def words(self) -> dict[str, object]:
        """What a record says of its time."""
        return {CLOCK: self.clock} | ({} if self.said is None else {SAID: self.said})


def with_words(at: str, body: dict[str, object]) -> dict[str, object]:
    """A body that says how far the time ``at`` is to be believed, where that is known; older words are replaced."""
    if not isinstance(at, Moment):
        return body
    return {name: value for name, value in body.items() if name not in (CLOCK, SAID)} | at.words


def says(record: Record, at: str, body: Body) -> bool:
    """Whether a record is the one that was to be written, and not another that had its key already."""
    return record.body == canonical(with_words(at, dict(body)))
