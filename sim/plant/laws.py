"""Flow laws as plain functions: orifice, hose, gas through a bore, and a root finder. They know no rig and no state.

Volumes in litres, flows in litres per second, pressures in kilopascals absolute unless a name says otherwise. An
amount of gas is pressure times volume (kPa·L, isothermal), which remains constant.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

GAS_CONSTANT = 287.05
"""Specific gas constant of dry air, J/(kg K)."""
GAMMA = 1.4
GRAVITY = 9.80665
KPA_PER_PSI = 6.894757293168361
# Pressure ratio below which the flow in the throat is sonic; compressible-flow textbook (Shapiro 1953).
CRITICAL_RATIO: float = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
_CHOKED: float = math.sqrt(GAMMA) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
_SUBSONIC = 2.0 * GAMMA / (GAMMA - 1.0)


def area_m2(bore_m: float) -> float:
    """Cross-section of a round bore."""
    return 0.25 * math.pi * bore_m * bore_m


def series(first_m2: float, second_m2: float) -> float:
    """Effective area of two orifices in series (incompressible: the pressure drops add)."""
    if first_m2 <= 0.0 or second_m2 <= 0.0:
        return 0.0
    return 1.0 / math.sqrt(1.0 / first_m2**2 + 1.0 / second_m2**2)


def orifice_factor(effective_m2: float) -> float:
    """``k`` of ``Δp = k·density·Q²`` with Δp in kPa, density in kg/m³, Q in L/s (ISO 5167 family).

    ``effective_m2`` is discharge coefficient times area.
    """
    return 0.5e-9 / (effective_m2 * effective_m2)


def orifice_flow_lps(effective_m2: float, drop_kpa: float, density_kg_m3: float) -> float:
    """Flow of liquid through an orifice for a nonnegative pressure drop."""
    return 1000.0 * effective_m2 * math.sqrt(2000.0 * drop_kpa / density_kg_m3)


def gas_flow(effective_m2: float, up_kpa_abs: float, down_kpa_abs: float, kelvin: float) -> float:
    """Flow of gas through a short bore from ``up`` to ``down``, choked or not, in kPa·L/s at the gas temperature."""
    if up_kpa_abs <= down_kpa_abs:
        return 0.0
    ratio = down_kpa_abs / up_kpa_abs
    shape = _CHOKED
    if ratio > CRITICAL_RATIO:
        root: float = ratio ** (1.0 / GAMMA)
        shape = math.sqrt(_SUBSONIC * (root * root - root * ratio))
    return 1000.0 * effective_m2 * up_kpa_abs * math.sqrt(GAS_CONSTANT * kelvin) * shape


def gas_density_kg_m3(kpa_abs: float, kelvin: float) -> float:
    """Density of dry air."""
    return 1000.0 * kpa_abs / (GAS_CONSTANT * kelvin)


class HoseLoss:
    """Pressure loss in a smooth hose, by Churchill's friction factor (1977) for all regimes."""

    __slots__ = ("_factor", "_reynolds")

    def __init__(self, length_m: float, bore_m: float, density_kg_m3: float, viscosity_mpas: float) -> None:
        area = area_m2(bore_m)
        # Re = _reynolds·Q and Δp = f·_factor·Q², with Q in L/s and Δp in kPa.
        self._reynolds = density_kg_m3 * bore_m / (area * viscosity_mpas)
        self._factor = 0.5e-9 * length_m / bore_m * density_kg_m3 / area**2

    def drop_kpa(self, flow_lps: float) -> float:
        """Loss of a hose full of liquid, with the sign of the flow."""
        reynolds = self._reynolds * abs(flow_lps)
        if reynolds < 1e-3:
            return 64.0 * self._factor * flow_lps / self._reynolds
        friction = 64.0 / reynolds if reynolds < 1000.0 else _churchill(reynolds)
        return friction * self._factor * flow_lps * abs(flow_lps)


