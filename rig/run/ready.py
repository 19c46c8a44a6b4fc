"""Which checks were given for the shift and for the machine, and by whom: so that nobody is asked twice for the same.

Kept in memory only: after a restart of the controller everything is asked again. It must not know faces or fills.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable

from rig.control.values import Check, Scope


class GivenChecks:
    """Checks given by each person. One whose words have changed (another support, another limit) is asked anew."""

    def __init__(self) -> None:
        self._given: set[tuple[str, Check]] = set()
        self._lock = threading.Lock()

    def remember(self, by: str, checks: Iterable[Check]) -> None:
        """``by`` gave these; a check of one wheel is never remembered."""
        with self._lock:
            self._given |= {(by, check) for check in checks if check.scope != "wheel"}

    def recalled(self, by: str, checks: Iterable[Check]) -> list[str]:
        """Names of those among ``checks`` that ``by`` has given already."""
        with self._lock:
            return [check.name for check in checks if (by, check) in self._given]

    def forget(self, scope: Scope, by: str) -> None:
        """Ask ``by`` again for everything of this scope."""
        with self._lock:
            self._given = {(who, check) for who, check in self._given if who != by or check.scope != scope}
