"""Reads how a fluid is written and answers for it: density, viscosity, freeze point, correction to 60 F, cautions.

It must not know tyres, valves or rigs.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rig.fluid.errors import FluidError
from rig.fluid.tables import Properties, ShopTable, solution, strengths_of
from rig.units import QuantityError, parse
from rig.wheel.caution import COMMON_PRACTICE, Caution

BASE_C = 15.0 + 5.0 / 9.0  # 60 F, at which a corrected volume is stated
FLAKE_ASSAY = 0.77

Kind = Literal["water", "cacl2", "methanol", "pg", "eg", "beet", "shop"]


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid of one strength. ``freeze_c`` is where slush begins, ``solid_c`` where it is hard (None: not known)."""

    name: str
    kind: Kind
    strength: float | None
    freeze_c: float
    solid_c: float | None
    flammable: bool
    basis: str
    properties: Properties

    def density_kg_m3(self, temp_c: float) -> float:
        """Density at a temperature; :class:`FluidError` outside the table or below the freeze point."""
        return self.properties.density_kg_m3(temp_c)

    def viscosity_mpas(self, temp_c: float) -> float:
        """Viscosity at a temperature; :class:`FluidError` as for the density."""
        return self.properties.viscosity_mpas(temp_c)

    def ctl(self, temp_c: float) -> float:
        """Volume correction factor: volume at 60 F over volume at ``temp_c``, for the same liquid."""
        return self.density_kg_m3(temp_c) / self.density_kg_m3(BASE_C)

    def mass_kg(self, volume_l: float, temp_c: float) -> float:
        """Mass of a volume that was measured at a temperature."""
        return volume_l * self.density_kg_m3(temp_c) / 1000

    def volume_l(self, mass_kg: float, temp_c: float) -> float:
        """Volume of a mass at a temperature."""
        return 1000 * mass_kg / self.density_kg_m3(temp_c)

    def cautions(self, *, existing: Fluid | None = None, tubeless: bool | None = None) -> tuple[Caution, ...]:
        """What to beware of with this fluid, on top of what the tyre holds already."""
        found = [Caution("note", self.basis, COMMON_PRACTICE)] if self.kind == "beet" else []
        if self.kind == "cacl2" and tubeless:
            found.append(
                Caution("caution", "calcium in a tubeless tyre: keep the rim under liquid", COMMON_PRACTICE)
            )
        if self.flammable:
            found.append(
                Caution("danger", f"{self.name} can burn: no sparks, rated pump and relays", COMMON_PRACTICE)
            )
        if existing is not None and existing.kind != self.kind:
            found.append(
                Caution("caution", f"the tyre holds {existing.name}: take it out first", COMMON_PRACTICE)
            )
        return tuple(found)


# Solid (burst) points of brine by mass percent: a tractor operator's manual gives 2, 3.5 and 5 lb of flake per gallon.
_BRINE_SOLID = ((14.9, -30.0), (22.8, -47.0), (28.9, -52.0))


def _beet() -> ShopTable:
    """Beet fluid: 10.7 lb/gal at 60 F by common practice; expansion 4e-4 per K and the viscosities are assumptions."""
    temps = (-35, -20, -10, 0, 10, 20, 30, 40, 50)
    mpas = (5000, 1200, 480, 220, 110, 60, 36, 24, 17)
    rows = tuple(
        (float(t), 1282 * math.exp(-4e-4 * (t - BASE_C)), float(v)) for t, v in zip(temps, mpas, strict=True)
    )
    basis = "beet fluid: 10.7 lb/gal by common practice; viscosity and expansion assumed, put the supplier's figures in"
    return ShopTable("beet", rows, freeze_c=-35.0, basis=basis)


BEET = _beet()
_FORMS = "water, beet, cacl2:20%, cacl2:3.5lb/gal, methanol:33.6%, pg:50%vol, eg:50%vol"
_PERCENT = re.compile(r"\s*(\d{1,3}(?:[.,]\d{1,4})?)\s*%\s*(|vol|v|mass|m)\s*", re.IGNORECASE)
_ALIASES: dict[str, Kind] = {
    "water": "water", "cacl2": "cacl2", "calcium": "cacl2", "calcium chloride": "cacl2", "methanol": "methanol",
    "pg": "pg", "propylene glycol": "pg", "eg": "eg", "ethylene glycol": "eg",
}  # fmt: skip
_EXAMPLE: dict[str, str] = {
    "cacl2": "cacl2:20% or cacl2:3.5lb/gal", "methanol": "methanol:33.6%", "pg": "pg:50%vol", "eg": "eg:50%vol",
}  # fmt: skip


