"""Line loss, and the gauge's lag and noise. Pure but for the optimiser.

At the end of a stroke the flow ceases while the tyre's pressure hardly changes: what the gauge falls by is the loss of
the line, and how fast it does so its lag. The tyre's own pressure is a parabola in the litres, per stroke. A start
shows less: after a vent the gun may hold air, which passes the valve without a loss. The hose gives a little, so that
its end flows on for a moment; that is fitted too, and means nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rig.fluid import read_fluid
from rig.plan.physics import Line, bore_loss_kpa, hose_loss_kpa
from rig.run.fit_flow import STEP_S, Drive, Swept, flow_of, speed_at, volume_at
from rig.run.fit_numbers import Fitted, fit, without
from rig.run.fit_tracks import Rest

if TYPE_CHECKING:
    from rig.run.fit_numbers import Numbers

_CAN_C = 15.0
"""Water temperature at which ``pipe.hose_loss`` is stated."""
_NEAR_S = 5.0
"""The end of a stroke begins so long before its off, but not before ``_RUN_UP_S`` of its run."""
_RUN_UP_S, _RUN_IN_S = 1.5, 2.0
"""``_RUN_IN_S``: how long the lag's filter runs before its first comparison."""
_LEAST = 5
"""Fewest samples before and after the off."""
_REST_S = 1.0
"""The end of a window that its pressure at rest is the mean of."""
_STEPS = 6
_FLOWS = 60
_HOSE_KPA = (-200.0, 500.0)
"""Range of the hose's loss in a fit. Below nothing: the valve's bore loses less than computed."""
_CHUNK_S, _WILD = 5.0, 4.0
"""Length of a piece of rest, and how much its variance may exceed the median's: more is a hand at the gun."""


@dataclass(frozen=True, slots=True)
class Edge:
    """The end of a stroke on an even grid of times."""

    source: Swept
    t_s: Numbers
    at: Numbers
    """Times of the samples."""
    shown: Numbers
    """The gauge at the samples, kPa."""
    rest_kpa: float
    """The gauge in the end."""


@dataclass(frozen=True, slots=True)
class Losses:
    """Computed losses of one line by flow, kPa; the hose's for each kPa that it loses with water at ``water_lps``."""

    flow: Numbers
    bore: Numbers
    hose: Numbers


def water_loss_kpa(line: Line, flow: float) -> float:
    """What the configured hose would lose with water, as ``pipe.hose_loss`` states it."""
    water = read_fluid("water")
    tried = replace(line, density_kg_m3=water.density_kg_m3(_CAN_C), viscosity_mpas=water.viscosity_mpas(_CAN_C))
    return hose_loss_kpa(tried, flow)


def losses_of(line: Line, water_lps: float) -> Losses:
    """The tables of a line, up to a third above ``water_lps``."""
    import numpy as np

    flow = np.linspace(0.0, 1.3 * water_lps, _FLOWS)
    bore = np.array([bore_loss_kpa(line, float(each)) for each in flow])
    hose = np.array([hose_loss_kpa(line, float(each)) for each in flow])
    return Losses(flow, bore, hose / water_loss_kpa(line, water_lps))


def edge_of(each: Swept) -> Edge | None:
    """The window around a stroke's end; None where it holds too little."""
    import numpy as np

    stroke = each.stroke
    if not stroke.ends:
        return None
    shown = np.array(stroke.track.kpa[stroke.first : stroke.last])
    rest_kpa = float(shown[each.at > each.at[-1] - _REST_S].mean())
    if stroke.relieved:
        return Edge(each, np.arange(each.at[0], each.at[-1] + STEP_S, STEP_S), each.at, shown, rest_kpa)
    from_s = stroke.on_s + _RUN_UP_S if stroke.starts else float(each.at[0]) + _RUN_IN_S
    begin_s, end_s = max(stroke.off_s - _NEAR_S, from_s), float(each.at[-1])
    inside = each.at >= begin_s
    if (inside & (each.at <= stroke.off_s)).sum() < _LEAST or (inside & (each.at > stroke.off_s)).sum() < _LEAST:
        return None
    grid = np.arange(begin_s - _RUN_IN_S, end_s + STEP_S, STEP_S)
    return Edge(each, grid, each.at[inside], shown[inside], rest_kpa)


