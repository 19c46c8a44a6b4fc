"""A fluid of one strength: density, viscosity, freeze point, correction to 60 F, mass, and mixing.

It must not know the notation of fluids, nor tyres, valves or rigs.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

from rig.fluid.cautions import cautions_of
from rig.fluid.errors import FluidError
from rig.fluid.tables import Properties, ShopTable, solution, strengths_of
from rig.wheel.caution import Caution

BASE_C = 15.0 + 5.0 / 9.0
"""60 F, the base temperature of corrected volumes."""

Kind = Literal["water", "cacl2", "methanol", "pg", "eg", "beet", "shop"]


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid of one strength.

    ``strength`` is a fraction by mass (brine, methanol) or volume (glycols), None where there is none. ``freeze_c`` is
    where slush begins, ``solid_c`` where it is solid (None: not known). ``basis`` is the source of the figures.
    """

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
        """Mass of a volume at a temperature."""
        return volume_l * self.density_kg_m3(temp_c) / 1000

    def volume_l(self, mass_kg: float, temp_c: float) -> float:
        """Volume of a mass at a temperature."""
        return 1000 * mass_kg / self.density_kg_m3(temp_c)

    def cautions(
        self, *, existing: Fluid | None = None, tubeless: bool | None = None, coldest_c: float | None = None
    ) -> tuple[Caution, ...]:
        """Cautions: for the fluid itself, on the tyre's present content, on the coldest day."""
        return cautions_of(self, existing=existing, tubeless=tubeless, coldest_c=coldest_c)


_PACKAGED = {
    "water": "IAPWS-95 by CoolProp",
    "cacl2": "CoolProp (Melinder), pure salt in water by mass",
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


def packaged(kind: Kind, strength: float, name: str) -> Fluid:
    """A fluid from the packaged tables; :class:`FluidError` for a strength outside them."""
    low, high = strengths_of(kind)
    if not low - 1e-9 <= strength <= high + 1e-9:
        why = ", and above the eutectic the freeze point rises again" if kind == "cacl2" else ""
        raise FluidError(
            f"{name} is {100 * strength:.1f} %: the tables hold {100 * low:.0f} to {100 * high:.0f} %{why}. "
            f"Choose a strength inside them"
        )
    mix = solution(kind, max(low, min(strength, high)), name)
    solid = {"water": 0.0, "cacl2": _brine_solid(100 * strength)}.get(kind)
    flammable = kind == "methanol" and strength >= _BURNS_FROM
    share = None if kind == "water" else strength
    return Fluid(name, kind, share, mix.freeze_c, solid, flammable, _PACKAGED[kind], mix)


def from_table(table: ShopTable, kind: Kind = "shop") -> Fluid:
    """A fluid by its own table, without a strength."""
    return Fluid(table.name, kind, None, table.freeze_c, table.solid_c, table.flammable, table.basis, table)


def mixed(first: Fluid, first_l: float, second: Fluid, second_l: float, temp_c: float) -> Fluid:
    """The mix of two liquids at a temperature: of one kind, or one of them water.

    :class:`FluidError` where the mix is not known; the message says to take the old liquid out.
    """
    kinds = {first.kind, second.kind} - {"water"}
    if first_l < 0 or second_l < 0 or first_l + second_l <= 0:
        raise FluidError("a mix needs two volumes, neither below zero")
    if not kinds:
        return first
    if len(kinds) > 1 or kinds & {"beet", "shop"}:
        raise FluidError(
            f"{first.name} and {second.name} do not make a mix that is known: take the old liquid out first"
        )
    kind = kinds.pop()
    by_volume = kind in {"pg", "eg"}
    parts = [
        (fluid.strength or 0.0, litres if by_volume else fluid.mass_kg(litres, temp_c))
        for fluid, litres in ((first, first_l), (second, second_l))
    ]
    strength = sum(share * amount for share, amount in parts) / sum(amount for _, amount in parts)
    return packaged(kind, strength, f"{kind}:{100 * strength:.1f}%{'vol' if by_volume else ''}")
