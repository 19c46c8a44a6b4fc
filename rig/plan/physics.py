"""The physical laws of a fill between the pump's gauge and the tyre's air space.

Pressures ending in ``_abs`` are absolute, others are gauge; mixing them is the classic mistake. Laws: Boyle for the
sealed air space (a slow fill is isothermal), orifice flow for the valve bore, Churchill 1977 for the hose, isentropic
nozzle flow (choked or not) for air through a bore.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

GRAVITY = 9.80665
NO_LIMIT_S = 1e9
"""Dry-run time of a pump without a limit; finite, so that it can be written to a journal."""
GAMMA = 1.4
"""Ratio of specific heats of air (any textbook)."""
_GAS_CONSTANT = 287.05
_AIR_KELVIN = 288.15
AIR_J_KG = _GAS_CONSTANT * _AIR_KELVIN
"""R·T of the air in a tyre: kPa·L/s of gas for each kilogram per second through a bore."""
_AIR_DISCHARGE = 0.8
_SLIM = 8.0
"""Length of a valve's bore over its diameter: 4.5 for an air-water valve to 9.5 for a stem: common practice."""
_CRITICAL_RATIO = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))


@dataclass(frozen=True, slots=True)
class Line:
    """The line between pump and air space, with its liquid."""

    pump_lps: float
    slip_lps_per_kpa: float
    relief_kpa: float
    hose_length_m: float
    hose_bore_m: float
    hose_l: float
    suction_l: float
    bore_m: float
    """Free bore of the tyre valve with its core or insert out."""
    discharge: float
    """Discharge coefficient of that bore, 0.6 to 0.8 for a short tube (ISO 5167 family)."""
    rise_m: float
    """Height of the valve above the gauge."""
    density_kg_m3: float
    viscosity_mpas: float
    atmosphere_kpa_abs: float
    vent_bore_m: float = 0.008
    start_lag_s: float = 0.2
    coast_s: float = 1.0
    dry_run_s: float = NO_LIMIT_S
    """Longest dry run of the pump; ``dry_rest_s`` is the rest after it."""
    dry_rest_s: float = 60.0
    reverse_lps: float | None = None
    """Reverse flow of the pump; None: as forward."""
    vapour_kpa: float = 0.0
    """Pressure of the liquid's saturated vapour."""

    @property
    def back_lps(self) -> float:
        """Reverse flow of the pump."""
        return self.pump_lps if self.reverse_lps is None else self.reverse_lps

    @property
    def most_lps(self) -> float:
        """The larger of forward and reverse flow."""
        return max(self.pump_lps, self.back_lps)

    @property
    def carries_air_off_s(self) -> float:
        """How long a worn pump may take to move the suction line's air: half as much again as by its rated flow.

        An assumption.
        """
        return 1.5 * self.suction_l / self.pump_lps

    def moves_lps(self, way: int) -> float:
        """Flow of the pump in a direction: 1 forward, -1 back; the larger of both for 0, direction unknown."""
        return self.most_lps if way == 0 else self.pump_lps if way > 0 else self.back_lps


def head_kpa(line: Line, covered_m: float = 0.0) -> float:
    """Static head from the gauge up to the liquid's surface, ``covered_m`` of it above the valve."""
    return column_kpa(line, line.rise_m + covered_m)


def column_kpa(line: Line, height_m: float) -> float:
    """Pressure of a column of the liquid."""
    return line.density_kg_m3 * GRAVITY * height_m / 1000


def bore_loss_kpa(line: Line, flow_lps: float) -> float:
    """Pressure lost in the valve bore at ``flow_lps``: a short tube, whose coefficient falls with the Reynolds number.

    Lichtarowicz, Duggins and Markland, J. Mech. Eng. Sci. 7 (1965) 210: 1/C = 1/Cu + 20/Re·(1 + 2.25·l/d), where Re has
    the velocity of the ideal jet, without their small last term; with the line's own coefficient for Cu.
    """
    velocity = abs(flow_lps) / 1000 / (math.pi / 4 * line.bore_m**2)
    if velocity == 0:
        return 0.0
    reynolds = line.density_kg_m3 * velocity * line.bore_m / (line.viscosity_mpas / 1000)
    # With Re of the mean velocity this is a quadratic in 1/C.
    at_once, viscous = 1 / line.discharge, 20 * (1 + 2.25 * _SLIM) / reynolds
    resists = (at_once + math.sqrt(at_once * at_once + 4 * viscous)) / 2
    return math.copysign(line.density_kg_m3 * (resists * velocity) ** 2 / 2000, flow_lps)


