"""Write the property tables of the aqueous fluids from CoolProp: ``python -m rig.fluid.make_tables``.

Run by a developer with the test extra installed; nothing imports it. For each strength the temperatures run from the
freeze point, or the lowest temperature of CoolProp's data, (place 0) to the top of the table (place 1), so that the
table ends exactly where the liquid does.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from CoolProp.CoolProp import PropsSI

KELVIN = 273.15
AIR_PA = 101325.0
PLACES = [k / 16 for k in range(17)]
TABLE = Path(__file__).with_name("tables.json")


def _coolprop(what: str, fluid: str, strength: float, kelvin: float) -> float:
    if fluid == "Water":
        # CoolProp's IAPWS-95 starts at the triple point, a hundredth of a degree above the freeze point.
        return float(PropsSI(what, "T", max(kelvin, 273.16), "P", AIR_PA, fluid))
    return float(PropsSI(what, "T", kelvin, "P", AIR_PA, f"INCOMP::{fluid}[{strength}]"))


def _brine_density(strength: float, kelvin: float) -> float:
    """Density of calcium chloride brine over the whole range, kg/m3.

    CoolProp has two fits: MCA covers every strength to 40 C and differs from the handbooks by up to 0.45 %, MCA2 is
    within 0.15 % but starts at 9 % and ends at 30 C. So MCA is scaled to MCA2, the scale held beyond MCA2's ends; below
    9 % the salt is assumed to keep its specific volume of the 9 % brine.
    """
    weak, strong, hot = 0.09, 0.294, 302.9
    if strength >= weak:
        inside = min(strength, strong)
        freeze = max(_coolprop("T_freeze", fit, inside, 300.0) for fit in ("MCA", "MCA2"))
        cold = max(freeze + 0.01, 229.2)
        at = min(max(kelvin, cold), hot)
        scale = _coolprop("D", "MCA2", inside, at) / _coolprop("D", "MCA", inside, at)
        return scale * _coolprop("D", "MCA", strength, kelvin)
    liquid = max(kelvin, KELVIN + 0.01)
    water = _coolprop("D", "Water", 0.0, liquid)
    salt = (1 / _brine_density(weak, liquid) - (1 - weak) / water) / weak
    # Below 0 C there is no liquid water to compare with, and the brine follows the slope of MCA.
    slope = _coolprop("D", "MCA", strength, kelvin) / _coolprop("D", "MCA", strength, liquid)
    return slope / ((1 - strength) / water + strength * salt)


def density(fluid: str, strength: float, kelvin: float) -> float:
    """Density for the tables, kg/m3."""
    return _brine_density(strength, kelvin) if fluid == "MCA" else _coolprop("D", fluid, strength, kelvin)


def viscosity(fluid: str, strength: float, kelvin: float) -> float:
    """Viscosity for the tables, mPa s."""
    return 1000 * _coolprop("V", fluid, strength, kelvin)


def _props(fluid: str, strength: float, bottom_c: float, top_c: float, freeze_c: float) -> dict[str, Any]:
    """Freeze point, densities and log viscosities of one strength, from its lowest temperature to the top."""
    low_c = max(bottom_c, freeze_c)
    temps = [low_c + 0.001 + place * (top_c - low_c - 0.002) + KELVIN for place in PLACES]
    return {
        "strength": strength,
        "freeze_c": round(freeze_c, 4),
        "low_c": round(low_c, 4),
        "density_kg_m3": [round(density(fluid, strength, t), 4) for t in temps],
        "ln_mpas": [round(math.log(viscosity(fluid, strength, t)), 6) for t in temps],
    }


def _solution(
    fluid: str, basis: str, strengths: list[float], span_c: tuple[float, float], about: str
) -> dict[str, Any]:
    rows = []
    for strength in strengths:
        freeze = _coolprop("T_freeze", fluid, strength, 300.0) - KELVIN
        rows.append(_props(fluid, strength, *span_c, freeze))
    return {"basis": basis, "bottom_c": span_c[0], "top_c": span_c[1], "about": about, "rows": rows}


def _steps(first: int, last: int, step: int) -> list[float]:
    return [k / 100 for k in range(first, last + 1, step)]


def tables() -> dict[str, Any]:
    """All tables: name -> basis of strength, top temperature, rows by strength."""
    water = {
        "basis": "mass", "bottom_c": 0.0, "top_c": 60.0, "about": "IAPWS-95, CoolProp Water",
        "rows": [_props("Water", 0.0, 0.0, 60.0, 0.0)],
    }  # fmt: skip
    return {
        "water": water,
        "cacl2": _solution("MCA", "mass", _steps(0, 30, 1), (-60.0, 40.0), "CoolProp MCA, density scaled onto MCA2"),
        "methanol": _solution("MMA", "mass", _steps(0, 60, 2), (-80.0, 40.0), "CoolProp MMA"),
        "pg": _solution("APG", "volume", _steps(10, 60, 2), (-35.0, 60.0), "CoolProp APG"),
        "eg": _solution("AEG", "volume", _steps(10, 60, 2), (-35.0, 60.0), "CoolProp AEG"),
    }


if __name__ == "__main__":
    TABLE.write_text(json.dumps(tables(), indent=None, separators=(",", ":")) + "\n", encoding="utf-8")
