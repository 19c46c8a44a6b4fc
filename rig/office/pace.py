"""When a truck speaks with its office: every 20 s, and less often while nobody answers. Clock and chance are handed in.

Trucks that all lost the network at once do not all come back at once: each wait is drawn anew.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.ledger.journal import JournalError
from rig.office.carrying import Moved

EVERY_S = 20.0
"""So that what one truck teaches is on another within a minute: up, down, and a margin. Our choice, no source."""
_FIRST_S, _MOST_S = 5.0, 36.0
"""After the first failure; and the most, so that a network of a minute is enough."""


def wait_s(failures: int, drawn: float) -> float:
    """How long to wait after ``failures`` in a row; ``drawn`` is between 0 and 1 and moves it by a quarter."""
    mean_s = min(_FIRST_S * 2 ** min(failures - 1, 10), _MOST_S) if failures else EVERY_S
    return mean_s * (0.75 + drawn / 2)


def keep_exchanging(
    exchange: Callable[[], Moved], ended: Callable[[float], bool], draw: Callable[[], float], say: Callable[[str], None]
) -> None:
    """Exchange again and again; ``ended`` waits for so many seconds and tells whether to end. Says what changes."""
    failures, last = 0, ""
    while True:
        try:
            moved, words = exchange(), ""
            failures = 0
        except (OSError, JournalError) as error:
            moved, words = Moved(), str(error)
            failures += 1
        if moved != Moved():
            say(f"{moved.sent} records sent to the office, {moved.came} came from it")
        if words != last:
            say(f"nothing travels to the office: {words}" if words else "the office is reached again")
            last = words
        if ended(wait_s(failures, draw())):
            return
