"""A recorded fill as curves on one time axis: what was measured, believed, switched and reported. Decides nothing.

What was switched and reported is the recording's. Pressures, flow and litres are what this program believes of the
recorded readings, which is what was believed then wherever :func:`rig.run.replaying.replay` finds no difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import TypeVar

from rig.control.belief.unsafe import tyre_shown
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.run.scans import Scan

T = TypeVar("T")
Span = tuple[float, float, T]
"""From and to, seconds, and what was so."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm as it was reported."""

    t_s: float
    name: str
    text: str
    first: str
    """What to do first."""
    action: str
    """"hold", "stop", "trip"."""


@dataclass
class Curves:
    """A fill, one value a scan."""

    t_s: list[float] = field(default_factory=list)
    """Seconds from the first scan; an interruption has no length."""
    line_kpa: list[float | None] = field(default_factory=list)
    tyre_kpa: list[float | None] = field(default_factory=list)
    """What the controller takes for the tyre's pressure."""
    low_kpa: list[float | None] = field(default_factory=list)
    high_kpa: list[float | None] = field(default_factory=list)
    """Between these it may be, by gauge and gas together."""
    flow_lps: list[float] = field(default_factory=list)
    in_tyre_l: list[float] = field(default_factory=list)
    on: list[tuple[str, ...]] = field(default_factory=list)
    """Names of the outputs commanded on."""
    steps: list[tuple[str, str]] = field(default_factory=list)
    """State and phase."""
    alarms: list[Alarm] = field(default_factory=list)
    setup: Setup | None = None
    _since_s: float = 0.0
    _last_s: float = 0.0

    def see(self, setup: Setup, scan: Scan, decision: Decision) -> None:
        """Take in one scan."""
        now_s, facts = scan.reading.now_s, decision.facts
        if self.setup is None or now_s < self._last_s:
            self._since_s = now_s - (self.t_s[-1] if self.t_s else 0.0)
        self.setup, self._last_s = setup, now_s
        t_s = now_s - self._since_s
        self.t_s.append(t_s)
        self.line_kpa.append(facts.reading.line_kpa)
        kpa, low_kpa, high_kpa = believed(setup, decision)
        self.tyre_kpa.append(kpa)
        self.low_kpa.append(low_kpa)
        self.high_kpa.append(high_kpa)
        self.flow_lps.append(facts.flow_lps)
        self.in_tyre_l.append(facts.in_tyre_l)
        decided = scan.decided
        self.on.append(tuple(decided.get("on", ())))  # type: ignore[arg-type]
        self.steps.append((str(decided.get("state", "")), str(decided.get("phase", ""))))
        for kind, data in scan.entries:
            if kind == "alarm":
                words = (str(data.get(key, "")) for key in ("name", "text", "do", "action"))
                self.alarms.append(Alarm(t_s, *words))

    def relays(self) -> dict[str, list[tuple[float, float]]]:
        """When each output was on, seconds; those only that were on at all, in the order of their first time."""
        names = dict.fromkeys(name for each in self.on for name in each)
        return {
            name: [(begin, end) for begin, end, is_on in spans(self.t_s, [name in each for each in self.on]) if is_on]
            for name in names
        }


def believed(setup: Setup, decision: Decision) -> tuple[float | None, float | None, float | None]:
    """The tyre's pressure as shown, and the least and the most that it may be, kPa; None where it is not known.

    The least and the most are those of the gauge with its noise at rest, else of the gas, else of the line gauge less
    its loss; the value that is shown is never outside them.
    """
    facts = decision.facts
    kpa = tyre_shown(setup, decision.state, facts).kpa
    if kpa is None:
        return None, None, None
    ends = [kpa]
    if facts.rests and facts.tyre_kpa is not None:
        ends += [facts.tyre_kpa - facts.rest_u_kpa, facts.tyre_kpa + facts.rest_u_kpa]
    elif (band := facts.gas or (facts.line if facts.forward else None)) is not None:
        ends += [band.low, band.high]
    return kpa, min(ends), max(ends)


def spans(t_s: Sequence[float], values: Sequence[T]) -> list[Span[T]]:
    """Runs of equal values: each lasts to the scan in which the next one begins, the last to the last scan."""
    found: list[Span[T]] = []
    at = 0
    for value, run in groupby(values):
        after = at + len(list(run))
        found.append((t_s[at], t_s[min(after, len(t_s) - 1)], value))
        at = after
    return found


def extremes(series: Sequence[Sequence[float | None]], most: int, always: Iterable[int] = ()) -> list[int]:
    """Places to keep of series of one length, in order: the least and the most of each in every stretch of scans.

    So no peak is lost, however short; nor is a gap: the first scan of a stretch without a value is kept too. ``most``
    bounds their number, but for the ends and those in ``always``; the stretches are the shorter, the fewer places the
    series need in them.
    """
    length = len(series[0])
    if length <= most:
        return list(range(length))
    kept: set[int] = set()
    for share in (2, 4, 3 * len(series)):
        kept = _extremes_in(series, max(1, most // share))
        if len(kept) <= most:
            break
    return sorted({0, length - 1, *kept, *always})


def _extremes_in(series: Sequence[Sequence[float | None]], stretches: int) -> set[int]:
    length = len(series[0])
    kept: set[int] = set()
    for stretch in range(stretches):
        begin, end = stretch * length // stretches, (stretch + 1) * length // stretches
        for values in series:
            known = [(value, at) for at, value in enumerate(values[begin:end], begin) if value is not None]
            if known:
                kept |= {min(known)[1], max(known)[1]}
            if len(known) < end - begin:
                kept.add(values.index(None, begin, end))
    return kept
