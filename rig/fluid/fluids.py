"""A fluid of one strength: density, viscosity, freeze point, correction to 60 F, mass.

It must not know the notation of fluids, nor tyres, valves or rigs.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

from rig.fluid.errors import FluidError
from rig.fluid.tables import Properties, ShopTable, solution, strengths_of
from rig.sentence import Sentence, Wording

BASE_C = 15.0 + 5.0 / 9.0
"""60 F, the base temperature of corrected volumes."""

Kind = Literal["water", "cacl2", "mgcl2", "methanol", "kac", "kfo", "glycerol", "pg", "eg", "beet", "shop"]
BY_VOLUME: frozenset[Kind] = frozenset({"pg", "eg"})
"""Kinds whose strength is by volume; that of the others is by mass."""
SOLUTE_KG_M3: dict[Kind, float] = {"methanol": 791.4, "pg": 1036.1, "eg": 1113.5, "glycerol": 1261.3}
"""Density of the pure liquids at 20 degC: CRC Handbook of Chemistry and Physics, from memory."""
_WATER_KG_M3 = 998.2


def mass_share(kind: Kind, by_volume: float) -> float:
    """The share by mass of a liquid whose share by volume, before mixing, is given."""
    solute = by_volume * SOLUTE_KG_M3[kind]
    return solute / (solute + (1 - by_volume) * _WATER_KG_M3)


def volume_share(kind: Kind, by_mass: float) -> float:
    """The share by volume, before mixing, of a liquid whose share by mass is given."""
    solute = by_mass / SOLUTE_KG_M3[kind]
    return solute / (solute + (1 - by_mass) / _WATER_KG_M3)


@dataclass(frozen=True, slots=True)
class Recipe:
    """Calcium chloride flake per litre of water at 20 degC, and its share of CaCl2: stated, or ``assumed``."""

    flake_kg_per_l: float
    assay: float
    assumed: bool = False

    @property
    def share(self) -> float:
        """Mass fraction of CaCl2 in the brine."""
        return self.assay * self.flake_kg_per_l / (self.flake_kg_per_l + _WATER_KG_M3 / 1000)


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid of one strength.

    ``strength`` is a fraction by volume for the kinds of :data:`BY_VOLUME`, else by mass; None where there is none.
    ``freeze_c`` is where the first ice, or above the eutectic the first salt, crystallises; ``solid_c`` where it is
    solid (None: not known). ``basis`` is the source of the figures.
    """

    name: str
    kind: Kind
    strength: float | None
    freeze_c: float
    solid_c: float | None
    flammable: bool
    basis: str
    properties: Properties
    drops_salt: bool = False
    """Above the eutectic: what crystallises first is salt."""
    recipe: Recipe | None = None
    """The flake that it was mixed of, where its strength was stated so."""

    @property
    def solute_share(self) -> float:
        """Share of the dissolved matter by mass; 0 for what has no strength."""
        if self.strength is None:
            return 0.0
        return mass_share(self.kind, self.strength) if self.kind in BY_VOLUME else self.strength

    @property
    def first(self) -> Sentence:
        """What crystallises first, in words."""
        if self.drops_salt:
            return Wording("fluid.first_salt", "first salt crystals")()
        return Wording("fluid.first_ice", "first ice")()

    def liquid_c(self, temp_c: float) -> float:
        """The temperature nearest to ``temp_c`` at which it is liquid and its table has figures."""
        low_c, high_c = self.properties.span_c
        return min(max(temp_c, low_c), high_c)

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
        """Mass of a volume at a temperature."""
        return volume_l * self.density_kg_m3(temp_c) / 1000

    def volume_l(self, mass_kg: float, temp_c: float) -> float:
        """Volume of a mass at a temperature."""
        return 1000 * mass_kg / self.density_kg_m3(temp_c)


