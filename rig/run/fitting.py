"""A rig learned from the tracks of its fills: pump, line, lags, gauge and casing, with their uncertainties.

Counts and gauge are fitted together: the pump's slip depends on the pressure, and the pressure on the flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.control.values import Setup
from rig.run.fit_air import Rise, fit_air, rises_of
from rig.run.fit_flow import (
    SCALES,
    Drive,
    Swept,
    bounds_of,
    configured_drive,
    count_residuals,
    drive_of,
    fit_drive,
    flow_at,
    swept,
)
from rig.run.fit_gauge import HOSE_KPA, Edge, edge_of, edge_residuals, fit_gauge, losses_by_line, noise_of
from rig.run.fit_numbers import Fitted, fit, needed
from rig.run.fit_tracks import Track, rests_of, strokes_of
from rig.run.refused import Refused

if TYPE_CHECKING:
    from rig.run.fit_numbers import Numbers

_LEAST_STROKES = 3
_USUAL_LAG_S = 0.2
_ROUNDS = 2
"""Counts and gauge are first fitted in turns, so that the joint fit begins near its end."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What the fills say of a rig."""

    drive: Drive
    of_drive: Fitted
    """In the order of the drive's fields; where ``hose_kpa`` is known, then that and the hose's give (L per kPa)."""
    hose_kpa: float | None
    """Loss of hose, strainer and gun with water at the pump's flow; None: no end of a stroke shows it."""
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
    def cavities_l(self) -> dict[str, float]:
        """The fitted cavity by fill."""
        return {} if self.air is None else dict(zip(self.air[1], self.air[0].values[1:], strict=True))


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
    drive, of_drive, hose_kpa = _line(strokes)
    rests = [rest for track in tracks for rest in rests_of(track, drive.dead + drive.coast)]
    rises = rises_of(tracks, drive.dead + drive.coast)
    at_lps = sum(_last_lps(drive, each) for each in strokes) / len(strokes)
    setup = tracks[-1].setup
    return Learned(drive, of_drive, hose_kpa, at_lps, noise_of(rests), fit_air(rises), tuple(rises), setup)


def _last_lps(drive: Drive, each: Swept) -> float:
    """The flow at a stroke's end, before the pump slows down."""
    import numpy as np

    at_s = min(each.stroke.off_s, float(each.at[-1]))
    return float(flow_at(drive, each, np.array([at_s]))[0])


def _fit_for_it(tracks: Sequence[Track]) -> None:
    if not tracks:
        raise Refused("no scan in these recordings has a count and a line pressure: name other fills")
    for track in tracks:
        if track.setup.by_hand:
            raise Refused(f"fill {track.fill_id}: a person moved the pump's lever, and no command was recorded")
        if track.setup.meter.estimated:
            raise Refused(f"fill {track.fill_id}: its litres were not metered ({track.setup.meter.kind})")


def _line(strokes: Sequence[Swept]) -> tuple[Drive, Fitted, float | None]:
    """Pump, gauge lag and line; without a usable end of a stroke the pump alone."""
    lag_s = strokes[0].stroke.track.setup.line_gauge.lag_s or _USUAL_LAG_S
    edges: list[Edge | None] = [None] * len(strokes)
    for _ in range(_ROUNDS):
        of_drive = fit_drive(strokes, lag_s)
        drive = drive_of((*of_drive.values, lag_s))
        edges = [None if each.stroke.track.setup.cuts_gauge_off else edge_of(each) for each in strokes]
        usable = [edge for edge in edges if edge is not None]
        if len(usable) < _LEAST_STROKES:
            return drive, of_drive, None
        of_gauge = fit_gauge(usable, drive)
        lag_s, hose_kpa, give = of_gauge.values
    start = (*of_drive.values, lag_s, hose_kpa, give)
    low, high = bounds_of(configured_drive(strokes[0].stroke.track.setup))

    def residuals(values: Numbers) -> list[Numbers]:
        import numpy as np

        *of_pump, hose, gives = (float(value) for value in values)
        tried = drive_of(of_pump)
        losses = losses_by_line(usable, tried.flow)
        found = []
        for each, edge in zip(strokes, edges, strict=True):
            left = [count_residuals(tried, each) / of_drive.rms]
            if edge is not None:
                line = each.stroke.track.setup.line
                left.append(edge_residuals(edge, tried, losses[line], hose, gives) / of_gauge.rms)
            found.append(np.concatenate(left))
        return found

    bounds = (*low, HOSE_KPA[0], 0.0), (*high, HOSE_KPA[1], 0.01)
    joint = fit(residuals, start, bounds, (*SCALES, 10.0, 1e-4))
    return drive_of(joint.values[:6]), joint, joint.values[6]
