"""The pump from counted litres: flow and slip, and how it starts and coasts. Pure but for the optimiser.

Model: from ``dead`` seconds after the command the speed rises in a straight line for ``lag`` seconds, and after the
off it falls in one for ``coast`` seconds; the flow is ``flow`` times the speed, less ``slip`` for each kPa before the
gauge, which shows them ``gauge_lag`` seconds late (a first-order lag).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.control.words.values import Setup
from rig.run.fit_numbers import Fitted, fit, without
from rig.run.fit_tracks import AFTER_S, Stroke

if TYPE_CHECKING:
    from rig.run.fit_numbers import Numbers

STEP_S = 0.02
_UP_S = 4.0
"""After a command the flow is computed in steps of ``STEP_S`` for this long."""


@dataclass(frozen=True, slots=True)
class Drive:
    """How the pump answers: L/s, L/s per kPa, seconds."""

    flow: float
    slip: float
    dead: float
    lag: float
    coast: float
    gauge_lag: float


_SCALES = (0.5, 1e-3, 0.1, 0.3, 1.0)
"""Usual sizes of what is fitted."""


@dataclass(frozen=True, slots=True)
class Swept:
    """A stroke's samples and the finer times at which the flow is computed."""

    stroke: Stroke
    t_s: Numbers
    """All times, the samples' among them."""
    at: Numbers
    """Times of the samples."""
    kpa: Numbers
    """The gauge at all times."""
    rise: Numbers
    """Its rise at all times, kPa/s."""
    litres: Numbers
    """Counted at the samples."""


def swept(stroke: Stroke) -> Swept:
    """A stroke with its times."""
    import numpy as np

    span = slice(stroke.first, stroke.last)
    at, kpa, litres = (np.array(each[span]) for each in (stroke.track.t_s, stroke.track.kpa, stroke.track.litres))
    fine = [start + np.arange(0.0, long_s, STEP_S) for start, long_s in ((stroke.on_s, _UP_S), (stroke.off_s, AFTER_S))]
    t_s = np.unique(np.concatenate([at, *fine]))
    t_s = t_s[(t_s >= at[0]) & (t_s <= at[-1])]
    shown = np.interp(t_s, at, kpa)
    return Swept(stroke, t_s, at, shown, np.gradient(shown, t_s), litres)


def speed_at(drive: Drive, stroke: Stroke, t_s: Numbers) -> Numbers:
    """The pump's speed, 0 to 1."""
    import numpy as np

    on_s, off_s = stroke.on_s + drive.dead, stroke.off_s + drive.dead
    top = min(max((off_s - on_s) / drive.lag, 0.0), 1.0)
    down = np.clip(top - (t_s - off_s) / drive.coast, 0.0, top)
    return np.where(t_s < off_s, np.clip((t_s - on_s) / drive.lag, 0.0, 1.0), down)


def flow_of(drive: Drive, speed: Numbers, kpa: Numbers) -> Numbers:
    """The model's flow at a speed against a pressure, L/s."""
    import numpy as np

    return np.where(speed > 0.0, np.maximum(drive.flow * speed - drive.slip * kpa, 0.0), 0.0)


def flow_at(drive: Drive, each: Swept) -> Numbers:
    """The model's flow at all times of a stroke against the pressure that the gauge shows, L/s."""
    return flow_of(drive, speed_at(drive, each.stroke, each.t_s), each.kpa + drive.gauge_lag * each.rise)


def volume_at(flow: Numbers, t_s: Numbers) -> Numbers:
    """Volume since the first of the times, L (trapezoids)."""
    import numpy as np

    steps = 0.5 * (flow[1:] + flow[:-1]) * np.diff(t_s)
    return np.concatenate([[0.0], np.cumsum(steps)])


def litres_at(drive: Drive, each: Swept, at: Numbers) -> Numbers:
    """The model's volume since a stroke's first sample at other times, L."""
    import numpy as np

    volume = volume_at(flow_at(drive, each), each.t_s)
    return np.asarray(np.interp(at, each.t_s, volume))


def count_residuals(drive: Drive, each: Swept) -> Numbers:
    """The count less the model, L; each stroke's count begins where it will."""
    import numpy as np

    return without(np.ones((len(each.at), 1)), each.litres - litres_at(drive, each, each.at))


def drive_of(values: Sequence[float] | Numbers) -> Drive:
    """A drive of its fields in their order."""
    flow, slip, dead, lag, coast, gauge_lag = (float(value) for value in values)
    return Drive(flow, slip, dead, lag, coast, gauge_lag)


def configured_drive(setup: Setup) -> Drive:
    """What the rig took for the pump's when a stroke was recorded."""
    line = setup.line
    ramps_s = (max(each, STEP_S) for each in (line.start_lag_s, line.coast_s, setup.line_gauge.lag_s))
    return Drive(line.pump_lps, line.slip_lps_per_kpa, 0.0, *ramps_s)


def fit_drive(strokes: Sequence[Swept], gauge_lag: float) -> Fitted:
    """Fit all fields of :class:`Drive` but the gauge's lag, from the counts alone."""
    began = configured_drive(strokes[0].stroke.track.setup)

    def residuals(values: Numbers) -> list[Numbers]:
        drive = drive_of((*values, gauge_lag))
        return [count_residuals(drive, each) for each in strokes]

    low, high = (0.1 * began.flow, -0.005, 0.0, STEP_S, STEP_S), (10.0 * began.flow, 0.05, 2.0, 3.0, AFTER_S - 1.0)
    near = (began.flow, began.slip, 0.05, max(began.lag, 0.1), began.coast)
    start = [min(max(value, lo + 1e-6), hi - 1e-6) for value, lo, hi in zip(near, low, high, strict=True)]
    return fit(residuals, start, (low, high), _SCALES)
