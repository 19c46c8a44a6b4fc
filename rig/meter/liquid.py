"""A proving is for a liquid: what another viscosity adds to the uncertainty of the factor, by the kind of meter.

A displacement meter slips less in thick liquid, a turbine's blades turn slower in it, a magnetic or Coriolis meter is
not affected. It must not know provings, fills or records.
"""

from __future__ import annotations

import math
from typing import Literal

Mechanism = Literal["displacement", "turbine", "magnetic", "coriolis"]

BAND = 2.0
"""Up to this ratio from the viscosities that were proven the factor holds as it is. Common practice, no source."""
PERCENT_PER_DECADE: dict[Mechanism, float] = {"displacement": 0.8, "turbine": 4.0, "magnetic": 0.0, "coriolis": 0.0}
"""At 95 %. Between 1 and 500 mPa s the factor of displacement meters moves by some tenths to 2 %, that of turbines
by 5 to 10 %: makers' performance curves, common practice."""


def widening_percent(mechanism: Mechanism, proven_mpas: tuple[float, float], mpas: float) -> float:
    """What the liquid adds to the factor's uncertainty, per cent at 95 %: by decades of viscosity outside the band."""
    low, high = proven_mpas[0] / BAND, proven_mpas[1] * BAND
    outside = max(math.log10(low / mpas), math.log10(mpas / high), 0.0)
    return PERCENT_PER_DECADE[mechanism] * outside


def why_widened(mechanism: Mechanism, proven_with: str, proven_mpas: tuple[float, float], mpas: float) -> str:
    """Why the uncertainty of the factor is wider than at its proving; empty where it is not."""
    percent = widening_percent(mechanism, proven_mpas, mpas)
    if percent <= 0:
        return ""
    low, high = (f"{each:.2g}" for each in proven_mpas)
    span = low if low == high else f"{low} to {high}"
    return (
        f"proven with {proven_with} at {span} mPa s, this liquid has {mpas:.2g}: {percent:.1f} % more for a "
        f"{mechanism} meter; prove it with this liquid"
    )
