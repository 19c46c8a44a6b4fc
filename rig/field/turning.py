"""A pump behind one output that runs it and one that turns its direction: forward and reverse as these two. Pure.

Run goes off first. The direction is changed only after run has been known to be off for a settle time, and run goes on
only once the direction stands: acknowledged, given time to follow, and read back after that where it can be read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rig.field.values import Value

FORWARD, REVERSE = "pump_run", "pump_reverse"
"""What is asked for, and what the two outputs together show."""
RUN, DIRECTION = "motor_run", "motor_direction"
"""The two outputs; direction is on in reverse."""


@dataclass(slots=True)
class Turning:
    """The two outputs of one pump. Seconds of the wall's clock."""

    settle_s: float
    """How long run is off before the direction is changed."""
    follow_s: float
    """How long a changed direction is given before run goes on."""
    shows: tuple[str, ...] = (DIRECTION,)
    """Inputs that show the direction: the output read back, a contact of its contactor. None where nothing does."""
    way: bool | None = None
    """Direction as asked last; None before the first time."""
    wanted: str = ""
    """The way that is asked for, forward or reverse; empty at rest."""
    _off_s: float | None = None
    """Since when run is known to be off."""
    _set_s: float = math.inf
    """When the direction was taken as asked; endless while it is not known to be."""
    _connects: int = 0
    """Over which connection that was: a device that was away may have restarted."""
    _held_back: bool = field(default=False)
    """Run is asked for and not on yet."""

    def outputs(
        self, asked: Mapping[str, bool], values: Mapping[str, Value], now_s: float, *, run_on: bool, run_off: bool
    ) -> dict[str, bool]:
        """The outputs to write in place of forward and reverse, in the order in which they are written.

        ``run_on``: run was told on last; ``run_off``: it is known to be off. A direction that may not be changed now is
        left out.
        """
        self.wanted = next((name for name in (FORWARD, REVERSE) if asked.get(name)), "")
        self._off_s = (now_s if self._off_s is None else self._off_s) if run_off else None
        free = self._off_s is not None and now_s - self._off_s >= self.settle_s
        way = self.wanted == REVERSE
        same = way is self.way and not self._contradicted(values)
        run = bool(self.wanted) and same and (run_on or self.stands(values, now_s, self._connects))
        self._held_back = bool(self.wanted) and not run
        turn = {DIRECTION: way} if free or same else {}
        rest = {name: on for name, on in asked.items() if name not in (FORWARD, REVERSE)}
        return {**turn, RUN: True, **rest} if run else {RUN: False, **turn, **rest}

    def asks(self, *, on: bool) -> None:
        """The direction is about to be written."""
        if on is not self.way:
            self.way, self._set_s = on, math.inf

    def done(self, name: str, now_s: float, connects: int, *, on: bool) -> None:
        """The device took a write."""
        if name == RUN and not on and self._off_s is None:
            self._off_s = now_s
        if name == DIRECTION and (connects != self._connects or self._set_s == math.inf):
            self._set_s, self._connects = now_s, connects

    def failed(self) -> None:
        """The direction was refused, or nobody answered."""
        self._set_s = math.inf

    def stands(self, values: Mapping[str, Value], now_s: float, connects: int) -> bool:
        """Whether the direction is known to be as asked, so that run may go on."""
        if now_s - self._set_s < self.follow_s or connects != self._connects:
            return False
        seen = [values.get(name) for name in self.shows]
        return all(each is not None and each.at_s > self._set_s and bool(each.raw) is self.way for each in seen)

    def _contradicted(self, values: Mapping[str, Value]) -> bool:
        """Whether the direction has been seen to be another since it stood."""
        seen = [values[name] for name in self.shows if name in values]
        return any(each.at_s > self._set_s + self.follow_s and bool(each.raw) is not self.way for each in seen)

    def shown(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Forward and reverse as the two outputs show them, nothing before both were read."""
        run, turn = values.get(RUN), values.get(DIRECTION)
        if run is None or turn is None:
            return {}
        at_s, runs, back = min(run.at_s, turn.at_s), bool(run.raw), bool(turn.raw)
        shown = {FORWARD: runs and not back, REVERSE: runs and back}
        return {name: Value(on, on, at_s) for name, on in shown.items()}

    def unconfirmed(self, faults: Mapping[str, str]) -> dict[str, str]:
        """Outputs that may be on, by what they would do: the direction alone moves nothing."""
        return {self._named(name): why for name, why in faults.items() if name != DIRECTION}

    def unrenewed(self, names: Iterable[str]) -> frozenset[str]:
        """Outputs that are not taken to be on as asked; a pump that waits for its direction among them."""
        return self.named(names) | (frozenset({self.wanted}) if self._held_back else frozenset())

    def named(self, names: Iterable[str]) -> frozenset[str]:
        """The two outputs by what they do, every other one as it is."""
        return frozenset(map(self._named, names))

    def _named(self, name: str) -> str:
        way = REVERSE if self.way else FORWARD
        return way if name in (RUN, DIRECTION) else name
