"""One interface for every kind of meter: a forward-counting integer, which control unwraps like any counter.

A pulse counter and a totaliser of whole registers are passed on unchanged. A decimal totaliser, a rate, a scale and run
time are converted to counts of their resolution, so that control's treatment of resolution remains valid.
No input or output; time is an argument.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from rig.control.words.values import Meter, ReverseCount
from rig.field.values import Value
from rig.meter_kind import KINDS
from rig.plan.physics import Line, flow_lps
from rig.record.work import MeterKind
from rig.run.names import METER_POINT
from rig.run.settings import Settings
from rig.units import parse, referenced

_WIDE_BITS = 62
"""Width of a count generated here: it never wraps."""
_LONGEST_S = 2.0
"""A rate that is stale for longer is not integrated: the volume in between is unknown."""
_LEAST_FLOW = 0.01
"""Low-flow cut-off as a share of the pump's flow: common practice, no source."""
_AT_RELIEF = 0.95
"""Share of its setting at which the relief valve begins to pass."""
_AIR_KG_M3, _WEIGHTS_KG_M3 = 1.2, 8000.0
"""Densities of air and of the weights for adjusting a scale, by convention (OIML D 28)."""


class MeterFace(Protocol):
    """Converts this scan's values into a count."""

    @property
    def register(self) -> str:
        """The point whose register goes on counting while it is not read; empty for a count generated here."""
        ...

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """The count at ``now_s`` from valid ``values`` only; None if unknown."""


@dataclass(frozen=True, slots=True)
class Counter:
    """A register of whole numbers, passed on unchanged."""

    point: str = "meter_count"

    @property
    def register(self) -> str:
        """The register itself."""
        return self.point

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """The raw register."""
        value = values.get(self.point)
        return None if value is None else int(value.raw)


@dataclass(slots=True)
class Totaliser:
    """A decimal total, which wraps at ``rollover`` (in its own unit) if it has one."""

    step: float
    """In the point's own unit."""
    rollover: float | None
    _last: float | None = None
    _turns: int = 0
    register: str = METER_POINT["total"]

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """Steps since 0."""
        value = values.get(METER_POINT["total"])
        if value is None:
            return None
        span = self.rollover
        if span is not None and self._last is not None and abs(value.scaled - self._last) > span / 2:
            self._turns += 1 if value.scaled < self._last else -1
        self._last = value.scaled
        return round((value.scaled + self._turns * (span or 0.0)) / self.step)


@dataclass(slots=True)
class Integrator:
    """A flow rate, integrated over the controller's clock and corrected for its damping.

    A damped rate ``q`` lags: the true total is the integral of ``q`` plus lag × q, exact for a first-order lag.
    """

    per_step: float
    """Seconds that one unit of the point's flow takes to pass one step."""
    least: float
    """Low-flow cut-off: otherwise a small zero offset would accumulate to a tyre's volume overnight."""
    lag_s: float
    backwards: bool
    """The rate is signed."""
    count: float
    _shown: int | None = None
    _last: tuple[float, float, float] | None = None
    """Wall time, controller's time and rate of the last value."""
    register: str = ""

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """Steps, added to the initial count."""
        value = values.get(METER_POINT["rate"])
        if value is None:
            return None
        if self._last is None or value.at_s > self._last[0]:
            rate = value.scaled if abs(value.scaled) >= self.least else 0.0
            if self._last is not None:
                dt_s = min(now_s - self._last[1], _LONGEST_S)
                self.count += dt_s * (rate + self._last[2]) / 2 / self.per_step
            self._last = (value.at_s, now_s, rate)
        level = self.count + self.lag_s * self._last[2] / self.per_step
        shown = round(level) if self._shown is None else _with_play(self._shown, level)
        self._shown = shown if self.backwards or self._shown is None else max(shown, self._shown)
        return self._shown


