"""When each truck was last heard, and how many records then waited on it; in memory, since the service's start."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Contact:
    """The last exchange with a truck, by the office's clock."""

    at: datetime
    waiting: int
    """Records of the truck that the office lacked after it."""


@dataclass(slots=True)
class Contacts:
    """The last exchange with each truck that a key has proven."""

    clock: Callable[[], datetime] = _utc_now
    _last: dict[str, Contact] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def heard(self, truck: str, waiting: int) -> None:
        """Keep that a truck was heard now."""
        with self._lock:
            self._last[truck] = Contact(self.clock(), waiting)

    def last(self, truck: str) -> Contact | None:
        """The last exchange with a truck; None if it was not heard since the start."""
        with self._lock:
            return self._last.get(truck)
