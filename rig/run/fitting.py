"""A rig learned from the tracks of its fills: pump, line, lags, gauge and casing, with their uncertainties.

The pump is fitted to the counts alone, and the line to the gauge with that pump: what is wrong in the law of a loss
does not reach the pump. In turns, because the pump's slip needs the pressure without the gauge's lag.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.control.words.values import Setup
from rig.run.fit_air import Rise, fit_air, rises_of
from rig.run.fit_flow import Drive, Swept, drive_of, fit_drive, flow_of, speed_at, swept
from rig.run.fit_gauge import edge_of, fit_gauge, noise_of
from rig.run.fit_numbers import Fitted, needed
from rig.run.fit_tracks import Track, rests_of, strokes_of
from rig.run.refused import Refused

_LEAST_STROKES = 3
_USUAL_LAG_S = 0.2
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Learned:
    """What the fills say of a rig."""

    drive: Drive
    of_drive: Fitted
    """In the order of the drive's fields, without the gauge's lag."""
    of_gauge: Fitted | None
    """As :func:`rig.run.fit_gauge.fit_gauge` gives it; None: too few ends of strokes show it."""
    at_lps: float
    """Mean flow at the ends of strokes: what the line's loss was seen at."""
    noise: tuple[float, float, int] | None
    """As :func:`rig.run.fit_gauge.noise_of` gives it."""
    air: tuple[Fitted, tuple[str, ...]] | None
    """As :func:`rig.run.fit_air.fit_air` gives it."""
    rises: tuple[Rise, ...]
    setup: Setup
    """That of the last fill: as the rig was configured then."""

    @property
    def hose_kpa(self) -> float | None:
        """Loss of hose, strainer and gun with water at the pump's flow."""
        return None if self.of_gauge is None else self.of_gauge.values[1]


def learn(tracks: Sequence[Track]) -> Learned:
    """Learn a rig from its fills, the oldest first; Refused with what is missing."""
    needed()
    tracks = [track for track in tracks if track.t_s]
    _fit_for_it(tracks)
    strokes = [swept(stroke) for track in tracks for stroke in strokes_of(track)]
    if len(strokes) < _LEAST_STROKES:
        raise Refused(
            f"{len(strokes)} usable strokes of the pump in these fills, {_LEAST_STROKES} needed (usable: forward, "
            "counted, no alarm, no air in the line): name more fills"
        )
    drive, of_drive, of_gauge = _line(strokes)
    rests = [rest for track in tracks for rest in rests_of(track, drive.dead + drive.coast)]
    rises = rises_of(tracks, drive.dead + drive.coast)
    at_lps = sum(_last_lps(drive, each) for each in strokes) / len(strokes)
    setup = tracks[-1].setup
    return Learned(drive, of_drive, of_gauge, at_lps, noise_of(rests), fit_air(rises), tuple(rises), setup)


def _last_lps(drive: Drive, each: Swept) -> float:
    """The flow at a stroke's end, before the pump slows down; of a piece after it, at its first pressure."""
    import numpy as np

    at_s = min(each.stroke.off_s, float(each.at[-1]))
    kpa = np.interp(np.array([at_s]), each.t_s, each.kpa + drive.gauge_lag * each.rise)
    return float(flow_of(drive, speed_at(drive, each.stroke, np.array([at_s])), kpa)[0])


def _fit_for_it(tracks: Sequence[Track]) -> None:
    if not tracks:
        raise Refused("no scan in these recordings has a count and a line pressure: name other fills")
    for track in tracks:
        if track.setup.by_hand:
            raise Refused(f"fill {track.fill_id}: a person moved the pump's lever, and no command was recorded")
        if track.setup.meter.estimated:
            raise Refused(f"fill {track.fill_id}: its litres were not metered ({track.setup.meter.kind})")


def _line(strokes: Sequence[Swept]) -> tuple[Drive, Fitted, Fitted | None]:
    """Pump, then gauge and line, in turns; without enough usable ends of strokes the pump alone."""
    lag_s = strokes[0].stroke.track.setup.line_gauge.lag_s or _USUAL_LAG_S
    of_gauge = None
    seen = [each for each in strokes if not each.stroke.track.setup.cuts_gauge_off]
    edges = [edge for each in seen if (edge := edge_of(each)) is not None]
    for _ in range(_ROUNDS):
        of_drive = fit_drive(strokes, lag_s)
        drive = drive_of((*of_drive.values, lag_s))
        if len(edges) < _LEAST_STROKES:
            break
        of_gauge = fit_gauge(edges, drive)
        lag_s = of_gauge.values[0]
    return drive_of((*of_drive.values, lag_s)), of_drive, of_gauge
