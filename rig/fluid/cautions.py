"""Cautions for a fluid: people, metal, ground and winter, and mixing with the tyre's present content.

One line each, with a severity and a source. It must not know tyres beyond tube or tubeless, nor rigs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.caution import BULLETIN, COMMON_PRACTICE, Caution, Severity
from rig.fluid.dissolving import Hot, hot_brine
from rig.fluid.tables import solution
from rig.sentence import Sentence, Wording

if TYPE_CHECKING:
    from rig.fluid.fluids import Fluid, Kind
    from rig.fluid.mix import Mix

_SDS = Wording("source.sds", "safety data sheet, calcium chloride solution")()
_HAZARD = Wording("source.hazard", "GHS safety data sheets, from memory")()
_ALCOHOL = Wording("source.alcohol", "a tractor operator's manual advises against alcohol")()


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


def _caution(severity: Severity, words: Wording, source: Sentence) -> Caution:
    return Caution(severity, words(), source)


_METHANOL = Wording("caution.methanol", "methanol is poison by mouth, skin and breath: gloves, goggles, fresh air")
_NO_ALCOHOL = Wording("caution.alcohol", "alcohol is not advised as ballast by some makers")
_EG = Wording("caution.eg", "ethylene glycol tastes sweet and kills animals and children: catch every drop")
_PG = Wording("caution.pg", "propylene glycol spill: soak up and keep out of drains")
_MGCL2 = Wording("caution.mgcl2", "magnesium chloride irritates, and eats steel, aluminium and concrete: rinse")
_KAC = Wording("caution.kac", "potassium acetate and formate eat zinc and soft solder: rinse brass and zinc")
_GLYCEROL = Wording("caution.glycerol", "glycerol is thick in the cold: it pumps slowly; keep it out of drains")
_BEET = Wording("caution.beet", "never thin beet with water, nor rinse into it: it may spoil and make gas")
_WATER = Wording("caution.water", "plain water freezes at {ice:temperature} and rusts the rim")
_OF_KIND: Mapping[Kind, tuple[Caution, ...]] = {
    "beet": (_caution("caution", _BEET, COMMON_PRACTICE),),
    "methanol": (_caution("danger", _METHANOL, _HAZARD), _caution("caution", _NO_ALCOHOL, _ALCOHOL)),
    "eg": (_caution("danger", _EG, _HAZARD),),
    "pg": (_caution("note", _PG, _HAZARD),),
    "mgcl2": (_caution("caution", _MGCL2, _HAZARD),),
    "kac": (_caution("note", _KAC, _HAZARD),),
    "kfo": (_caution("note", _KAC, _HAZARD),),
    "glycerol": (_caution("note", _GLYCEROL, _HAZARD),),
    "water": (Caution("caution", _WATER(ice=0.0), COMMON_PRACTICE),),
}


def _by_kind(fluid: Fluid, tubeless: bool | None, temp_c: float) -> Iterator[Caution]:
    if fluid.flammable:
        words = Wording(
            "caution.burns",
            "{fluid} burns: no flame or spark, hose and tote bonded, pump, relays and controller rated for it",
        )
        yield Caution("danger", words(fluid=fluid.name), _HAZARD)
    if fluid.kind == "cacl2":
        yield from _calcium(tubeless, temp_c, hot_brine(fluid, temp_c))
    elif fluid.kind == "beet":
        yield Caution("note", Wording("caution.basis", "{basis}")(basis=fluid.basis), COMMON_PRACTICE)
    elif fluid.kind == "shop":
        words = Wording("caution.shop", "{fluid}: {basis}; nothing else is known of it here")
        yield Caution("note", words(fluid=fluid.name, basis=fluid.basis), COMMON_PRACTICE)
    elif fluid.name.startswith("rv:"):
        words = Wording(
            "caution.rv",
            "the label is the burst protection of pipes: it is slush far above that, a tyre is heavy with it",
        )
        yield _caution("caution", words, Wording("source.rv", "a maker's sheet on storing watermakers")())
    yield from _OF_KIND.get(fluid.kind, ())


def _calcium(tubeless: bool | None, temp_c: float, hot: Hot | None) -> Iterator[Caution]:
    yield Caution(
        "caution",
        Wording("caution.calcium", "calcium irritates eyes and skin: goggles and gloves, rinse at once")(),
        _SDS,
    )
    yield Caution(
        "caution",
        Wording(
            "caution.calcium_spill",
            "calcium spill kills grass for years and eats aluminium, zinc and brass: contain, rinse",
        )(),
        _SDS,
    )
    if hot is None:
        yield Caution(
            "note",
            Wording("caution.calcium_heat", "mixing calcium heats the water: let it cool before filling")(),
            COMMON_PRACTICE,
        )
    else:
        text = Wording(
            "caution.calcium_hot",
            "fresh from flake it will stand at {hot:temperature} if the water has {water:temperature}: wait, or it is "
            "{light:number} % light",
        )(hot=hot.temp_c, water=temp_c, light=round(hot.light_percent, 1))
        yield Caution("caution", text, Wording("source.nbs", "enthalpies of the NBS tables, from memory")())
    if tubeless:
        yield Caution(
            "caution",
            Wording(
                "caution.tubeless",
                "calcium in a tubeless tyre rusts a rim that is bare: fill over the 12 o'clock valve",
            )(),
            BULLETIN,
        )
    elif tubeless is None:
        yield Caution(
            "note",
            Wording(
                "caution.tube_or_not", "tube or tubeless? calcium rusts a bare rim that is not kept under liquid"
            )(),
            BULLETIN,
        )


def _assay(fluid: Fluid) -> Iterator[Caution]:
    """What an unstated assay leaves open: the same recipe with the weakest and the strongest flake sold."""
    if fluid.recipe is None or not fluid.recipe.assumed:
        return
    shares = [replace(fluid.recipe, assay=assay).share for assay in _SOLD]
    low, high = (round(100 * share, 1) for share in shares)
    # Above the eutectic the strongest flake's salt crystallises, earlier again than the ice of a weaker one.
    frost = sorted(solution("cacl2", min(share, 0.42), fluid.name).freeze_c for share in shares)
    text = Wording(
        "caution.assay",
        "the flake's assay was not given, {assumed:number} % is assumed: with the flake that is sold (77-80, 83-87, "
        "94-97 %) it is {low:number} to {high:number} %, first crystals from {warm:temperature} to {cold:temperature}. "
        "Read the bag: --assay 83",
    )(assumed=round(100 * fluid.recipe.assay), low=low, high=high, warm=frost[1], cold=frost[0])
    yield Caution("caution", text, Wording("source.flake", "trade names of calcium chloride flake, common practice")())


_SOLD = (0.77, 0.97)


def _frost(mix: Mix, comes: Fluid, coldest_c: float | None) -> Iterator[Caution]:
    """What the coldest day does to the mix; until the wheel has turned, to its weakest part."""
    if mix.fluid is None:
        text = Wording("caution.frost_unknown", "the frost point of what will be in the wheel is not known: {why}")(
            why=mix.unknown or ""
        )
        source = Wording("source.mixes", "mixes of one kind, or of one with water, are computed; others are not known")
        yield Caution("caution", text, source())
    elif coldest_c is not None and coldest_c < mix.fluid.freeze_c:
        yield _too_cold(mix.fluid, coldest_c)
    top = mix.on_top
    if top is None or top.fluid is None:
        return
    weakest = max((part.fluid for part in mix.parts if part.fluid is not None), key=lambda fluid: fluid.freeze_c)
    text = Wording(
        "caution.on_top",
        "until the wheel has turned, {top} lies on top: {weakest} alone has its {first} at {frost:temperature}; "
        "turn the wheel before the frost",
    )(top=top.name, weakest=weakest.name, first=weakest.first, frost=weakest.freeze_c)
    cold = coldest_c is not None and coldest_c < weakest.freeze_c
    yield Caution(
        "caution" if cold else "note",
        text,
        Wording("source.densities", "densities of the two; freeze point of the table")(),
    )


def _too_cold(fluid: Fluid, coldest_c: float) -> Caution:
    if fluid.solid_c is not None and coldest_c < fluid.solid_c:
        text = Wording(
            "caution.solid", "{fluid} is solid at {coldest:temperature} (from {limit:temperature}): do not drive"
        )(fluid=fluid.name, coldest=coldest_c, limit=fluid.solid_c)
        return Caution("danger", text, Wording("source.solid", "freeze and solid points of the table")())
    if fluid.drops_salt:
        text = Wording(
            "caution.drops_salt",
            "at {coldest:temperature} {fluid} drops salt (from {limit:temperature}): cut it with water",
        )(fluid=fluid.name, coldest=coldest_c, limit=fluid.freeze_c)
        return Caution("caution", text, Wording("source.salt", "crystallisation line of the table")())
    text = Wording(
        "caution.slush", "at {coldest:temperature} {fluid} is slush (from {limit:temperature}): take a stronger mix"
    )(fluid=fluid.name, coldest=coldest_c, limit=fluid.freeze_c)
    return Caution("caution", text, Wording("source.frost", "freeze point of the table")())


def _on_top(fluid: Fluid, existing: Fluid, mix: Mix) -> Iterator[Caution]:
    kinds, both = {fluid.kind, existing.kind}, {"fluid": fluid.name, "old": existing.name}
    if fluid.kind == existing.kind:
        if fluid.strength != existing.strength:
            text = Wording(
                "caution.weigh", "{fluid} on {old}: density and freeze point are the mix's, weigh a sample of it"
            )(**both)
            yield Caution("note", text, COMMON_PRACTICE)
        return
    if "beet" in kinds:
        text = Wording(
            "caution.thinned", "{fluid} on {old}: thinned beet may spoil and make gas: take the old liquid out"
        )(**both)
        source = Wording("source.burst", "one owner's report of a burst years later, cause not proven")
        yield Caution("danger", text, source())
    elif kinds & _SALTS and "water" not in kinds:
        text = Wording("caution.clot", "{fluid} on {old}: they may clot or separate: take the old liquid out")(**both)
        yield Caution("caution", text, COMMON_PRACTICE)
    elif "water" in kinds:
        # Strong brine thinned towards the eutectic stays liquid in deeper cold.
        strongest_c = min(fluid.freeze_c, existing.freeze_c) if not fluid.drops_salt else fluid.freeze_c
        sooner = mix.freeze_c is None or mix.freeze_c > strongest_c
        words = (
            Wording("caution.freezes_sooner", "{fluid} on {old}: the mix is weaker and freezes sooner")
            if sooner
            else Wording("caution.weaker", "{fluid} on {old}: the mix is weaker")
        )
        text = words(**both)
        yield Caution("caution", text, COMMON_PRACTICE)
    else:
        text = Wording("caution.no_mix", "{fluid} on {old}: not a known mix: take the old liquid out")(**both)
        yield Caution("caution", text, COMMON_PRACTICE)
    if existing.kind == "cacl2":
        text = Wording(
            "caution.calcium_was_in",
            "calcium has been in this wheel: look at rim, valve and insert, keep what comes back apart",
        )()
        yield Caution("caution", text, BULLETIN)
    if existing.flammable and not fluid.flammable:
        yield Caution(
            "danger",
            Wording("caution.burns_back", "the tyre holds {old}: what comes back burns")(old=existing.name),
            _HAZARD,
        )


_SALTS = frozenset({"cacl2", "mgcl2", "kac", "kfo"})
