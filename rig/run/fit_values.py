"""What was learned of a rig as values with their uncertainties, and its check against fills that were held out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.plan.physics import bore_loss_kpa, hose_loss_kpa, line_loss_kpa
from rig.record.base import Document
from rig.run.fit_flow import STEP_S, Drive, Swept, configured_drive, litres_at, swept
from rig.run.fit_gauge import edge_of, edge_residuals, losses_of, water_loss_kpa
from rig.run.fit_tracks import Track, strokes_of
from rig.run.fitting import Learned, learn

if TYPE_CHECKING:
    from rig.run.fit_numbers import Numbers

_TIME_TO = 0.1
"""Largest half-width of a time that is proposed."""
_STEADY_KPA = 0.01
"""Less noise than a configuration need state."""
_BORE_LAW = 0.01
"""Share by which the computed loss of a known bore may be off, at 95 %. Assumed, no source."""
_FEW = "these fills do not show it well enough"


@dataclass(frozen=True, slots=True)
class Value:
    """One value of the rig, in the program's units."""

    name: str
    key: str
    """Of the configuration; empty: it has none."""
    unit: str
    value: float | None
    u95: float | None
    """Half-width at 95 %."""
    configured: float | None
    why_not: str = ""
    """Why it is not proposed; empty where it is."""

    def document(self) -> Document:
        """As a program reads it."""
        return {
            "name": self.name, "key": self.key, "unit": self.unit, "value": self.value, "u95": self.u95,
            "configured": self.configured, "proposed": bool(self.key) and not self.why_not, "why_not": self.why_not,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Checked:
    """Root mean square of a prediction's error on the fills that were held out."""

    name: str
    unit: str
    configured: float
    fitted: float


def values_of(learned: Learned) -> list[Value]:
    """The values, those without a key last."""
    setup, drive, fit = learned.setup, learned.drive, learned.of_drive
    line, gauge = setup.line, setup.line_gauge
    flow_u, slip_u = fit.u95[:2]
    start_u, coast_u = (_time_u(fit.u95_of([0, 0, 1, *ramp])) for ramp in ((1, 0), (0, 1)))
    slip_to = max(0.25 * abs(drive.slip), 5e-5)
    return [
        _value("pump flow", "pump.flow", "L/s", drive.flow, flow_u, line.pump_lps, 0.05 * drive.flow),
        _value("slip", "pump.slip", "L/s per kPa", drive.slip, slip_u, line.slip_lps_per_kpa, slip_to),
        _value("start", "pump.start_lag", "s", drive.dead + drive.lag, start_u, line.start_lag_s, _TIME_TO),
        _value("coast", "pump.coast", "s", drive.dead + drive.coast, coast_u, line.coast_s, _TIME_TO),
        *_of_line(learned),
        _noise(learned, gauge.noise_kpa),
        *_casing(learned),
    ]


def _value(name: str, key: str, unit: str, value: float, u95: float, configured: float | None, to: float) -> Value:
    """A value that is proposed if its half-width is ``to`` at most and it is not negative."""
    why = _FEW if not u95 <= to else "it comes out negative: something else is at work" if value < 0 else ""
    return Value(name, key, unit, value, u95, configured, why)


def _time_u(u95: float) -> float:
    """A time's half-width with what straight ramps and steps of the computation leave: assumed to be one step."""
    return math.hypot(u95, STEP_S)


def _of_line(learned: Learned) -> list[Value]:
    """Hose, whole line and the gauge's lag."""
    setup, drive, fit = learned.setup, learned.drive, learned.of_gauge
    hose, lag = ("hose loss, water", "pipe.hose_loss", "kPa"), ("gauge lag", "points.line_pressure.lag", "s")
    configured = water_loss_kpa(setup.line, drive.flow)
    lag_s = setup.line_gauge.lag_s or None
    if fit is None:
        why = "no end of a stroke shows it: too few, or a fill valve shuts the gauge off"
        return [Value(*hose, None, None, configured, why), Value(*lag, None, None, lag_s, why)]
    hose_kpa, hose_u = fit.values[1], fit.u95[1]
    at_lps = learned.at_lps
    per_kpa, bore_kpa = hose_loss_kpa(setup.line, at_lps) / configured, bore_loss_kpa(setup.line, at_lps)
    whole = bore_kpa + hose_kpa * per_kpa
    # Only the sum is seen: what the bore's law is off by goes to the hose.
    flow_u = 2 * learned.of_drive.u95[0] / drive.flow
    split_u = math.hypot(hose_u, math.hypot(_BORE_LAW, flow_u) * bore_kpa / per_kpa)
    whole_u = math.hypot(hose_u * per_kpa, flow_u * whole)
    of_hose = _value(*hose, hose_kpa, split_u, configured, max(0.3 * hose_kpa, 1.0))
    if hose_kpa < 0 and of_hose.why_not != _FEW:
        of_hose = Value(*hose, hose_kpa, split_u, configured, "the valve's bore alone is computed to lose more")
    lag_to = 0.1 if drive.gauge_lag <= 1.0 else -1.0
    return [
        of_hose,
        _value(*lag, drive.gauge_lag, _time_u(fit.u95[0]), lag_s, lag_to),
        Value("line loss", "", "kPa", whole, whole_u, line_loss_kpa(setup.line, at_lps)),
    ]


def _noise(learned: Learned, configured: float | None) -> Value:
    what = ("gauge noise", "points.line_pressure.noise", "kPa")
    if learned.noise is None:
        return Value(*what, None, None, configured, "too few scans at rest")
    noise, u95, _ = learned.noise
    if noise < _STEADY_KPA:
        return Value(*what, noise, u95, configured, "the gauge shows next to none")
    return _value(*what, noise, u95, configured, 0.2 * noise)


def _casing(learned: Learned) -> list[Value]:
    """Cavity by fill, and growth: no keys of the configuration."""
    if learned.air is None:
        why = "too few sealed strokes between rests, from a wet hose into a tyre that is vented"
        return [Value("growth per psi", "", "", None, None, None, why)]
    fitted, fills = learned.air
    configured = {rise.fill_id: rise.configured_l for rise in learned.rises}
    found = [_value("growth per psi", "", "", fitted.values[0], fitted.u95[0], None, 0.0005)]
    for name, litres, u95 in zip(fills, fitted.values[1:], fitted.u95[1:], strict=True):
        found.append(_value(f"cavity of {name}", "", "L", litres, u95, configured[name], 0.05 * litres))
    return found


def held_out(tracks: Sequence[Track]) -> tuple[list[Track], list[Track]]:
    """Tracks to fit, and a third of the fills, the last ones, at least one: none where there is only one fill."""
    fills = list(dict.fromkeys(track.fill_id for track in tracks))
    out = set(fills[len(fills) - max(1, len(fills) // 3) :]) if len(fills) > 1 else set()
    return [each for each in tracks if each.fill_id not in out], [each for each in tracks if each.fill_id in out]


def checked(tracks: Sequence[Track]) -> tuple[list[Checked], list[str]]:
    """Fit without the fills that are held out, and predict those; with their ids. Refused as :func:`learn`."""
    kept, out = held_out(tracks)
    strokes = [swept(stroke) for track in out if track.t_s for stroke in strokes_of(track)]
    if not strokes:
        return [], []
    learned = learn(kept)
    found = [
        Checked("litres of a stroke", "L", *_both(strokes, learned, _stroke_error)),
        Checked("litres after the off", "L", *_both(strokes, learned, _overrun_error)),
    ]
    if learned.of_gauge is not None and any(edge_of(each) for each in strokes):
        found.append(Checked("gauge around the off", "kPa", *_gauge_errors(strokes, learned)))
    return found, sorted({track.fill_id for track in out})


def _both(
    strokes: Sequence[Swept], learned: Learned, error: Callable[[Drive, Swept], float | None]
) -> tuple[float, float]:
    before = [error(configured_drive(each.stroke.track.setup), each) for each in strokes]
    after = [error(learned.drive, each) for each in strokes]
    return _rms(before), _rms(after)


def _stroke_error(drive: Drive, each: Swept) -> float:
    model = litres_at(drive, each, each.at[[0, -1]])
    return float(each.litres[-1] - each.litres[0] - (model[1] - model[0]))


def _overrun_error(drive: Drive, each: Swept) -> float | None:
    import numpy as np

    if not each.stroke.ends:
        return None
    at = np.array([each.stroke.off_s, each.at[-1]])
    model, counted = litres_at(drive, each, at), np.interp(at, each.at, each.litres)
    return float(counted[1] - counted[0] - (model[1] - model[0]))


def _gauge_errors(strokes: Sequence[Swept], learned: Learned) -> tuple[float, float]:
    before: list[float | None] = []
    after: list[float | None] = []
    for each in strokes:
        edge, setup = edge_of(each), each.stroke.track.setup
        if edge is None:
            continue
        was, of_gauge = configured_drive(setup), learned.of_gauge
        assert of_gauge is not None
        _, hose_kpa, give = of_gauge.values
        as_was = water_loss_kpa(setup.line, was.flow)
        before.append(_spread(edge_residuals(edge, was, losses_of(setup.line, was.flow), as_was, 0.0)))
        now = losses_of(setup.line, learned.drive.flow)
        after.append(_spread(edge_residuals(edge, learned.drive, now, hose_kpa, give)))
    return _rms(before), _rms(after)


def _spread(residuals: Numbers) -> float:
    return math.sqrt(float(residuals @ residuals) / len(residuals))


def _rms(errors: Sequence[float | None]) -> float:
    found = [error for error in errors if error is not None]
    return math.sqrt(sum(error * error for error in found) / max(len(found), 1))
