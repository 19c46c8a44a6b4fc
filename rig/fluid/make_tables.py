"""Writes the property tables of the aqueous fluids from CoolProp: ``python -m rig.fluid.make_tables``.

Run by a developer with the test extra installed; nothing imports it. For each strength the temperatures run from the
freeze point, or the lowest temperature that CoolProp's data have, (place 0) to the top of the table (place 1), so that
the table ends exactly where the liquid does.
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


def _props(fluid: str, strength: float, bottom_c: float, top_c: float, freeze_c: float) -> dict[str, Any]:
    """Freeze point, densities and log viscosities of one strength, from its lowest temperature to the top."""
    low_c = max(bottom_c, freeze_c)
    name = fluid if fluid == "Water" else f"INCOMP::{fluid}[{strength}]"
    temps = [low_c + 0.002 + place * (top_c - low_c - 0.004) + KELVIN for place in PLACES]
    return {
        "strength": strength,
        "freeze_c": round(freeze_c, 4),
        "density_kg_m3": [round(PropsSI("D", "T", t, "P", AIR_PA, name), 4) for t in temps],
        "ln_mpas": [round(math.log(1000 * PropsSI("V", "T", t, "P", AIR_PA, name)), 6) for t in temps],
    }


def _solution(
    fluid: str, basis: str, strengths: list[float], span_c: tuple[float, float], about: str
) -> dict[str, Any]:
    rows = []
    for strength in strengths:
        freeze = PropsSI("T_freeze", "T", 300.0, "P", AIR_PA, f"INCOMP::{fluid}[{strength}]") - KELVIN
        rows.append(_props(fluid, strength, *span_c, freeze))
    return {"basis": basis, "bottom_c": span_c[0], "top_c": span_c[1], "about": about, "rows": rows}


def _steps(first: int, last: int, step: int) -> list[float]:
    return [k / 100 for k in range(first, last + 1, step)]


def tables() -> dict[str, Any]:
    """All tables: name -> basis of strength, top temperature, rows by strength."""
    water = {
        "basis": "mass", "bottom_c": 0.0, "top_c": 60.0, "about": "IAPWS-95, CoolProp Water",
        "rows": [_props("Water", 0.0, 0.0, 60.0, 0.01)],
    }  # fmt: skip
    return {
        "water": water,
        "cacl2": _solution("MCA", "mass", _steps(0, 30, 1), (-60.0, 40.0), "Melinder, CoolProp MCA"),
        "methanol": _solution("MMA", "mass", _steps(0, 60, 2), (-80.0, 40.0), "Melinder, CoolProp MMA"),
        "pg": _solution("APG", "volume", _steps(10, 60, 2), (-35.0, 60.0), "ASHRAE, CoolProp APG"),
        "eg": _solution("AEG", "volume", _steps(10, 60, 2), (-35.0, 60.0), "ASHRAE, CoolProp AEG"),
    }


if __name__ == "__main__":
    TABLE.write_text(json.dumps(tables(), indent=None, separators=(",", ":")) + "\n", encoding="utf-8")