@dataclass(slots=True)
class Tote:
    """What has left the tote, in steps of a scale or a level; a hysteresis of one step suppresses flicker."""

    point: str
    step: float
    """In the point's own unit."""
    _shown: int | None = None
    register: str = ""

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """Steps below zero: the count rises as the tote empties."""
        value = values.get(self.point)
        if value is None:
            return None
        level = -value.scaled / self.step
        if self._shown is None:
            self._shown = round(level)
        self._shown = _with_play(self._shown, level)
        return self._shown


def _with_play(shown: int, level: float) -> int:
    """Let ``shown`` follow ``level`` with a hysteresis of one step, so that a flickering digit changes nothing."""
    return min(max(shown, math.ceil(level - 1 - 1e-6)), math.floor(level + 1 + 1e-6))


@dataclass(slots=True)
class RunTime:
    """The pump's flow times its forward run time; return flow is estimated by control."""

    flow_lps: float
    slip_lps_per_kpa: float
    relief_kpa: float
    at_relief_lps: float
    """Flow into the tyre while the relief valve passes the rest."""
    start_lag_s: float
    coast_s: float
    step_l: float
    kpa_per_unit: float
    """Kilopascals of one unit of the line gauge."""
    kpa_at_zero: float
    """Negative for a gauge that shows absolute pressures."""
    count: float
    _speed: float = 0.0
    _last_s: float | None = None
    register: str = ""

    def take(self, values: Mapping[str, Value], now_s: float) -> int | None:
        """Steps, added to the initial count."""
        relay, gauge = values.get("pump_run"), values.get("line_pressure")
        if relay is None or gauge is None:
            return None
        dt_s = 0.0 if self._last_s is None else now_s - self._last_s
        self._last_s = now_s
        before, kpa = self._speed, gauge.scaled * self.kpa_per_unit + self.kpa_at_zero
        if relay.raw:
            self._speed = min(1.0, before + dt_s / max(self.start_lag_s, 1e-3))
        else:
            self._speed = max(0.0, before - dt_s / max(self.coast_s, 1e-3))
        flow = max(0.0, self.flow_lps - self.slip_lps_per_kpa * max(kpa, 0.0))
        if kpa >= _AT_RELIEF * self.relief_kpa:
            flow = min(flow, self.at_relief_lps)
        self.count += dt_s * flow * (before + self._speed) / 2 / self.step_l
        return math.floor(self.count)


def measures_of(settings: Settings) -> tuple[MeterKind, ...]:
    """The ways in which this rig can measure a volume: its own meter first, then what else is wired, by trust."""
    wired = {*settings.points, *settings.line_points}
    able = [kind for kind in KINDS if METER_POINT.get(kind, "line_pressure") in wired]
    if settings.meter.k_factor is None and "pulses" in able:
        able.remove("pulses")
    if settings.rig.by_hand and "run time" in able:
        able.remove("run time")
    return (settings.meter.kind, *(kind for kind in able if kind != settings.meter.kind))


def faces(settings: Settings, line: Line, bases: Sequence[int]) -> tuple[MeterFace, ...]:
    """A face for each measure of a rig on a ``line``; ``bases`` are the counts of an interrupted fill."""
    return tuple(
        meter_face(settings, kind, line, base) for kind, base in zip(measures_of(settings), bases, strict=True)
    )


def meters_of(settings: Settings, density_kg_m3: float) -> tuple[Meter, ...]:
    """Parameters of each measure for control, the rig's own meter first."""
    return tuple(meter_of(settings, kind, density_kg_m3) for kind in measures_of(settings))


