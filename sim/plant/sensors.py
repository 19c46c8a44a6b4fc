"""Transmitters: each follows the true value with a lag, and some can be made faulty. They know no registers."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.plant.line import Line
    from sim.plant.meter import Meter
    from sim.plant.params import PlantParams
    from sim.plant.upsets import Upsets

_GAUGE_STEP_KPA = 10.0
"""Spacing of the support points of a gauge's error. Assumed, no source."""
_SLOW_NOISE, _SLOW_NOISE_S = 0.2, 5.0
"""Share of a gauge's noise that is slow, and its time constant. Assumed, no source."""
_FLOAT_L = 2.0
"""Volume above the heel at which the float at the dip tube falls. Assumed, no source."""
_STRAINER_KPA = 5.0
"""Pressure loss of a clean strainer at the pump's full flow. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Readings:
    """The sensors' values, in the program's units; gauge pressures."""

    meter_count: int
    meter_reverse_count: int
    meter_total: float
    flow_rate: float
    line_pressure: float
    tyre_pressure: float
    tote_level: float
    tote_mass: float
    strainer_dp: float
    fluid_temp: float
    estop_ok: bool
    liquid_in_vent: bool
    stop_button: bool = False
    tote_low: bool = False
    tote_full: bool = False


def _buoyed(density_kg_m3: float) -> float:
    """Ratio of a scale's reading to a liquid's mass: air buoyancy on the liquid and on the adjustment weights."""
    return (1 - 1.2 / density_kg_m3) / (1 - 1.2 / 8000)


@dataclass(frozen=True, slots=True)
class ErrorSplit:
    """Shares of a gauge's variance; what is left is drawn for each pressure by itself.

    A data sheet's accuracy covers zero, span, non-linearity, hysteresis and repeatability (IEC 61298-2, as explained in
    "Pressure transmitter accuracy and non-linearity", WIKA blog). 0.5 % by the line through the end points is about
    0.25 % by the best straight line ("Deviation of characteristic curve", BD Sensors): half, a quarter of the variance.
    """

    range_kpa: float
    zero: float = 0.0
    span: float = 0.0
    curve: float = 0.0
    """Non-linearity: a bow and an S, either of which may be any part of it."""

    def error(self, kpa: float, rng: random.Random) -> float:
        """The error that these parts make, in standard deviations of the whole; draws the same for each pressure."""
        share = kpa / self.range_kpa
        zero, span, mix = rng.gauss(0.0, 1.0), rng.gauss(0.0, 1.0), rng.uniform(0.0, 2.0 * math.pi)
        bow, wave = 4.0 * share * (1.0 - share), math.sin(2.0 * math.pi * share)
        curve = rng.gauss(0.0, 1.0) * (math.cos(mix) * bow + math.sin(mix) * wave)
        return math.sqrt(self.zero) * zero + math.sqrt(self.span) * span * share + math.sqrt(self.curve) * curve

    @property
    def rest(self) -> float:
        """Share that is drawn for each pressure by itself."""
        return max(0.0, 1.0 - self.zero - self.span - self.curve)


SPLITS: dict[str, tuple[float, float, float]] = {
    "each pressure": (0.0, 0.0, 0.0),
    "data sheet": (0.375, 0.375, 0.25),
    "span": (0.0, 1.0, 0.0),
    "curve": (0.0, 0.0, 1.0),
}
"""Shares of zero, span and curve in the variance of a gauge at the end of its range."""


def split_of(name: str, range_kpa: float) -> ErrorSplit | None:
    """The split of this name for a gauge of this range; None where the error is drawn for each pressure by itself."""
    shares = SPLITS[name]
    return ErrorSplit(range_kpa, *shares) if any(shares) else None


class GaugeError:
    """A gauge's error by pressure: drawn at support points, with the same standard deviation everywhere, or split."""

    def __init__(self, sigma_kpa: float, seed: int, split: ErrorSplit | None = None) -> None:
        self._sigma_kpa, self._seed, self._split = sigma_kpa, seed, split
        self._knots: dict[int, float] = {}

    def at(self, kpa: float) -> float:
        """The error at a gauge pressure."""
        if not self._sigma_kpa:
            return 0.0
        if self._split is None:
            return self._by_knots(kpa)
        drawn = self._split.error(kpa, random.Random(f"{self._seed} split"))  # a simulation, not a secret
        return self._sigma_kpa * drawn + math.sqrt(self._split.rest) * self._by_knots(kpa)

    def _by_knots(self, kpa: float) -> float:
        step = math.floor(kpa / _GAUGE_STEP_KPA)
        share = kpa / _GAUGE_STEP_KPA - step
        return math.sqrt(1.0 - share) * self._knot(step) + math.sqrt(share) * self._knot(step + 1)

    def _knot(self, step: int) -> float:
        if step not in self._knots:
            self._knots[step] = random.Random(f"{self._seed} {step}").gauss(0.0, self._sigma_kpa)  # a simulation
        return self._knots[step]