class LineLoss(HoseLoss):
    """The hose with fittings whose loss goes with the square of the flow, and others whose loss goes with the flow."""

    __slots__ = ("_linear", "_square")

    def __init__(
        self, length_m: float, bore_m: float, density_kg_m3: float, viscosity_mpas: float, square: float, linear: float
    ) -> None:
        """``square`` in kPa/(L/s)², ``linear`` in kPa/(L/s)."""
        super().__init__(length_m, bore_m, density_kg_m3, viscosity_mpas)
        self._square, self._linear = square, linear

    def drop_kpa(self, flow_lps: float) -> float:
        """Loss of hose and fittings full of liquid, with the sign of the flow."""
        return super().drop_kpa(flow_lps) + (self._square * abs(flow_lps) + self._linear) * flow_lps


class ShortBore:
    """Loss of a short bore whose discharge coefficient depends on Reynolds number and length.

    Lichtarowicz, Duggins and Markland, J. Mech. Eng. Sci. 7 (1965) 210, for lengths of 2 to 10 bores: with the Reynolds
    number Re of the ideal velocity, 1/Cd = 1/Cdu + 20/Re·(1 + 2.25 l/d) - 0.005 l/d / (1 + 7.5 (log10 0.00015 Re)²).
    Coefficients as repeated in public programs that cite the paper (CalculiX among them); the paper was not seen.
    """

    __slots__ = ("_curl", "_high", "_plain", "_reynolds", "_viscous")

    def __init__(
        self, bore_m: float, length_m: float, ultimate: float, density_kg_m3: float, viscosity_mpas: float
    ) -> None:
        """``ultimate`` is the coefficient at a high Reynolds number, by the paper 0.827 - 0.0085 l/d."""
        area, slim = area_m2(bore_m), length_m / bore_m
        self._plain = orifice_factor(area) * density_kg_m3
        self._reynolds = density_kg_m3 * bore_m / (area * viscosity_mpas)
        self._high, self._viscous, self._curl = 1.0 / ultimate, 20.0 * (1.0 + 2.25 * slim), 0.005 * slim

    def drop_kpa(self, flow_lps: float) -> float:
        """Loss of liquid, with the sign of the flow."""
        reynolds = self._reynolds * abs(flow_lps)
        if reynolds < 1e-6:
            # What is left for very small ones: 1/Cd = √(viscous/Re).
            return self._plain * self._viscous / self._reynolds * flow_lps
        inverse = self.inverse(reynolds)
        return self._plain * inverse * inverse * flow_lps * abs(flow_lps)

    def inverse(self, reynolds: float) -> float:
        """1/Cd at the Reynolds number of the true velocity, which is Cd times that of the ideal one."""
        viscous, inverse = self._viscous / reynolds, self._high
        for _ in range(3):
            ideal = max(reynolds * inverse, 1e-3)
            high = self._high - self._curl / (1.0 + 7.5 * math.log10(0.00015 * ideal) ** 2)
            inverse = 0.5 * (high + math.sqrt(high * high + 4.0 * viscous))
        return inverse


def _churchill(reynolds: float) -> float:
    """Darcy friction factor of a smooth pipe; Churchill, Chemical Engineering 84 (1977), 91."""
    rough = (2.457 * math.log((reynolds / 7.0) ** 0.9)) ** 16
    transition = (37530.0 / reynolds) ** 16
    return float(8.0 * ((8.0 / reynolds) ** 12 + (rough + transition) ** -1.5) ** (1.0 / 12.0))


def rising_root(
    function: Callable[[float], float], guess: float, slope: float, low: float, high: float, tolerance: float
) -> tuple[float, float]:
    """Root of a rising function between ``low`` and ``high``, and the last slope (for the next warm start).

    Secant steps within a shrinking bracket; bisection where a step leaves it or the bracket shrinks too slowly. The
    root is the last ``x`` at which the function was evaluated.
    """
    x = min(max(guess, low), high)
    y = function(x)
    if abs(y) <= tolerance:
        return x, slope
    width = high - low
    for turn in range(100):
        if y > 0.0:
            high = x
        else:
            low = x
        step = x - y / slope if slope > 0.0 else low
        if not low < step < high or (turn % 4 == 3 and high - low > 0.25 * width):
            step = 0.5 * (low + high)
        if turn % 4 == 3:
            width = high - low
        last_x, last_y = x, y
        x, y = step, function(step)
        if x != last_x:
            slope = (y - last_y) / (x - last_x)
        if abs(y) <= tolerance or high - low < 1e-13:
            break
    return x, max(slope, 1e-12)
