"""A pump with one output for run and one for direction, presented as forward and reverse. Pure.

Run goes off first. The direction is changed only after run has been known to be off for a settle time, and run goes on
only once the direction is set: acknowledged, given time to follow, and read back after that if it can be read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rig.field.values import Value

FORWARD, REVERSE = "pump_run", "pump_reverse"
"""The commands, and what the two outputs together indicate."""
RUN, DIRECTION = "motor_run", "motor_direction"
"""The two outputs; direction is on in reverse."""


@dataclass(slots=True)
class Turning:
    """The two outputs of one pump. Seconds of the wall clock."""

    settle_s: float
    """Settle time: how long run is off before the direction is changed."""
    follow_s: float
    """How long a changed direction has to follow before run goes on."""
    shows: tuple[str, ...] = (DIRECTION,)
    """Inputs that show the direction: the output read back, a contact of its contactor. Empty if there are none."""
    way: bool | None = None
    """Direction as last commanded; None before the first command."""
    wanted: str = ""
    """The commanded way, forward or reverse; empty at rest."""
    _off_s: float | None = None
    """Since when run is known to be off."""
    _set_s: float = math.inf
    """When the direction was acknowledged; infinite while it is unknown."""
    _connects: int = 0
    """The connection over which that was: a device that was disconnected may have restarted."""
    _held_back: bool = field(default=False)
    """Run is commanded and not yet on."""

    def outputs(
        self, asked: Mapping[str, bool], values: Mapping[str, Value], now_s: float, *, run_on: bool, run_off: bool
    ) -> dict[str, bool]:
        """The outputs to write in place of forward and reverse, in order of writing.

        ``run_on``: run was last commanded on; ``run_off``: it is known to be off. A direction that must not be changed
        now is left out.
        """
        self.wanted = next((name for name in (FORWARD, REVERSE) if asked.get(name)), "")
        self._off_s = (now_s if self._off_s is None else self._off_s) if run_off else None
        free = self._off_s is not None and now_s - self._off_s >= self.settle_s
        way = self.wanted == REVERSE
        same = way is self.way and not self._contradicted(values)
        run = bool(self.wanted) and same and (run_on or self.confirmed(values, now_s, self._connects))
        self._held_back = bool(self.wanted) and not run
        turn = {DIRECTION: way} if free or same else {}
        rest = {name: on for name, on in asked.items() if name not in (FORWARD, REVERSE)}
        return {**turn, RUN: True, **rest} if run else {RUN: False, **turn, **rest}

    def asks(self, *, on: bool) -> None:
        """Note that the direction is about to be written."""
        if on is not self.way:
            self.way, self._set_s = on, math.inf

    def done(self, name: str, now_s: float, connects: int, *, on: bool) -> None:
        """Note that the device acknowledged a write."""
        if name == RUN and not on and self._off_s is None:
            self._off_s = now_s
        if name == DIRECTION and (connects != self._connects or self._set_s == math.inf):
            self._set_s, self._connects = now_s, connects

    def failed(self) -> None:
        """Note that the direction was refused, or not answered."""
        self._set_s = math.inf

    def confirmed(self, values: Mapping[str, Value], now_s: float, connects: int) -> bool:
        """Whether the direction is known to be as commanded, so that run may go on."""
        if now_s - self._set_s < self.follow_s or connects != self._connects:
            return False
        seen = [values.get(name) for name in self.shows]
        return all(each is not None and each.at_s > self._set_s and bool(each.raw) is self.way for each in seen)

    def _contradicted(self, values: Mapping[str, Value]) -> bool:
        """Whether the direction has read back otherwise since it was set."""
        seen = [values[name] for name in self.shows if name in values]
        return any(each.at_s > self._set_s + self.follow_s and bool(each.raw) is not self.way for each in seen)

    def shown(self, values: Mapping[str, Value]) -> dict[str, Value]:
        """Forward and reverse derived from the two outputs; empty until both have been read."""
        run, turn = values.get(RUN), values.get(DIRECTION)
        if run is None or turn is None:
            return {}
        at_s, runs, back = min(run.at_s, turn.at_s), bool(run.raw), bool(turn.raw)
        shown = {FORWARD: runs and not back, REVERSE: runs and back}
        return {name: Value(on, on, at_s) for name, on in shown.items()}

    def unconfirmed(self, faults: Mapping[str, str]) -> dict[str, str]:
        """Outputs that may be on, named by their effect: the direction alone moves nothing."""
        return {self._named(name): why for name, why in faults.items() if name != DIRECTION}

    def unrenewed(self, names: Iterable[str]) -> frozenset[str]:
        """Outputs not assumed to be on as commanded, including a pump that waits for its direction."""
        return self.named(names) | (frozenset({self.wanted}) if self._held_back else frozenset())

    def named(self, names: Iterable[str]) -> frozenset[str]:
        """Name the two outputs by their effect, every other one as it is."""
        return frozenset(map(self._named, names))

    def _named(self, name: str) -> str:
        way = REVERSE if self.way else FORWARD
        return way if name in (RUN, DIRECTION) else name