class Noise:
    """A transmitter's noise: mostly white, with a small slow part."""

    __slots__ = ("_rng", "_sigma_kpa", "_slow_kpa", "kpa")

    def __init__(self, sigma_kpa: float, seed: str) -> None:
        self._sigma_kpa, self._slow_kpa, self.kpa = sigma_kpa, 0.0, 0.0
        self._rng = random.Random(seed)  # a simulation, not a secret

    def shake(self, dt: float) -> None:
        """Draw the value for the end of ``dt``; the slow part is a first-order process (Ornstein and Uhlenbeck)."""
        if self._sigma_kpa <= 0.0 or dt <= 0.0:
            return
        slow_kpa = _SLOW_NOISE * self._sigma_kpa
        kept = math.exp(-dt / _SLOW_NOISE_S)
        self._slow_kpa = kept * self._slow_kpa + math.sqrt(1.0 - kept * kept) * self._rng.gauss(0.0, slow_kpa)
        white_kpa = math.sqrt(1.0 - _SLOW_NOISE**2) * self._sigma_kpa
        self.kpa = self._slow_kpa + self._rng.gauss(0.0, white_kpa)


class Lagged:
    """A first-order lag, exact for a true value that is linear during a step."""

    __slots__ = ("_true", "shown")

    def __init__(self) -> None:
        self._true = self.shown = 0.0

    def follow(self, true: float, behind: float, decay: float) -> None:
        """Advance to a step's end; ``decay`` of the old difference and ``behind`` of the step's change remain."""
        self.shown = true - (true - self._true) * behind - (self._true - self.shown) * decay
        self._true = true


class Sensors:
    """All transmitters: lagged values, gauge pressures."""

    __slots__ = (
        "_air",
        "_brim_l",
        "_drift_kpa",
        "_error",
        "_full_lps",
        "_heel_l",
        "_kg_per_l",
        "_lag_s",
        "_line",
        "_line_noise",
        "_strainer",
        "_temperature_c",
        "_tote",
        "_tyre",
        "_tyre_noise",
    )

    def __init__(self, params: PlantParams) -> None:
        self._air = params.atmosphere_kpa_abs
        self._error = GaugeError(params.gauge_error_kpa, params.seed, params.gauge_split)
        self._lag_s = params.sensor_lag_s
        self._full_lps = params.pump.flow_lps
        self._heel_l = params.heel_l
        self._brim_l = math.inf if params.brim_l is None else params.brim_l
        self._kg_per_l = params.fluid.density_kg_m3 / 1000 * _buoyed(params.fluid.density_kg_m3)
        self._temperature_c = params.fluid.temperature_c
        self._line, self._tyre, self._strainer = Lagged(), Lagged(), Lagged()
        self._drift_kpa = 0.0
        self._line_noise, self._tyre_noise = (
            Noise(params.gauge_noise_kpa, f"{params.seed} noise {name}") for name in ("line", "tyre")
        )
        self._tote = params.tote_l

    def update(self, dt: float, line: Line, gun_on: bool, upsets: Upsets) -> None:
        """Follow the true values for ``dt``."""
        decay = math.exp(-dt / self._lag_s) if self._lag_s > 0.0 else 0.0
        behind = (1.0 - decay) * self._lag_s / dt
        drift = upsets.pressure_drift_kpa_s
        self._drift_kpa = self._drift_kpa + drift * dt if drift else 0.0
        if not upsets.pressure_stuck:
            self._line.follow(line.kpa_abs - self._air, behind, decay)
        self._tyre.follow(line.gun_kpa_abs - self._air if gun_on else 0.0, behind, decay)
        self._strainer.follow(_STRAINER_KPA * (line.flow_lps / self._full_lps) ** 2, behind, decay)
        if not upsets.level_stuck:
            self._tote = line.tote_l

    def shake(self, dt: float) -> None:
        """Draw the gauges' noise at the end of ``dt``."""
        self._line_noise.shake(dt)
        self._tyre_noise.shake(dt)

    def readings(self, meter: Meter, vent_liquid: bool, upsets: Upsets) -> Readings:
        """The present readings."""
        forward, backward, total_l, flow_lps = meter.shown()
        line_kpa = self._line.shown
        drift_kpa = upsets.pressure_offset_kpa + self._drift_kpa + self._line_noise.kpa
        return Readings(
            meter_count=forward,
            meter_reverse_count=backward,
            meter_total=total_l,
            flow_rate=flow_lps,
            line_pressure=line_kpa + self._error.at(line_kpa) + drift_kpa,
            tyre_pressure=self._tyre.shown + self._tyre_noise.kpa,
            tote_level=self._tote,
            tote_mass=self._tote * self._kg_per_l,
            strainer_dp=self._strainer.shown,
            fluid_temp=self._temperature_c,
            estop_ok=not upsets.estop,
            liquid_in_vent=vent_liquid or upsets.vent_wet,
            tote_low=self._tote <= self._heel_l + _FLOAT_L,
            tote_full=self._tote >= self._brim_l,
        )
