"""Ready checks confirmed for the shift and for the machine, and by whom, so that none is asked twice.

Kept in memory only: a restart of the controller asks everything again. It must not know front ends or fills.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable

from rig.control.words.values import Check, Scope


class GivenChecks:
    """Checks confirmed by each person. One whose text changed (another support, another limit) is asked again."""

    def __init__(self) -> None:
        self._given: set[tuple[str, Check]] = set()
        self._lock = threading.Lock()

    def remember(self, by: str, checks: Iterable[Check]) -> None:
        """Remember that ``by`` confirmed these; a check of one wheel is never remembered."""
        with self._lock:
            self._given |= {(by, check) for check in checks if check.scope != "wheel"}

    def all(self) -> frozenset[tuple[str, Check]]:
        """Everything that is remembered, with who confirmed it."""
        with self._lock:
            return frozenset(self._given)

    def recalled(self, by: str, checks: Iterable[Check]) -> list[str]:
        """Names of those among ``checks`` that ``by`` has already confirmed."""
        with self._lock:
            return [check.name for check in checks if (by, check) in self._given]

    def forget(self, scope: Scope, by: str) -> None:
        """Ask ``by`` again for everything of this scope."""
        with self._lock:
            self._given = {(who, check) for who, check in self._given if who != by or check.scope != scope}