def _orifice_kpa(line: Line, flow_lps: float, density_kg_m3: float) -> float:
    velocity = flow_lps / 1000 / (line.discharge * math.pi / 4 * line.bore_m**2)
    return density_kg_m3 * velocity * velocity / 2000


def air_loss_kpa(line: Line, flow_lps: float, tyre_kpa: float) -> float:
    """Pressure lost in the bore by air from a tyre at ``tyre_kpa``, which is never viscous there."""
    return _orifice_kpa(line, flow_lps, 1000 * max(tyre_kpa + line.atmosphere_kpa_abs, 0.0) / AIR_J_KG)


def hose_loss_kpa(line: Line, flow_lps: float) -> float:
    """Pressure lost in the hose at ``flow_lps``: Darcy's law with Churchill's friction factor for every regime."""
    if flow_lps == 0:
        return 0.0
    velocity = flow_lps / 1000 / (math.pi / 4 * line.hose_bore_m**2)
    reynolds = line.density_kg_m3 * abs(velocity) * line.hose_bore_m / (line.viscosity_mpas / 1000)
    friction = churchill(max(reynolds, 1e-3))
    return friction * line.hose_length_m / line.hose_bore_m * line.density_kg_m3 * velocity * abs(velocity) / 2000


def churchill(reynolds: float) -> float:
    """Darcy friction factor of a smooth pipe, laminar to turbulent (S. W. Churchill, Chemical Engineering, 1977)."""
    a = (2.457 * math.log(1 / ((7 / reynolds) ** 0.9))) ** 16
    b = (37530 / reynolds) ** 16
    return float(8 * ((8 / reynolds) ** 12 + (a + b) ** -1.5) ** (1 / 12))


def line_loss_kpa(line: Line, flow_lps: float) -> float:
    """Pressure lost between gauge and tyre at ``flow_lps``, without the head."""
    return bore_loss_kpa(line, flow_lps) + hose_loss_kpa(line, flow_lps)


@lru_cache(maxsize=4096)
def _flow_at(line: Line, back_kpa: float) -> float:
    high = max(line.pump_lps, 1e-6)
    low = 0.0
    for _ in range(24):
        flow = (low + high) / 2
        gauge = back_kpa + line_loss_kpa(line, flow)
        delivered = line.pump_lps - line.slip_lps_per_kpa * max(gauge, 0.0)
        if gauge > line.relief_kpa or flow > delivered:
            high = flow
        else:
            low = flow
    return low


def flow_lps(line: Line, tyre_kpa: float) -> float:
    """Flow into a tyre at ``tyre_kpa``: the pump's delivery against the line, limited by the relief valve."""
    # Rounded to a tenth of a kilopascal, so that a plan of hundreds of steps solves each point once.
    return _flow_at(line, round(tyre_kpa + head_kpa(line), 1))


def gas_flow_kg_s(bore_m: float, inside_kpa_abs: float, outside_kpa_abs: float) -> float:
    """Mass flow of air through ``bore_m``, choked or not; 0 when the inside is not above the outside."""
    if inside_kpa_abs <= outside_kpa_abs:
        return 0.0
    ratio = max(outside_kpa_abs / inside_kpa_abs, _CRITICAL_RATIO)
    term = 2 * GAMMA / (_GAS_CONSTANT * _AIR_KELVIN * (GAMMA - 1))
    speed = math.sqrt(term * (ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA)))
    return _AIR_DISCHARGE * math.pi / 4 * bore_m**2 * inside_kpa_abs * 1000 * speed


def series_bore_m(*bores_m: float) -> float:
    """The single bore equivalent to several in series."""
    return float(sum(bore**-4 for bore in bores_m) ** -0.25)


def vent_seconds(line: Line, air_l: float, from_kpa: float, to_kpa: float) -> float:
    """Time to bleed ``air_l`` of air space from one gauge pressure to another through valve bore and vent valve."""
    bore = series_bore_m(line.bore_m, line.vent_bore_m)
    atmosphere = line.atmosphere_kpa_abs
    steps = 24
    total, drop = 0.0, (from_kpa - to_kpa) / steps
    if drop <= 0:
        return 0.0
    for step in range(steps):
        middle = from_kpa + atmosphere - drop * (step + 0.5)
        rate = gas_flow_kg_s(bore, middle, atmosphere) * _GAS_CONSTANT * _AIR_KELVIN / air_l
        if rate <= 0:
            return math.inf
        total += drop / rate
    return total


def sealed_kpa(line: Line, rest_kpa: float, air_before_l: float, air_after_l: float) -> float:
    """Gauge pressure of a sealed air space after it shrank from one volume to another (Boyle)."""
    atmosphere = line.atmosphere_kpa_abs
    return (rest_kpa + atmosphere) * air_before_l / air_after_l - atmosphere
