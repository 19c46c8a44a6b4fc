"""`rig fluid`: figures of one liquid, the heat of mixing it, and how much water a strong one takes. Decides nothing."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from rig.cli.table import OK, Add
from rig.cli.target import settings_or_common
from rig.fluid import Cut, Fluid, FluidError, Part, cut_to, hot_brine, mix_of
from rig.run.assembly import fluid_of
from rig.run.settings import Settings
from rig.shop.questions import share_of
from rig.shop.ranges import parse_within
from rig.units import KG_PER_LB, L_PER_GAL, show_temperature

_DELIVERED = {"cacl2": ("cacl2:32%", "cacl2:35%", "cacl2:38%"), "mgcl2": ("mgcl2:28%", "mgcl2:30%")}
"""Strengths in which the salts are delivered as a liquid. Common practice, no source."""
_LB_PER_GAL_KG_M3 = 1000 * KG_PER_LB / L_PER_GAL


def add_fluid(add: Add) -> None:
    """The command ``fluid``."""
    fluid = add("fluid", fluid_command)
    fluid.add_argument("fluid", metavar="FLUID", help="cacl2:35%%, cacl2:3.5lb/gal, washer:-25degF, pg:50%%vol …")
    fluid.add_argument("--temp", metavar="Q", help='temperature of the liquid and of its water, e.g. "15 degC"')
    fluid.add_argument("--assay", metavar="PERCENT", help="calcium chloride in the flake by its bag")
    fluid.add_argument("--cut-to", metavar="Q", help='cut with water to a first ice at, for example "-20 degC"')
    fluid.add_argument("--config", type=Path, help="rig configuration, for the shop's own fluids")


def fluid_command(options: argparse.Namespace) -> int:
    """Answer; returns the exit status."""
    settings = settings_or_common(options.config)
    temp_c = settings.tote.temperature if options.temp is None else parse_within("temp", options.temp, "temperature")
    assay = None if options.assay is None else share_of(options.assay)
    fluids = [fluid_of(settings, each, assay) for each in _named(settings, options.fluid, options.cut_to)]
    cuts: list[Cut] = []
    if options.cut_to is not None:
        freeze_c = parse_within("coldest", options.cut_to, "temperature")
        cuts = [cut_to(fluid, freeze_c, temp_c) for fluid in fluids]
    if options.json:
        print(json.dumps(_document(fluids[0], temp_c) | {"cut": [_cut_json(cut) for cut in cuts]}))
    else:
        print("\n".join([*([] if cuts else _lines(fluids[0], temp_c)), *(_cut_line(cut) for cut in cuts)]))
    return OK


def _named(settings: Settings, text: str, cut: str | None) -> tuple[str, ...]:
    """The liquid asked about; of one named without its strength, to be cut, the strengths that are delivered."""
    try:
        fluid_of(settings, text)
    except FluidError:
        usual = _DELIVERED.get(text.strip().casefold())
        if cut is None or usual is None:
            raise
        return usual
    return (text,)


def _document(fluid: Fluid, temp_c: float) -> dict[str, object]:
    at_c, hot = fluid.liquid_c(temp_c), hot_brine(fluid, temp_c)
    return {
        "fluid": fluid.name,
        "kind": fluid.kind,
        "strength": fluid.strength,
        "freeze_c": round(fluid.freeze_c, 2),
        "crystallises": "salt" if fluid.drops_salt else "ice",
        "solid_c": fluid.solid_c,
        "temp_c": round(at_c, 2),
        "density_kg_m3": round(fluid.density_kg_m3(at_c), 2),
        "viscosity_mpas": round(fluid.viscosity_mpas(at_c), 3),
        "assay": None if fluid.recipe is None else fluid.recipe.assay,
        "assay_assumed": fluid.recipe is not None and fluid.recipe.assumed,
        "fresh_c": None if hot is None else round(hot.temp_c, 1),
        "fresh_light_percent": None if hot is None else round(hot.light_percent, 2),
        "basis": fluid.basis,
        "cautions": [
            {"severity": each.severity, "text": each.text, "source": each.source}
            for each in mix_of((Part(1.0, fluid),), temp_c).cautions(fluid)
        ],
    }


def _cut_json(cut: Cut) -> dict[str, object]:
    return {
        "delivered": cut.delivered.name,
        "mix": cut.result.name,
        "freeze_c": round(cut.result.freeze_c, 2),
        "water_l_per_l": round(cut.water_l_per_l, 3),
        "mix_l_per_l": round(cut.mix_l_per_l, 3),
    }


def _lines(fluid: Fluid, temp_c: float) -> list[str]:
    at_c = fluid.liquid_c(temp_c)
    density = fluid.density_kg_m3(at_c)
    strength = "" if fluid.strength is None else f", {100 * fluid.strength:.1f} %"
    lines = [
        f"{fluid.name}{strength}: {fluid.first} at {show_temperature(fluid.freeze_c)}",
        f"  at {at_c:.0f} °C    {density:.0f} kg/m³, {density / _LB_PER_GAL_KG_M3:.2f} lb/gal, "
        f"{fluid.viscosity_mpas(at_c):.3g} mPa s",
        f"  basis       {fluid.basis}",
    ]
    cautions = mix_of((Part(1.0, fluid),), temp_c).cautions(fluid)
    return lines + [f"  {each.severity}: {each.text} [{each.source}]" for each in cautions]


def _cut_line(cut: Cut) -> str:
    return (
        f"{cut.delivered.name}: {cut.water_l_per_l:.2f} L of water to each litre (gal to each gal) make "
        f"{cut.mix_l_per_l:.2f} of {cut.result.name}, {cut.result.first} at {show_temperature(cut.result.freeze_c)}"
    )