_PACKAGED: dict[Kind, str] = {
    "water": "IAPWS-95 by CoolProp",
    "cacl2": "CoolProp (Melinder), pure salt in water by mass; above 30 % Laliberté and Conde",
    "mgcl2": "CoolProp (Melinder), pure salt in water by mass; above 20 % Laliberté, crystals from memory",
    "kac": "CoolProp (Melinder), potassium acetate in water by mass",
    "kfo": "CoolProp (Melinder), potassium formate in water by mass",
    "glycerol": "CoolProp (Melinder), glycerol in water by mass",
    "methanol": "CoolProp (Melinder), methanol in water by mass",
    "pg": "CoolProp (ASHRAE), inhibited propylene glycol by volume",
    "eg": "CoolProp (ASHRAE), inhibited ethylene glycol by volume",
}

# Solid point of brine by mass percent: 2, 3.5 and 5 lb of flake per gallon of water in the Kubota M108DC operator's
# manual, p. 54. Interpolated between them, not known beyond.
_BRINE_SOLID = ((14.9, -30.0), (22.8, -47.0), (28.9, -52.0))

# Methanol mixes from about a tenth by mass have a flash point under 60 C. From memory of safety data sheets.
_BURNS_FROM = 0.10


def _brine_solid(percent: float) -> float | None:
    xs = [row[0] for row in _BRINE_SOLID]
    if not xs[0] <= percent <= xs[-1]:
        return None
    k = min(bisect_right(xs, percent), len(xs) - 1)
    (x0, y0), (x1, y1) = _BRINE_SOLID[k - 1], _BRINE_SOLID[k]
    return y0 + (percent - x0) / (x1 - x0) * (y1 - y0)


def packaged(kind: Kind, strength: float, name: str, recipe: Recipe | None = None) -> Fluid:
    """A fluid from the packaged tables; :class:`FluidError` for a strength outside them."""
    low, high = strengths_of(kind)
    if not low - 1e-9 <= strength <= high + 1e-9:
        raise FluidError(
            Wording(
                "liquid.outside",
                "{liquid} is {percent:number} %: the tables hold {low:number} to {high:number} %. Choose a strength "
                "inside them",
            )(liquid=name, percent=round(100 * strength, 1), low=round(100 * low), high=round(100 * high))
        )
    mix = solution(kind, max(low, min(strength, high)), name)
    return Fluid(
        name=name,
        kind=kind,
        strength=None if kind == "water" else strength,
        freeze_c=mix.freeze_c,
        solid_c={"water": 0.0, "cacl2": _brine_solid(100 * strength)}.get(kind),
        flammable=kind == "methanol" and strength >= _BURNS_FROM,
        basis=_PACKAGED[kind],
        properties=mix,
        drops_salt=mix.drops_salt,
        recipe=recipe,
    )


def strength_for(kind: Kind, freeze_c: float) -> float:
    """The weakest strength whose first ice is at ``freeze_c`` or below; :class:`FluidError` where there is none."""
    _, high = strengths_of(kind)
    steps = 84
    deep = min(range(steps + 1), key=lambda step: solution(kind, high * step / steps, kind).freeze_c)
    weak, strong = 0.0, high * deep / steps
    lowest_c = solution(kind, strong, kind).freeze_c
    if not lowest_c <= freeze_c < 0:
        raise FluidError(
            Wording(
                "liquid.no_such_ice",
                "{liquid} at no strength has its first ice at {freeze:temperature}: ask for {lowest:temperature} to "
                "just under {none:temperature}",
            )(liquid=kind, freeze=freeze_c, lowest=lowest_c, none=0.0)
        )
    while strong - weak > 1e-6:
        middle = (weak + strong) / 2
        weak, strong = (weak, middle) if solution(kind, middle, kind).freeze_c <= freeze_c else (middle, strong)
    return strong


def from_table(table: ShopTable, kind: Kind = "shop") -> Fluid:
    """A fluid by its own table, without a strength."""
    return Fluid(table.name, kind, None, table.freeze_c, table.solid_c, table.flammable, table.basis, table)
