"""Cautions for a fluid: people, metal, ground and winter, and mixing with the tyre's present content.

One line each, with a severity and a source. It must not know tyres beyond tube or tubeless, nor rigs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.wheel.caution import COMMON_PRACTICE, Caution

if TYPE_CHECKING:
    from rig.fluid.fluids import Fluid

_SDS = "safety data sheet, calcium chloride solution"
_BULLETIN = "a tyre maker's bulletin on liquid-filled tyres"
_HAZARD = "GHS safety data sheets, from memory"
_ALCOHOL = "a tractor operator's manual advises against alcohol"


def cautions_of(
    fluid: Fluid,
    *,
    existing: Fluid | None = None,
    tubeless: bool | None = None,
    coldest_c: float | None = None,
) -> tuple[Caution, ...]:
    """Cautions for a fluid; ``existing`` is in the tyre already, ``coldest_c`` is the coldest day to withstand."""
    return (
        *_by_kind(fluid, tubeless),
        *_winter(fluid, coldest_c),
        *(() if existing is None else _on_top(fluid, existing)),
    )


def _by_kind(fluid: Fluid, tubeless: bool | None) -> Iterator[Caution]:
    if fluid.flammable:
        yield Caution(
            "danger",
            f"{fluid.name} burns: no flame or spark, hose and tote bonded, pump, relays and controller rated for it",
            _HAZARD,
        )
    match fluid.kind:
        case "cacl2":
            yield from _calcium(tubeless)
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
            yield Caution("note", "propylene glycol spill: soak up and keep out of drains", _HAZARD)
        case "water":
            yield Caution("caution", "plain water freezes at 0 °C and rusts the rim", COMMON_PRACTICE)
        case "shop":
            yield Caution("note", f"{fluid.name}: {fluid.basis}; nothing else is known of it here", COMMON_PRACTICE)


def _calcium(tubeless: bool | None) -> Iterator[Caution]:
    yield Caution("caution", "calcium irritates eyes and skin: goggles and gloves, rinse at once", _SDS)
    yield Caution(
        "caution", "calcium spill kills grass for years and eats aluminium, zinc and brass: contain, rinse", _SDS
    )
    yield Caution("note", "mixing calcium heats the water: let it cool before filling", COMMON_PRACTICE)
    if tubeless:
        yield Caution(
            "caution",
            "calcium in a tubeless tyre rusts a rim that is bare: fill over the 12 o'clock valve",
            _BULLETIN,
        )
    elif tubeless is None:
        yield Caution("note", "tube or tubeless? calcium rusts a bare rim that is not kept under liquid", _BULLETIN)


def _winter(fluid: Fluid, coldest_c: float | None) -> Iterator[Caution]:
    if coldest_c is None or coldest_c >= fluid.freeze_c:
        return
    if fluid.solid_c is not None and coldest_c < fluid.solid_c:
        text = f"{fluid.name} is solid at {coldest_c:.0f} °C (from {fluid.solid_c:.0f} °C): do not drive"
        yield Caution("danger", text, "freeze and solid points of the table")
    else:
        text = f"at {coldest_c:.0f} °C {fluid.name} is slush (from {fluid.freeze_c:.0f} °C): take a stronger mix"
        yield Caution("caution", text, "freeze point of the table")


def _on_top(fluid: Fluid, existing: Fluid) -> Iterator[Caution]:
    kinds = {fluid.kind, existing.kind}
    if fluid.kind == existing.kind:
        if fluid.strength != existing.strength:
            text = f"{fluid.name} on {existing.name}: density and freeze point change, weigh a sample of the mix"
            yield Caution("note", text, COMMON_PRACTICE)
        return
    if "beet" in kinds:
        text = f"{fluid.name} on {existing.name}: thinned beet may spoil and make gas: take the old liquid out"
        yield Caution("danger", text, "one owner's report of a burst years later, cause not proven")
    elif "cacl2" in kinds and "water" not in kinds:
        text = f"{fluid.name} on {existing.name}: they may clot or separate: take the old liquid out"
        yield Caution("caution", text, COMMON_PRACTICE)
    elif "water" in kinds:
        text = f"{fluid.name} on {existing.name}: the mix is weaker and freezes sooner"
        yield Caution("caution", text, COMMON_PRACTICE)
    else:
        text = f"{fluid.name} on {existing.name}: not a known mix: take the old liquid out"
        yield Caution("caution", text, COMMON_PRACTICE)
    if existing.kind == "cacl2":
        text = "calcium has been in this wheel: look at rim, valve and insert, keep what comes back apart"
        yield Caution("caution", text, _BULLETIN)
    if existing.flammable and not fluid.flammable:
        yield Caution("danger", f"the tyre holds {existing.name}: what comes back burns", _HAZARD)