def meter_face(settings: Settings, kind: MeterKind, line: Line, base: int = 0) -> MeterFace:
    """The face of one measure of a rig on a ``line``; ``base`` is the count of an interrupted fill."""
    table, pump = settings.meter, settings.pump
    if kind == "pulses" or _whole(settings, kind):
        return Counter(METER_POINT[kind])
    if kind == "run time":
        unit, absolute = referenced(settings.quantities["line_pressure"])
        per_unit, zero_kpa = parse(f"1 {unit}", "pressure"), -settings.rig.atmosphere if absolute else 0.0
        # Upper bound of the flow: an overestimated content ends the fill early, never late.
        at_relief_lps = flow_lps(line, settings.limits.floor)
        return RunTime(
            pump.flow, pump.slip, pump.relief, at_relief_lps, pump.start_lag, pump.coast, table.step, per_unit,
            zero_kpa, base,
        )  # fmt: skip
    unit = settings.quantities[METER_POINT[kind]]
    if kind == "rate":
        lps = parse(f"1 {unit}", "flow")
        return Integrator(table.step / lps, _LEAST_FLOW * pump.flow / lps, table.lag, table.reverse == "signed", base)
    if kind == "scale":
        return Tote(METER_POINT[kind], table.division / parse(f"1 {unit}", "mass"))
    litres = parse(f"1 {unit}", "volume")
    if kind == "tote level":
        return Tote(METER_POINT[kind], table.level_step / litres)
    return Totaliser(table.step / litres, None if table.rollover is None else table.rollover / litres)


def meter_of(settings: Settings, kind: MeterKind, density_kg_m3: float = 1000.0) -> Meter:
    """Parameters of one measure for control; ``density_kg_m3`` is the liquid's, for a scale.

    Proving, uncertainty and reverse counting are those of the rig's own meter; a parallel measure has what is usual for
    its kind.
    """
    table, own = settings.meter, kind == settings.meter.kind
    count = settings.points.get(METER_POINT.get(kind, ""))
    second = kind == "pulses" and own and "meter_reverse_count" in settings.points
    stated = table.uncertainty if own else table.beside.get(METER_POINT.get(kind, ""))  # type: ignore[call-overload]
    shared = not own and METER_POINT.get(kind) in table.same_meter
    return Meter(
        k_per_l=_k_per_l(settings, kind, density_kg_m3),
        factor=table.meter_factor if own else 1.0,
        bits=16 * count.registers if count is not None and (kind == "pulses" or _whole(settings, kind)) else _WIDE_BITS,
        reverse=table.reverse if own or shared else _usual_reverse(kind),
        second_channel=second,
        uncertainty=(KINDS[kind].u_percent if stated is None else stated) / 100,
        proven=own and table.proven_on is not None,
        least_l=table.least_quantity,
        kind=kind,
        points=frozenset({METER_POINT[kind]} if kind in METER_POINT else ())
        | ({"meter_reverse_count"} if second else set()),
        repeat=KINDS[kind].repeat,
        on_air=table.on_air if own or shared else "counts",
        shared=shared,
        behind_s=KINDS[kind].behind_s + (table.lag if kind == "rate" else 0.0),
    )


def _usual_reverse(kind: MeterKind) -> ReverseCount:
    return "none" if KINDS[kind].by_time else "signed"


def _whole(settings: Settings, kind: MeterKind) -> bool:
    """Whether the totaliser is a register of whole numbers, which wraps by itself."""
    point = settings.points.get("meter_total")
    return kind == "total" and point is not None and point.type != "f32"


def _k_per_l(settings: Settings, kind: MeterKind, density_kg_m3: float) -> float:
    table = settings.meter
    if kind == "pulses":
        assert table.k_factor is not None, "settings without pulses per litre are refused"
        return table.k_factor
    if _whole(settings, kind):
        point = settings.points["meter_total"]
        return 1 / (abs(point.scale) * parse(f"1 {point.quantity}", "volume"))
    if kind == "tote level":
        return 1 / table.level_step
    if kind == "scale":
        lift = (1 - _AIR_KG_M3 / _WEIGHTS_KG_M3) / (1 - _AIR_KG_M3 / density_kg_m3)
        return density_kg_m3 / 1000 / (table.division * lift)
    return 1 / table.step
