"""Cautions for a fluid: people, metal, ground and winter, and mixing with the tyre's present content.

One line each, with a severity and a source. It must not know tyres beyond tube or tubeless, nor rigs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.caution import COMMON_PRACTICE, Caution
from rig.fluid.dissolving import Hot, hot_brine
from rig.fluid.tables import solution

if TYPE_CHECKING:
    from rig.fluid.fluids import Fluid
    from rig.fluid.mix import Mix

_SDS = "safety data sheet, calcium chloride solution"
_BULLETIN = "a tyre maker's bulletin on liquid-filled tyres"
_HAZARD = "GHS safety data sheets, from memory"
_ALCOHOL = "a tractor operator's manual advises against alcohol"


def mix_cautions(
    mix: Mix, comes: Fluid, *, tubeless: bool | None = None, coldest_c: float | None = None
) -> tuple[Caution, ...]:
    """Cautions for what ``comes`` into a wheel, on what is in it, and for the mix on the coldest day to withstand."""
    others = dict.fromkeys(part.fluid for part in mix.parts if part.fluid is not None and part.fluid.name != comes.name)
    return (
        *_by_kind(comes, tubeless, mix.temp_c),
        *(caution for fluid in (comes, *others) for caution in _assay(fluid)),
        *_frost(mix, comes, coldest_c),
        *(caution for fluid in others for caution in _on_top(comes, fluid, mix)),
    )


def _by_kind(fluid: Fluid, tubeless: bool | None, temp_c: float) -> Iterator[Caution]:
    if fluid.flammable:
        yield Caution(
            "danger",
            f"{fluid.name} burns: no flame or spark, hose and tote bonded, pump, relays and controller rated for it",
            _HAZARD,
        )
    match fluid.kind:
        case "cacl2":
            yield from _calcium(tubeless, temp_c, hot_brine(fluid, temp_c))
        case "beet":
            yield Caution("note", fluid.basis, COMMON_PRACTICE)
            yield Caution(
                "caution", "never thin beet with water, nor rinse into it: it may spoil and make gas", COMMON_PRACTICE
            )
        case "methanol":
            yield Caution("danger", "methanol is poison by mouth, skin and breath: gloves, goggles, fresh air", _HAZARD)
            yield Caution("caution", "alcohol is not advised as ballast by some makers", _ALCOHOL)
        case "eg":
            yield Caution(
                "danger", "ethylene glycol tastes sweet and kills animals and children: catch every drop", _HAZARD
            )
        case "pg":
            if fluid.name.startswith("rv:"):
                text = "the label is the burst protection of pipes: it is slush far above that, a tyre is heavy with it"
                yield Caution("caution", text, "a maker's sheet on storing watermakers")
            yield Caution("note", "propylene glycol spill: soak up and keep out of drains", _HAZARD)
        case "mgcl2":
            yield Caution(
                "caution", "magnesium chloride irritates, and eats steel, aluminium and concrete: rinse", _HAZARD
            )
        case "kac" | "kfo":
            yield Caution(
                "note", "potassium acetate and formate eat zinc and soft solder: rinse brass and zinc", _HAZARD
            )
        case "glycerol":
            yield Caution("note", "glycerol is thick in the cold: it pumps slowly; keep it out of drains", _HAZARD)
        case "water":
            yield Caution("caution", "plain water freezes at 0 °C and rusts the rim", COMMON_PRACTICE)
        case "shop":
            yield Caution("note", f"{fluid.name}: {fluid.basis}; nothing else is known of it here", COMMON_PRACTICE)


def _calcium(tubeless: bool | None, temp_c: float, hot: Hot | None) -> Iterator[Caution]:
    yield Caution("caution", "calcium irritates eyes and skin: goggles and gloves, rinse at once", _SDS)
    yield Caution(
        "caution", "calcium spill kills grass for years and eats aluminium, zinc and brass: contain, rinse", _SDS
    )
    if hot is None:
        yield Caution("note", "mixing calcium heats the water: let it cool before filling", COMMON_PRACTICE)
    else:
        text = (
            f"fresh from flake it will stand at {hot.temp_c:.0f} °C if the water has {temp_c:.0f} °C: wait, or it is "
            f"{hot.light_percent:.1f} % light"
        )
        yield Caution("caution", text, "enthalpies of the NBS tables, from memory")
    if tubeless:
        yield Caution(
            "caution",
            "calcium in a tubeless tyre rusts a rim that is bare: fill over the 12 o'clock valve",
            _BULLETIN,
        )
    elif tubeless is None:
        yield Caution("note", "tube or tubeless? calcium rusts a bare rim that is not kept under liquid", _BULLETIN)


def _assay(fluid: Fluid) -> Iterator[Caution]:
    """What an unstated assay leaves open: the same recipe with the weakest and the strongest flake sold."""
    if fluid.recipe is None or not fluid.recipe.assumed:
        return
    shares = [replace(fluid.recipe, assay=assay).share for assay in _SOLD]
    low, high = (f"{100 * share:.1f}" for share in shares)
    # Above the eutectic the strongest flake's salt crystallises, earlier again than the ice of a weaker one.
    frost = sorted(solution("cacl2", min(share, 0.42), fluid.name).freeze_c for share in shares)
    text = (
        f"the flake's assay was not given, {100 * fluid.recipe.assay:.0f} % is assumed: with the flake that is sold "
        f"(77-80, 83-87, 94-97 %) it is {low} to {high} %, first crystals from {frost[1]:.0f} to {frost[0]:.0f} °C. "
        "Read the bag: --assay 83"
    )
    yield Caution("caution", text, "trade names of calcium chloride flake, common practice")


_SOLD = (0.77, 0.97)


def _frost(mix: Mix, comes: Fluid, coldest_c: float | None) -> Iterator[Caution]:
    """What the coldest day does to the mix; until the wheel has turned, to its weakest part."""
    if mix.fluid is None:
        text = f"the frost point of what will be in the wheel is not known: {mix.unknown}"
        yield Caution("caution", text, "mixes of one kind, or of one with water, are computed; others are not known")
    elif coldest_c is not None and coldest_c < mix.fluid.freeze_c:
        yield _too_cold(mix.fluid, coldest_c)
    top = mix.on_top
    if top is None or top.fluid is None:
        return
    weakest = max((part.fluid for part in mix.parts if part.fluid is not None), key=lambda fluid: fluid.freeze_c)
    text = (
        f"until the wheel has turned, {top.name} lies on top: {weakest.name} alone has its {weakest.first} at "
        f"{weakest.freeze_c:.0f} °C; turn the wheel before the frost"
    )
    cold = coldest_c is not None and coldest_c < weakest.freeze_c
    yield Caution("caution" if cold else "note", text, "densities of the two; freeze point of the table")


def _too_cold(fluid: Fluid, coldest_c: float) -> Caution:
    if fluid.solid_c is not None and coldest_c < fluid.solid_c:
        text = f"{fluid.name} is solid at {coldest_c:.0f} °C (from {fluid.solid_c:.0f} °C): do not drive"
        return Caution("danger", text, "freeze and solid points of the table")
    if fluid.drops_salt:
        text = f"at {coldest_c:.0f} °C {fluid.name} drops salt (from {fluid.freeze_c:.0f} °C): cut it with water"
        return Caution("caution", text, "crystallisation line of the table")
    text = f"at {coldest_c:.0f} °C {fluid.name} is slush (from {fluid.freeze_c:.0f} °C): take a stronger mix"
    return Caution("caution", text, "freeze point of the table")


def _on_top(fluid: Fluid, existing: Fluid, mix: Mix) -> Iterator[Caution]:
    kinds = {fluid.kind, existing.kind}
    if fluid.kind == existing.kind:
        if fluid.strength != existing.strength:
            text = f"{fluid.name} on {existing.name}: density and freeze point are the mix's, weigh a sample of it"
            yield Caution("note", text, COMMON_PRACTICE)
        return
    if "beet" in kinds:
        text = f"{fluid.name} on {existing.name}: thinned beet may spoil and make gas: take the old liquid out"
        yield Caution("danger", text, "one owner's report of a burst years later, cause not proven")
    elif kinds & _SALTS and "water" not in kinds:
        text = f"{fluid.name} on {existing.name}: they may clot or separate: take the old liquid out"
        yield Caution("caution", text, COMMON_PRACTICE)
    elif "water" in kinds:
        # Strong brine thinned towards the eutectic stays liquid in deeper cold.
        strongest_c = min(fluid.freeze_c, existing.freeze_c) if not fluid.drops_salt else fluid.freeze_c
        sooner = mix.freeze_c is None or mix.freeze_c > strongest_c
        text = f"{fluid.name} on {existing.name}: the mix is weaker" + (" and freezes sooner" if sooner else "")
        yield Caution("caution", text, COMMON_PRACTICE)
    else:
        text = f"{fluid.name} on {existing.name}: not a known mix: take the old liquid out"
        yield Caution("caution", text, COMMON_PRACTICE)
    if existing.kind == "cacl2":
        text = "calcium has been in this wheel: look at rim, valve and insert, keep what comes back apart"
        yield Caution("caution", text, _BULLETIN)
    if existing.flammable and not fluid.flammable:
        yield Caution("danger", f"the tyre holds {existing.name}: what comes back burns", _HAZARD)


_SALTS = frozenset({"cacl2", "mgcl2", "kac", "kfo"})
