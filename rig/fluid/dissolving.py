"""Calcium chloride flake in water, how hot it becomes; and what is delivered strong, how much water it takes.

Enthalpies from the NBS tables of chemical thermodynamic properties (Wagman and others, J. Phys. Chem. Ref. Data 11,
suppl. 2, 1982), from memory; heat capacity of brine fitted to CoolProp's MCA. No heat is lost on the way.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from rig.fluid.errors import FluidError
from rig.fluid.fluids import BY_VOLUME, Fluid, packaged, strength_for
from rig.sentence import Wording

_SALT_KG_MOL, _WATER_KG_MOL = 0.110984, 0.018015
_TO_INFINITY_KJ_MOL = ((0.0, 81.3), (1.0, 53.7), (2.0, 45.9), (4.0, 10.8), (6.0, -15.8))
"""Heat of dissolving CaCl2 with so many moles of crystal water in very much water, kJ per mole of salt."""
_WARM_C = (30.0, 40.0)
"""Above the table's top the density falls as it does between these."""


@dataclass(frozen=True, slots=True)
class Hot:
    """Brine just mixed: the temperature that it stands at, and by how much it is lighter than it will be when cool."""

    temp_c: float
    light_percent: float


def hot_brine(fluid: Fluid, start_c: float) -> Hot | None:
    """Brine mixed by its recipe from flake and water at ``start_c``; None for a liquid without a recipe."""
    recipe, share = fluid.recipe, fluid.strength
    if recipe is None or share is None or share <= 0:
        return None
    crystal_water = (1 - recipe.assay) / _WATER_KG_MOL / (recipe.assay / _SALT_KG_MOL)
    heat_kj = share / _SALT_KG_MOL * (_heat_kj_mol(crystal_water) - _dilution_kj_mol(share))
    temp_c = start_c + heat_kj / brine_kj_kg_k(share)
    return Hot(temp_c, 100 * (1 - _density(fluid, temp_c) / _density(fluid, start_c)))


def brine_kj_kg_k(share: float) -> float:
    """Heat capacity of calcium chloride brine near 20 degC, within 2 % of CoolProp's MCA up to 30 %."""
    return 4.18 * (1 - 1.4576 * share + 1.111 * share**2)


def _heat_kj_mol(crystal_water: float) -> float:
    moles = [row[0] for row in _TO_INFINITY_KJ_MOL]
    k = min(max(bisect_right(moles, crystal_water), 1), len(moles) - 1)
    (n0, h0), (n1, h1) = _TO_INFINITY_KJ_MOL[k - 1], _TO_INFINITY_KJ_MOL[k]
    return h0 + (crystal_water - n0) / (n1 - n0) * (h1 - h0)


def _dilution_kj_mol(share: float) -> float:
    """Heat that further dilution would still give, through the table's values at 20 and 10 moles of water."""
    return 17.27 * share + 53.8 * share**2


def _density(fluid: Fluid, temp_c: float) -> float:
    low_c, high_c = _WARM_C
    at_c = fluid.liquid_c(temp_c)
    slope = (fluid.density_kg_m3(high_c) - fluid.density_kg_m3(low_c)) / (high_c - low_c)
    return fluid.density_kg_m3(at_c) + slope * max(0.0, temp_c - at_c)


@dataclass(frozen=True, slots=True)
class Cut:
    """A strong liquid cut with water: litres of water to each litre of it, and what that makes."""

    delivered: Fluid
    result: Fluid
    water_l_per_l: float
    mix_l_per_l: float


def cut_to(delivered: Fluid, freeze_c: float, temp_c: float) -> Cut:
    """Cut with water until the first ice is at ``freeze_c``; :class:`FluidError` where water does not get it there."""
    kind = delivered.kind
    if delivered.strength is None or kind in {"beet", "shop"}:
        raise FluidError(
            Wording("liquid.no_strength", "{liquid} has no strength that could be cut: name one, such as cacl2:35%")(
                liquid=delivered.name
            )
        )
    by_volume = kind in BY_VOLUME
    strength = strength_for(kind, freeze_c)
    result = packaged(kind, strength, f"{kind}:{100 * strength:.1f}%{'vol' if by_volume else ''}")
    if result.solute_share > delivered.solute_share:
        raise FluidError(
            Wording(
                "liquid.weaker",
                "{liquid} is weaker than the {wanted} that has its first ice at {freeze:temperature}: water does not "
                "help, take a stronger one",
            )(liquid=delivered.name, wanted=result.name, freeze=freeze_c)
        )
    water = packaged("water", 0.0, "water")
    heavier = delivered.solute_share / result.solute_share
    kg_per_l = delivered.density_kg_m3(delivered.liquid_c(temp_c)) / 1000
    return Cut(
        delivered=delivered,
        result=result,
        water_l_per_l=(heavier - 1) * kg_per_l * 1000 / water.density_kg_m3(water.liquid_c(temp_c)),
        mix_l_per_l=heavier * kg_per_l * 1000 / result.density_kg_m3(result.liquid_c(temp_c)),
    )
