"""Write the property tables of the aqueous fluids from CoolProp: ``python -m rig.fluid.make_tables``.

Run by a developer with the test extra installed; nothing imports it. For each strength the temperatures run from the
freeze point, or the lowest temperature of CoolProp's data, (place 0) to the top of the table (place 1), so that the
table ends exactly where the liquid does.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Salt:
    """A salt above the strengths that CoolProp has: coefficients of Laliberté's correlations for its solutions.

    Density by Laliberté and Cooper, J. Chem. Eng. Data 49 (2004) 1141, viscosity by Laliberté, ibid. 52 (2007) 321,
    both with the coefficients of Laliberté, ibid. 54 (2009) 1725. ``weak`` is CoolProp's strongest mix, from which they
    are continued; ``lowest_c`` is where their data end and the temperature dependence of that mix takes over.
    """

    fluid: str
    weak: float
    density: tuple[float, float, float, float, float]
    viscosity: tuple[float, float, float, float, float, float]
    lowest_c: float

    def density_kg_m3(self, strength: float, temp_c: float) -> float:
        """Density by the correlation."""
        c0, c1, c2, c3, c4 = self.density
        salt_kg_m3 = (c0 * strength + c1) * math.exp(1e-6 * (temp_c + c4) ** 2) / (strength + c2 + c3 * temp_c)
        return 1 / ((1 - strength) / _coolprop("D", "Water", 0.0, temp_c + KELVIN) + strength / salt_kg_m3)

    def mpas(self, strength: float, temp_c: float) -> float:
        """Viscosity by the correlation."""
        v1, v2, v3, v4, v5, v6 = self.viscosity
        salt = (v1 * strength**v2 + v3) / (v4 * temp_c + 1) - math.log(v5 * strength**v6 + 1)
        water = math.log(1000 * _coolprop("V", "Water", 0.0, temp_c + KELVIN))
        return math.exp((1 - strength) * water + strength * salt)


SALTS = {
    "MCA": Salt(
        "MCA", 0.30, (-9.72893747, 14.7005353, 4.19033341, 0.0397403624, 2708.12779),
        (32.01436994, 0.788104086, -1.141204539, 0.00270010693, 776516.746907, 5.838881307), 0.0,
    ),
    "MMG": Salt(
        "MMG", 0.20, (-0.02150014233, 0.04412020839, 1.532275868, -0.00980785061, -3478.36496884),
        (35.39962779, 2.73271429, 3.929738278, 0.02043208176, -1.119646154, 0.144942382), 15.0,
    ),
}  # fmt: skip


def density(fluid: str, strength: float, kelvin: float) -> float:
    """Density for the tables, kg/m3."""
    salt = SALTS.get(fluid)
    if salt is not None and strength > salt.weak:
        return _continued(salt, strength, kelvin, density, salt.density_kg_m3)
    return _brine_density(strength, kelvin) if fluid == "MCA" else _coolprop("D", fluid, strength, kelvin)


def viscosity(fluid: str, strength: float, kelvin: float) -> float:
    """Viscosity for the tables, mPa s."""
    salt = SALTS.get(fluid)
    if salt is not None and strength > salt.weak:
        return _continued(salt, strength, kelvin, viscosity, salt.mpas)
    return 1000 * _coolprop("V", fluid, strength, kelvin)


def _continued(
    salt: Salt,
    strength: float,
    kelvin: float,
    known: Callable[[str, float, float], float],
    beyond: Callable[[float, float], float],
) -> float:
    """A property above CoolProp's strengths: its value at the last one, times the ratio by the correlation.

    The ratio is taken at the temperature, and below the correlation's data at the coldest of them.
    """
    at_c = max(kelvin - KELVIN, salt.lowest_c)
    return known(salt.fluid, salt.weak, kelvin) * beyond(strength, at_c) / beyond(salt.weak, at_c)


def crystals_c(fluid: str, strength: float) -> float:
    """Temperature at which a strong brine begins to drop crystals of salt instead of ice.

    Calcium chloride: the line of the hexahydrate by M. Conde, Aqueous solutions of lithium and calcium chlorides:
    property formulations (2009). Magnesium chloride: the rounded top of the hydrate with 12 water at 30.6 % and
    -16.4 degC, and the eutectic at 21.6 % and -33.3 degC, both from memory of handbooks.
    """
    if fluid == "MCA":
        return 647.26 * (-0.378950 + 3.456900 * strength - 3.531310 * strength**2) - KELVIN
    return -16.4 - (33.3 - 16.4) * ((0.306 - strength) / (0.306 - 0.216)) ** 2


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


def _strong(fluid: str, strengths: list[float], span_c: tuple[float, float]) -> dict[str, Any]:
    """Brine above the eutectic: every strength over the whole span, as if it did not crystallise, and where it does."""
    rows = []
    for strength in strengths:
        row = _props(fluid, strength, *span_c, -273.15)
        rows.append(row | {"freeze_c": round(crystals_c(fluid, strength), 4)})
    return {"bottom_c": span_c[0], "top_c": span_c[1], "rows": rows}


def _glycol(fluid: str, about: str) -> dict[str, Any]:
    """A glycol by volume, from water on: weaker than CoolProp's data it lies between water and their first row."""
    table = _solution(fluid, "volume", _steps(10, 60, 2), (-35.0, 60.0), about)
    return table | {"rows": [_props("Water", 0.0, 0.0, 60.0, 0.0), *table["rows"]]}


def _steps(first: int, last: int, step: int) -> list[float]:
    return [k / 100 for k in range(first, last + 1, step)]


def tables() -> dict[str, Any]:
    """All tables: name -> basis of strength, top temperature, rows by strength."""
    water = {
        "basis": "mass", "bottom_c": 0.0, "top_c": 60.0, "about": "IAPWS-95, CoolProp Water",
        "rows": [_props("Water", 0.0, 0.0, 60.0, 0.0)],
    }  # fmt: skip
    wide_c = (-60.0, 40.0)
    calcium = _solution("MCA", "mass", _steps(0, 30, 1), wide_c, "CoolProp MCA, density scaled onto MCA2")
    magnesium = _solution("MMG", "mass", _steps(0, 20, 1), wide_c, "CoolProp MMG")
    return {
        "water": water,
        "cacl2": calcium | {"strong": _strong("MCA", _steps(30, 42, 1), (-47.9, 40.0))},
        "mgcl2": magnesium | {"strong": _strong("MMG", _steps(20, 30, 1), (-28.6, 40.0))},
        "methanol": _solution("MMA", "mass", _steps(0, 60, 2), (-80.0, 40.0), "CoolProp MMA"),
        "kac": _solution("MKA", "mass", _steps(0, 44, 2), wide_c, "CoolProp MKA"),
        "kfo": _solution("MKF", "mass", _steps(0, 48, 2), wide_c, "CoolProp MKF"),
        "glycerol": _solution("MGL", "mass", _steps(0, 60, 2), (-45.0, 40.0), "CoolProp MGL"),
        "pg": _glycol("APG", "CoolProp APG"),
        "eg": _glycol("AEG", "CoolProp AEG"),
    }


if __name__ == "__main__":
    TABLE.write_text(json.dumps(tables(), indent=None, separators=(",", ":")) + "\n", encoding="utf-8")
