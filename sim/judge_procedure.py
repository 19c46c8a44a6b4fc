"""The judge's rules of procedure: states, requests, relays and alarms as commanded and reported, not the plant.

Its own table lists the permitted changes of state and the requests they need. None of it comes from the controller.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sim.seen import Limits, OnBreach, Seen

REVERSAL_PAUSE_S = 2.0
_ENDED = ("complete", "stopped")
_WAITS = ("holding", "held", "stopping", "aborting", "aborted", "restarting", "idle", *_ENDED)
_KNOWN = frozenset({*_WAITS, "running"})
_STOPPABLE = ("idle", "running", "holding", "held", "restarting")
_MAY_FOLLOW: dict[tuple[str, str], tuple[str, ...]] = {
    # (was, now) → requests, one of which is needed; "alarm" is the controller's own reason, "" needs none.
    ("idle", "running"): ("start",),
    ("running", "complete"): ("answer", ""),
    ("running", "holding"): ("hold", "alarm"),
    ("restarting", "holding"): ("alarm",),
    ("holding", "held"): ("",),
    ("held", "restarting"): ("resume",),
    ("restarting", "running"): ("",),
    ("stopping", "stopped"): ("",),
    ("aborting", "aborted"): ("",),
    ("aborted", "held"): ("reset",),
    ("aborted", "stopped"): ("end",),
    **{(was, "stopping"): ("stop", "end", "button") for was in _STOPPABLE},
    **{(was, "aborting"): ("alarm",) for was in (*_STOPPABLE, "stopping")},
}
_LATCHED = ("aborting", "aborted")
_STOPPED = ("stopping", "stopped", *_LATCHED)


class Conduct:
    """The rules of procedure for one fill; each reports its breaches."""

    def __init__(self, limits: Limits, on_breach: OnBreach) -> None:
        self._limits, self._breach = limits, on_breach
        self._state = "idle"
        self._ids: set[str] = set()
        self._confirmed: set[str] = set()
        self._starts = self._outcomes = 0
        self._direction, self._off_since_s = 0, -1e9
        self._first: str | None = None
        self._counts = (0, 0)

    def look(self, seen: Seen) -> None:
        """Judge one tick."""
        fresh = self._fresh(seen) if seen.requests else []
        self._relays(seen)
        self._pause(seen)
        self._steps(seen, fresh)
        if fresh or seen.stop_pressed:
            self._obeys(seen, fresh)
        self._first_out(seen, fresh)
        self._counted(seen)
        self._state = seen.state

    def interrupted(self) -> None:
        """Note a restart of the controller: the fill goes on held, or aborted where it was latched."""
        self._state = "aborted" if self._state in _LATCHED else "held"
        self._off_since_s, self._direction = -1e9, 0

    def closed(self) -> Iterator[tuple[str, str]]:
        """Judge what must hold over a whole fill."""
        if self._state in _ENDED and self._outcomes != 1:
            yield "I7 one closing", f"{self._outcomes} outcomes"
        if self._starts > 1:
            yield "I7 one opening", f"{self._starts} starts"

    def _fresh(self, seen: Seen) -> list[tuple[str, str]]:
        found = []
        for request_id, kind, name in seen.requests:
            if request_id not in self._ids:
                self._ids.add(request_id)
                found.append((kind, name))
        if self._state == "idle":
            self._confirmed |= {name for kind, name in found if kind == "confirm"}
        return found

    def _relays(self, seen: Seen) -> None:
        if seen.run and seen.reverse:
            self._breach("never both directions", "run and reverse are commanded together")
        if seen.moving and seen.state != "running":
            self._breach("I1 safe unless running", f"relays are on while {seen.state}")
        if seen.state not in _KNOWN:
            self._breach("I1 safe unless running", f"unknown state {seen.state!r}")
        if seen.moving and seen.first_out is not None:
            self._breach("I12 off with the alarm", f"relays are on with {seen.first_out} standing")

    def _pause(self, seen: Seen) -> None:
        way = int(seen.run) - int(seen.reverse)
        if way and self._direction and way != self._direction:
            off_s = seen.now_s - self._off_since_s
            if off_s < REVERSAL_PAUSE_S - 1e-6:
                self._breach("reversal pause", f"reversed after {max(off_s, 0):.2f} s")
        if way:
            self._direction, self._off_since_s = way, 1e18
        elif self._off_since_s > 1e17:
            self._off_since_s = seen.now_s

    def _steps(self, seen: Seen, fresh: list[tuple[str, str]]) -> None:
        at = self._stepped(seen, fresh) if seen.steps else self._state
        if at != seen.state:
            self._breach("state table", f"{at} became {seen.state} without a note")
        self._outcomes += len(seen.outcomes)

    def _stepped(self, seen: Seen, fresh: list[tuple[str, str]]) -> str:
        """Judge each noted change of state; returns the last state."""
        at = self._state
        kinds = {kind for kind, _ in fresh} | {""}
        if seen.alarms:
            kinds.add("alarm")
        if seen.stop_pressed:
            kinds.add("button")
        for was, now in seen.steps:
            allowed = _MAY_FOLLOW.get((was, now))
            if was != at or allowed is None:
                self._breach("state table", f"{was} → {now} from {at}")
            elif not kinds & set(allowed):
                self._breach("I17 a person's word", f"{was} → {now} without a new {' or '.join(allowed)}")
            if (was, now) == ("idle", "running"):
                self._starts += 1
                lacking = self._limits.checks - self._confirmed
                if lacking:
                    self._breach("I2 confirmed before start", f"started without {', '.join(sorted(lacking))}")
            at = now
        return at

    def _obeys(self, seen: Seen, fresh: list[tuple[str, str]]) -> None:
        kinds = {kind for kind, _ in fresh}
        stops = "stop" in kinds or (seen.stop_pressed and self._state != "idle")
        if stops and self._state in _STOPPABLE and seen.state not in _STOPPED:
            self._breach("I12 stop acts at once", f"a stop left it {seen.state} in {seen.phase}")
        if "hold" in kinds and self._state == "running" and seen.state == "running":
            self._breach("I12 hold acts at once", f"a hold left it running in {seen.phase}")

    def _first_out(self, seen: Seen, fresh: list[tuple[str, str]]) -> None:
        unknown = seen.first_out is None or seen.first_out in seen.alarms[:1]
        if unknown and any(kind in ("start", "reset", "resume") for kind, _ in fresh):
            self._first = None
        if seen.alarms and self._first is None:
            self._first = seen.alarms[0]
        if seen.state in _LATCHED and seen.first_out is None:
            self._breach("I10 first-out", f"{seen.state} without a reason")
        if self._first is not None and seen.first_out != self._first:
            self._breach("I10 first-out", f"{self._first} spoke first and {seen.first_out} is shown")

    def _counted(self, seen: Seen) -> None:
        forward, back = self._counts
        if (seen.forward < forward or seen.back < back) and "next_measure" not in seen.notes:
            self._breach("I3 counts never go back", f"{self._counts} became {(seen.forward, seen.back)}")
        self._counts = seen.forward, seen.back
