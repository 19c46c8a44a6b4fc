"""Vapour over the liquids of a rig, and the air that dissolves in them: what the simulated gas needs of a fluid."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.fluid.fluids import Fluid

_FUSION_K = 722.6
"""Heat of fusion of water over the gas constant: 6.008 kJ/mol (handbook)."""
_MELTS_K = 273.15
_METHANOL_ACTIVITY = 1.5
"""Activity coefficient of methanol in water at a third by mass. From memory, rounded."""
_WATER_G_MOL, _METHANOL_G_MOL = 18.015, 32.042
_AIR_IN_WATER = 0.020
"""Litres of air in a litre of water at 20 °C (Bunsen 0.0187; handbook of physical chemistry)."""
_OF_WATER = {"cacl2": 0.2, "methanol": 1.65}
"""Solubility of air relative to water: salted out of brine, more in alcohol. Assumed, no source."""


def vapour_kpa(fluid: Fluid, temp_c: float) -> float:
    """Pressure of the saturated vapour over a fluid.

    Pure water by Buck (1981, revised 1996); the water's activity by the freeze point, as that of an ideal depression;
    methanol's own share by the Antoine equation (NIST) and a constant activity coefficient.
    """
    water = 0.61121 * math.exp((18.678 - temp_c / 234.5) * temp_c / (257.14 + temp_c))
    activity = math.exp(_FUSION_K * (1.0 / _MELTS_K - 1.0 / (min(fluid.freeze_c, 0.0) + 273.15)))
    if fluid.kind != "methanol" or not fluid.strength:
        return activity * water
    moles = fluid.strength / _METHANOL_G_MOL
    share = moles / (moles + (1.0 - fluid.strength) / _WATER_G_MOL)
    own = 100.0 * 10.0 ** (5.20409 - 1581.341 / (temp_c + 273.15 - 33.50))
    return float(activity * water + _METHANOL_ACTIVITY * share * own)


def air_solubility(fluid: Fluid) -> float:
    """Litres of air, at its own pressure, that saturate a litre of the fluid."""
    return _AIR_IN_WATER * _OF_WATER.get(fluid.kind, 1.0)