def edge_residuals(edge: Edge, drive: Drive, losses: Losses, hose_kpa: float, give: float) -> Numbers:
    """The gauge less the model, kPa, with the tyre's own pressure fitted; the drive's gauge lag is above 0."""
    import numpy as np
    from scipy.signal import lfilter

    table = losses.bore + hose_kpa * losses.hose
    speed = speed_at(drive, edge.source.stroke, edge.t_s)
    flow = drive.flow * speed
    # Against the model's pressure: the gauge's would bring its noise into the model. It converges in a few steps.
    for _ in range(_STEPS):
        flow = flow_of(drive, speed, edge.rest_kpa + np.interp(flow, losses.flow, table))
    out = _through(flow, losses.flow, table, give)
    loss = np.interp(out, losses.flow, table)
    # The first-order lag of a value that is linear within each step.
    kept = math.exp(-STEP_S / drive.gauge_lag)
    behind = (1 - kept) * drive.gauge_lag / STEP_S

    def lagged(true: Numbers) -> Numbers:
        after, _ = lfilter([1 - behind, behind - kept], [1, -kept], true, zi=[behind * true[0]])
        return np.asarray(np.interp(edge.at, edge.t_s, after))

    volume = volume_at(out, edge.t_s)
    columns = [np.ones(len(edge.at)), lagged(volume), lagged(volume**2)]
    if edge.source.stroke.relieved:
        # What the gauge still shows of the time before.
        columns.append(np.exp(-(edge.at - edge.t_s[0]) / drive.gauge_lag))
    return without(np.stack(columns, axis=1), edge.shown - lagged(loss))


def _through(flow: Numbers, at: Numbers, table: Numbers, give: float) -> Numbers:
    """What flows through the line's end while its hose gives by ``give`` litres for each kPa (implicit Euler)."""
    import numpy as np

    step = float(at[1])
    gives = (give * np.diff(table) / step).clip(min=0.0).tolist()
    last, out, found = len(gives) - 1, float(flow[0]), []
    for into in flow.tolist():
        out += STEP_S * (into - out) / (gives[min(int(out / step), last)] + STEP_S)
        found.append(out)
    return np.array(found)


def fit_gauge(edges: Sequence[Edge], drive: Drive) -> Fitted:
    """Fit the gauge's lag (s), the hose's loss with water at the pump's flow (kPa), and its give (L per kPa)."""
    losses = {line: losses_of(line, drive.flow) for line in {edge.source.stroke.track.setup.line for edge in edges}}
    began = water_loss_kpa(edges[0].source.stroke.track.setup.line, drive.flow)

    def residuals(values: Numbers) -> list[Numbers]:
        lag_s, hose_kpa, give = (float(value) for value in values)
        tried = replace(drive, gauge_lag=lag_s)
        return [edge_residuals(e, tried, losses[e.source.stroke.track.setup.line], hose_kpa, give) for e in edges]

    return fit(
        residuals, (0.2, began, 1e-4), ((0.005, _HOSE_KPA[0], 0.0), (3.0, _HOSE_KPA[1], 0.01)), (0.2, 10.0, 1e-4)
    )


def noise_of(rests: Sequence[Rest]) -> tuple[float, float, int] | None:
    """Noise of a single scan (one standard deviation, kPa), its half-width at 95 %, and from how many scans.

    From what is left of pieces of a rest after a straight line each; noise slower than a piece is not in it. None
    where there are too few.
    """
    import numpy as np

    pieces: list[tuple[float, int]] = []
    for rest in rests:
        t_s, kpa = (np.array(each[rest.first : rest.last]) for each in (rest.track.t_s, rest.track.kpa))
        for begin_s in np.arange(t_s[0], t_s[-1], _CHUNK_S):
            inside = (t_s >= begin_s) & (t_s < begin_s + _CHUNK_S)
            count = int(inside.sum())
            if count >= 8:
                line = np.stack([np.ones(count), t_s[inside] - begin_s], axis=1)
                left = without(line, kpa[inside])
                pieces.append((float(left @ left), count - 2))
    if not pieces:
        return None
    usual = float(np.median([squares / free for squares, free in pieces]))
    tame = [(squares, free) for squares, free in pieces if squares / free <= _WILD * usual]
    free = sum(each for _, each in tame)
    if free < 30:
        return None
    noise = math.sqrt(sum(squares for squares, _ in tame) / free)
    return noise, 1.96 * noise / math.sqrt(2 * free), free
