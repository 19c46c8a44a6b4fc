"""A proving is for a liquid: what another viscosity adds to the uncertainty of the factor, by the kind of meter.

A displacement meter slips less in thick liquid, a turbine's blades turn slower in it, a magnetic or Coriolis meter is
not affected. It must not know provings, fills or records.
"""

from __future__ import annotations

import math
from typing import Literal

Mechanism = Literal["displacement", "turbine", "magnetic", "coriolis"]

_NEAR = 2.0
"""Ratio to the viscosities that were proven beyond which a proving with this liquid is advised. Common practice, no
source."""
_DECADES = math.log10(500.0)
PERCENT_PER_DECADE: dict[Mechanism, float] = {
    "displacement": 2.0 / _DECADES, "turbine": 10.0 / _DECADES, "magnetic": 0.0, "coriolis": 0.0,
}  # fmt: skip
"""At 95 %. Between 1 and 500 mPa s the factor of displacement meters moves by some tenths to 2 %, that of turbines
by 5 to 10 %: makers' performance curves, common practice."""


def widening_percent(mechanism: Mechanism, proven_mpas: tuple[float, float], mpas: float) -> float:
    """What the liquid adds to the factor's uncertainty, per cent at 95 %, by decades outside the proven viscosities."""
    return PERCENT_PER_DECADE[mechanism] * _decades_outside(proven_mpas, mpas)


def _decades_outside(proven_mpas: tuple[float, float], mpas: float) -> float:
    low, high = proven_mpas
    return max(math.log10(low / mpas), math.log10(mpas / high), 0.0)


def why_widened(mechanism: Mechanism, proven_with: str, proven_mpas: tuple[float, float], mpas: float) -> str:
    """Why the uncertainty of the factor is wider than at its proving; empty where it is hardly wider."""
    percent = widening_percent(mechanism, proven_mpas, mpas)
    if percent <= 0 or _decades_outside(proven_mpas, mpas) <= math.log10(_NEAR):
        return ""
    low, high = (f"{each:.2g}" for each in proven_mpas)
    span = low if low == high else f"{low} to {high}"
    return (
        f"proven with {proven_with} at {span} mPa s, this liquid has {mpas:.2g}: {percent:.1f} % more for a "
        f"{mechanism} meter; prove it with this liquid"
    )
