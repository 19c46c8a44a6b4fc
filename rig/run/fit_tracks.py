"""Recorded scans as what a fit of the rig needs: pressure and litres in time, forward strokes, rests between them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.run.replaying import read_part
from rig.run.scans import Check, Closed, Scan

BEFORE_S, AFTER_S = 2.5, 6.0
"""What belongs to a stroke besides its run: of the rest before it, and of coast and rest after its end."""
_REST_S = 2.0
"""Shortest rest at whose end the tyre's pressure is read. Assumed, no source."""
_LEAST = 5
"""Fewest samples of a stroke or a rest."""
_RAN_S = 2.0
"""Shortest part of a run that is a stroke: in a shorter one the gauge does not show yet that the relief valve opens."""
_FULL = 1.2
"""Share of a pipe's volume that has to pass until it holds no gas. Assumed, no source."""
_LAG_S, _SHOWS_S = 0.5, 1.0
"""Lag that a gauge may have, and within which time it shows that the relief valve opens. Assumed, no source."""
_RELIEF_KPA = 4.0
"""Below the relief valve's setting by this much, none of the flow goes round. Assumed, no source."""


@dataclass
class Track:
    """One part of a recording: a list entry per usable scan, and the commands."""

    fill_id: str
    setup: Setup
    t_s: list[float] = field(default_factory=list)
    kpa: list[float] = field(default_factory=list)
    """The gauge as read, not smoothed."""
    litres: list[float] = field(default_factory=list)
    """Counted since the part's begin, by the meter as it was configured."""
    still: list[bool] = field(default_factory=list)
    """The fill waits for a rest with everything off: gun on, valve open, nobody at work."""
    commands: list[tuple[float, frozenset[str]]] = field(default_factory=list)
    """Every change of the moving outputs, and when."""
    alarms: list[tuple[float, str]] = field(default_factory=list)
    """When, and the alarm's name."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One forward run of the pump with some of the rests around it, without gas in the line or an open relief."""

    track: Track
    first: int
    """Index of its first sample in the track; ``last`` is one past its last."""
    last: int
    on_s: float
    off_s: float
    starts: bool
    """Its start is among the samples: no gas was cut off."""
    ends: bool
    """Its end is: nothing was cut off because the relief valve might have opened."""
    relieved: bool = False
    """It begins when the relief valve had shut again, while the pump coasts."""


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch in which everything was off and had come to rest."""

    track: Track
    first: int
    last: int
    sealed: bool
    """Only forward strokes since the rest before it: the same gas is inside."""


def track_of(setup: Setup, fill_id: str, scans: Iterable[Scan | Check | Closed]) -> Track:
    """The track of one part's scans."""
    track = Track(fill_id, setup)
    turn, was, raw = 1 << setup.meter.bits, frozenset({""}), None
    litres = 0.0
    for each in scans:
        if not isinstance(each, Scan):
            continue
        reading = each.reading
        on = frozenset(each.decided.get("on") or ()) - {"beacon"}  # type: ignore[call-overload]
        if on != was:
            track.commands.append((reading.now_s, on))
        was = on
        track.alarms += [(reading.now_s, str(data["name"])) for kind, data in each.entries if kind == "alarm"]
        count = reading.counts[0] if reading.counts else None
        if count is None or reading.line_kpa is None or not reading.fresh:
            continue
        step = 0 if raw is None else (count - raw + turn // 2) % turn - turn // 2
        raw, litres = count, litres + step * setup.meter.litres_per_pulse
        track.t_s.append(reading.now_s)
        track.kpa.append(reading.line_kpa)
        track.litres.append(litres)
        waits = each.decided.get("state") == State.RUNNING and each.decided.get("phase") == Phase.SETTLE
        track.still.append(waits and not on)
    return track


def tracks_of(parts: Sequence[Path]) -> list[Track]:
    """The tracks of one fill's parts; BoxError if they cannot be read."""
    read = [read_part(path) for path in parts]
    return [track_of(head.setup, head.fill_id, lines) for head, lines in read]


def strokes_of(track: Track) -> list[Stroke]:
    """The forward strokes without an alarm, after whose start nothing but the pump and the fill valve was on."""
    found, setup = [], track.setup
    dry_l = _FULL * setup.line.hose_l if setup.hose_air_l > 0 else 0.0
    clear_l = dry_l
    ends = [*track.commands[1:], (track.t_s[-1] + 1.0 if track.t_s else 0.0, frozenset({"end"}))]
    for place, ((on_s, on), (off_s, after)) in enumerate(zip(track.commands, ends, strict=True)):
        if "pump_reverse" in on:
            clear_l = _litres_at(track, off_s) + _FULL * (setup.line.hose_l + setup.line.suction_l)
            continue
        if "pump_run" not in on or "vent_valve" in on or after & {"pump_run", "vent_valve", "end"}:
            continue
        until_s = min(off_s + AFTER_S, ends[place + 1][0] if place + 1 < len(ends) else off_s)
        since_s = max(on_s - BEFORE_S, _came_to_rest_s(track, place))
        first, last = bisect_left(track.t_s, since_s), bisect_right(track.t_s, until_s)
        cut = bisect_left(track.litres, clear_l, first, last) if clear_l > 0 else first
        if last - cut < _LEAST or any(on_s <= at_s <= until_s for at_s, _ in track.alarms):
            continue
        for begin, end, relieved in _pieces(track, cut, last, on_s, off_s):
            starts = begin == first
            found.append(Stroke(track, begin, end, on_s, off_s, starts=starts, ends=end == last, relieved=relieved))
    return found


def rests_of(track: Track, coast_s: float) -> list[Rest]:
    """The rests: from ``coast_s`` and the gauge's settling after the last move to the next one."""
    found, sealed = [], False
    ends = [at_s for at_s, _ in track.commands[1:]] + [track.t_s[-1] + 1.0 if track.t_s else 0.0]
    for (at_s, on), end_s in zip(track.commands, ends, strict=True):
        if on:
            sealed = sealed and not on & {"vent_valve", "pump_reverse", "flush_valve"}
            continue
        last = bisect_right(track.t_s, end_s)
        first = bisect_left(track.t_s, at_s + coast_s + _REST_S)
        still = [place for place in range(first, last) if track.still[place]]
        first, last = (still[0], still[-1] + 1) if still else (last, last)
        if last - first >= _LEAST:
            found.append(Rest(track, first, last, sealed))
            sealed = True
    return found


def _pieces(track: Track, first: int, last: int, on_s: float, off_s: float) -> list[tuple[int, int, bool]]:
    """The pieces of a stroke in which the relief valve was shut: places, and whether it had been open before.

    It opens before a gauge with a lag shows it, and shuts before the gauge has come down.
    """
    opens_kpa = track.setup.line.relief_kpa - _RELIEF_KPA
    over = next((place for place in range(first, last) if track.kpa[place] > opens_kpa), None)
    if over is None:
        return [(first, last, False)] if off_s - on_s > _RAN_S else []
    end = max(bisect_left(track.t_s, track.t_s[over] - _SHOWS_S), first)
    if end == first or track.t_s[end - 1] <= on_s + _RAN_S:
        end = _nears(track, first, over, opens_kpa)
    found = [(first, end, False)] if end - first >= _LEAST and track.t_s[end - 1] > on_s else []
    shut = next(
        (place for place in range(over, last) if track.t_s[place] > off_s and track.kpa[place] < opens_kpa), last
    )
    return [*found, (shut, last, True)] if last - shut >= 2 * _LEAST else found


def _nears(track: Track, first: int, over: int, opens_kpa: float) -> int:
    """The place at which a gauge that lags may be about to show an open relief valve."""
    for place in range(first + 1, over):
        rise = (track.kpa[place + 1] - track.kpa[place - 1]) / (track.t_s[place + 1] - track.t_s[place - 1])
        if track.kpa[place] + _LAG_S * max(rise, 0.0) > opens_kpa:
            return place
    return over


def _came_to_rest_s(track: Track, place: int) -> float:
    """When the rig had come to rest before a command: nothing of the move before belongs to a stroke."""
    if place == 0:
        return track.commands[0][0]
    at_s, on = track.commands[place - 1]
    return track.commands[place][0] if on else at_s + track.setup.line.coast_s + _REST_S


def _litres_at(track: Track, at_s: float) -> float:
    place = min(bisect_left(track.t_s, at_s), len(track.t_s) - 1)
    return track.litres[place] if place >= 0 else 0.0
