"""Vapour pressure over a liquid in a closed tyre: water, lowered by what is dissolved in it, and methanol's own.

Water and ice by Buck's formulas (1996); the activity of water is that at the freeze point, where liquid and ice have
the same vapour pressure, and is taken for every temperature. Methanol by Antoine (Lange's Handbook of Chemistry) with
one activity coefficient. All from memory.
"""

from __future__ import annotations

import math

from rig.fluid.fluids import Fluid

_STRONG_BRINE = 0.55
"""Activity of water in brine that drops salt before ice."""
_METHANOL_ACTIVITY = 1.45
_METHANOL_KG_KMOL, _WATER_KG_KMOL = 32.04, 18.015
_KPA_PER_MMHG = 0.133322


def water_kpa(temp_c: float) -> float:
    """Vapour pressure of pure water, also supercooled."""
    return 0.61121 * math.exp((18.678 - temp_c / 234.5) * (temp_c / (257.14 + temp_c)))


def _ice_kpa(temp_c: float) -> float:
    return 0.61115 * math.exp((23.036 - temp_c / 333.7) * (temp_c / (279.82 + temp_c)))


def vapour_kpa(fluid: Fluid, temp_c: float) -> float:
    """Pressure of the vapour over a liquid at rest."""
    ice_kpa = _ice_kpa(fluid.freeze_c)
    activity = _STRONG_BRINE if fluid.drops_salt else min(1.0, ice_kpa / water_kpa(fluid.freeze_c))
    water = activity * water_kpa(temp_c)
    if fluid.kind != "methanol" or fluid.strength is None:
        return water
    methanol, rest = fluid.strength / _METHANOL_KG_KMOL, (1 - fluid.strength) / _WATER_KG_KMOL
    pure = _KPA_PER_MMHG * 10 ** (8.08097 - 1582.271 / (239.726 + temp_c))
    return float(water + _METHANOL_ACTIVITY * methanol / (methanol + rest) * pure)