def read_fluid(text: str, assay: float = FLAKE_ASSAY, shop: Mapping[str, ShopTable] | None = None) -> Fluid:
    """The fluid that ``NAME[:STRENGTH]`` writes; ``assay`` is the flake's share of CaCl2, ``shop`` its own fluids.

    :class:`FluidError` for an unknown name, a missing or surplus strength, or one outside the tables.
    """
    name, colon, strength = (part.strip() for part in text.partition(":"))
    own = {key.casefold(): table for key, table in (shop or {}).items()}
    table = own.get(name.casefold(), BEET if name.casefold() == "beet" else None)
    if table is not None:
        _no_strength(text, name, colon)
        kind: Kind = "shop" if name.casefold() in own else "beet"
        return Fluid(
            table.name, kind, None, table.freeze_c, table.solid_c, table.flammable, table.basis, table
        )
    known = _ALIASES.get(" ".join(name.casefold().split()))
    if known is None:
        extra = f" or one of the shop's own: {', '.join(own)}" if own else ""
        raise FluidError(f"{text!r} is no fluid that can be read: write {_FORMS}{extra}")
    if known == "water":
        _no_strength(text, name, colon)
        return _fluid("water", 0.0, "water")
    return _fluid(known, _strength(text, known, strength, assay), f"{known}:{strength}")


def _no_strength(text: str, name: str, colon: str) -> None:
    if colon:
        raise FluidError(f"{text!r}: {name} has no strength; write {name}")


def _strength(text: str, kind: Kind, strength: str, assay: float) -> float:
    """Strength as a fraction by mass (brine, methanol) or by volume (glycols)."""
    match = _PERCENT.fullmatch(strength)
    if match is None:
        if kind == "cacl2" and strength:
            return _of_flake(text, strength, assay)
        raise FluidError(f"{text!r} needs a strength: write {_EXAMPLE[kind]}")
    by_volume = match[2].casefold() in {"vol", "v"}
    if by_volume != (kind in {"pg", "eg"}):
        raise FluidError(
            f"{text!r}: {kind} is given by {'volume' if not by_volume else 'mass'}: write {_EXAMPLE[kind]}"
        )
    return float(match[1].replace(",", ".")) / 100


def _of_flake(text: str, strength: str, assay: float) -> float:
    """Mass fraction of CaCl2 from flake per volume of water."""
    if not 0.5 <= assay <= 1:
        raise FluidError(f"a flake assay of {assay:g} cannot be: give the share of CaCl2, such as 0.77")
    try:
        flake = parse(strength, "mass_per_volume")
    except QuantityError as error:
        raise FluidError(f"{text!r}: {error}; or mass percent, such as cacl2:20%") from error
    water = solution("water", 0.0, "water").density_kg_m3(20) / 1000
    return assay * flake / (flake + water)


def _fluid(kind: Kind, strength: float, name: str) -> Fluid:
    low, high = strengths_of(kind)
    if not low <= strength <= high + 1e-9:
        why = ": above the eutectic the freeze point rises again" if kind == "cacl2" else ""
        raise FluidError(
            f"{name} is {100 * strength:.1f} %; the tables hold {100 * low:.0f} to {100 * high:.0f} %{why}: "
            f"choose a strength inside them"
        )
    mix = solution(kind, strength, name)
    solid = {"water": 0.0, "cacl2": _brine_solid(100 * strength)}.get(kind)
    flammable = kind == "methanol" and strength >= 0.2
    return Fluid(name, kind, strength, mix.freeze_c, solid, flammable, "packaged table from CoolProp", mix)


def _brine_solid(percent: float) -> float | None:
    xs = [row[0] for row in _BRINE_SOLID]
    if not xs[0] <= percent <= xs[-1]:
        return None
    k = min(bisect_right(xs, percent), len(xs) - 1)
    (x0, y0), (x1, y1) = _BRINE_SOLID[k - 1], _BRINE_SOLID[k]
    return y0 + (percent - x0) / (x1 - x0) * (y1 - y0)
