"""When a truck last exchanged with its office, kept in its folder for whoever looks. No record depends on it."""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from rig.ledger.files import write_private

_NAME = "office-exchange.json"
_TO_THE_MINUTE = len("2026-12-01T08:00")


@dataclass(frozen=True, slots=True)
class LastExchange:
    """The last exchange that went through, by the truck's clock."""

    at: str
    sent: int
    came: int
    waiting: tuple[str, ...] = ()
    """What the office says and this truck has not done, in words."""


def last_exchange(folder: Path) -> LastExchange | None:
    """The last exchange; None if there was none, or it cannot be read."""
    with contextlib.suppress(OSError, ValueError, TypeError):
        found = json.loads((folder / _NAME).read_text(encoding="utf-8"))
        return LastExchange(**found | {"waiting": tuple(found["waiting"])})
    return None


def keep_exchange(folder: Path, last: LastExchange) -> None:
    """Keep the last exchange; one a minute is enough while nothing moves and nothing new waits. OSError."""
    kept = last_exchange(folder)
    quiet = kept is not None and (last.sent, last.came, last.waiting) == (0, 0, kept.waiting)
    if quiet and kept is not None and kept.at[:_TO_THE_MINUTE] == last.at[:_TO_THE_MINUTE]:
        return
    write_private(folder / _NAME, json.dumps(asdict(last)))
