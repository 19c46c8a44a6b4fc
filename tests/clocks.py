"""A computer's clock for the tests: set at will, while what truly passes goes on."""

from __future__ import annotations

import time
from contextvars import Token
from dataclasses import dataclass, field
from typing import Self

from rig.run.clock_memory import SOURCE
from rig.run.time_guard import MADE_S, Heard


@dataclass
class Courses:
    """In a ``with`` block, every time of this thread comes from here. Real seconds pass besides those that are let."""

    true_s: float = MADE_S + 40 * 86400.0
    offset_s: float = 0.0
    synchronised: bool = False
    battery: bool | None = None
    boot: int = 1
    _boot_s: float = 100.0
    _real_s: float = field(default_factory=time.monotonic)
    _token: Token[object] | None = None

    def _let(self) -> None:
        real_s = time.monotonic()
        self.true_s, self._boot_s, self._real_s = (
            self.true_s + real_s - self._real_s, self._boot_s + real_s - self._real_s, real_s
        )  # fmt: skip

    def passes(self, seconds: float) -> None:
        """So long a time goes by."""
        self.true_s += seconds
        self._boot_s += seconds

    def start(self, offset_s: float = 0.0) -> None:
        """The computer starts again, its clock wrong by so much."""
        self.boot, self._boot_s, self.offset_s = self.boot + 1, 1.0, offset_s

    def wall_s(self) -> float:
        """What the clock shows."""
        self._let()
        return self.true_s + self.offset_s

    def heard(self) -> Heard:
        """What the system says."""
        return Heard(self.wall_s(), self._boot_s, f"boot {self.boot}", self.synchronised, self.battery)

    def __enter__(self) -> Self:
        self._token = SOURCE.set(self.heard)  # type: ignore[assignment]
        return self

    def __exit__(self, *_: object) -> None:
        assert self._token is not None
        SOURCE.reset(self._token)  # type: ignore[arg-type]
