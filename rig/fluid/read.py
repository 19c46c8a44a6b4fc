"""Parse a fluid: ``NAME[:STRENGTH]``, or a fluid from the shop's own table.

It must not know tyres, valves or rigs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from rig.fluid.errors import FluidError
from rig.fluid.fluids import (
    BASE_C,
    BY_VOLUME,
    SOLUTE_KG_M3,
    Fluid,
    Kind,
    Recipe,
    from_table,
    mass_share,
    packaged,
    strength_for,
)
from rig.fluid.tables import ShopTable
from rig.sentence import Wording, said_by
from rig.units import QuantityError, parse

FLAKE_ASSAY = 0.77
"""Share of calcium chloride in ordinary flake, taken where none is stated; the fluid says so."""

_FORMS = (
    "water, beet, cacl2:20%, cacl2:3.5lb/gal@83%, mgcl2:25%, methanol:33.6%, washer:-25degF, pg:50%vol or eg:50%vol"
)

_KINDS: dict[str, Kind] = {
    "water": "water",
    "plain water": "water",
    "cacl2": "cacl2",
    "calcium": "cacl2",
    "calcium chloride": "cacl2",
    "mgcl2": "mgcl2",
    "magnesium": "mgcl2",
    "magnesium chloride": "mgcl2",
    "methanol": "methanol",
    "washer": "methanol",
    "washer fluid": "methanol",
    "windshield washer fluid": "methanol",
    "kac": "kac",
    "potassium acetate": "kac",
    "kfo": "kfo",
    "potassium formate": "kfo",
    "glycerol": "glycerol",
    "glycerin": "glycerol",
    "pg": "pg",
    "propylene glycol": "pg",
    "rv": "pg",
    "rv antifreeze": "pg",
    "eg": "eg",
    "ethylene glycol": "eg",
    "beet": "beet",
    "beet juice": "beet",
    "beet fluid": "beet",
}
_EXAMPLE: dict[Kind, str] = {
    "cacl2": "cacl2:20% (by mass) or cacl2:3.5lb/gal@83% (flake of 83 % per gallon of water)",
    "mgcl2": "mgcl2:25% (by mass)",
    "methanol": "methanol:33.6% (by mass), methanol:40%vol or washer:-25degF (first ice)",
    "kac": "kac:40% (by mass)",
    "kfo": "kfo:40% (by mass)",
    "glycerol": "glycerol:50% (by mass)",
    "pg": "pg:50%vol",
    "eg": "eg:50%vol",
}
_BURST_LABELS: dict[int, float] = {-50: 0.25, -100: 0.60}
"""Share of propylene glycol by volume in what is sold for the pipes of caravans ("RV antifreeze") by its label in degF:
the label is the burst protection of copper pipe, not the first ice, which is near -10 degC in the weak one. A maker's
sheet for storing watermakers: 25 % with slush from about -10 degC, 60 %."""

_NUMBER = r"(?P<number>\d{1,3}(?:[.,]\d{1,4})?)"
_BY = r"(?:by\s*)?(?P<by>vol(?:ume)?|v/v|v|mass|weight|wt|m|w)?"
_PERCENT = re.compile(
    rf"{_NUMBER}\s*%\s*{_BY}|{_NUMBER.replace('number', 'n2')}\s*{_BY.replace('by>', 'b2>')}\s*%", re.I
)
_TEMPERATURE = re.compile(r"(?P<degrees>[-−+]?\d{1,3}(?:[.,]\d{1,2})?)\s*(?:deg(?:rees)?|°)?\s*(?P<scale>[CF])", re.I)


def _beet() -> ShopTable:
    """Beet fluid, until the shop enters its supplier's figures.

    10.7 lb/gal (assumed at 60 F) is common practice and -35 F the trade's freeze point; the expansion of 4e-4 per K
    and the viscosities are assumptions, in the range of thick sugar juices.
    """
    temps = (-37.2, -30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0)
    mpas = (6500.0, 3000.0, 1150.0, 480.0, 220.0, 110.0, 60.0, 36.0, 24.0, 17.0)
    rows = tuple((t, 1282 * math.exp(-4e-4 * (t - BASE_C)), v) for t, v in zip(temps, mpas, strict=True))
    basis = Wording(
        "fluid.beet",
        "beet fluid at 10.7 lb/gal; viscosity, expansion and {frost:temperature} are assumed: put the supplier's "
        "figures in",
    )(frost=-37.2)
    return ShopTable("beet", rows, freeze_c=-37.2, basis=basis)


BEET = _beet()


def read_fluid(text: str, assay: float | None = None, shop: Mapping[str, ShopTable] | None = None) -> Fluid:
    """Parse ``NAME[:STRENGTH]``; ``assay`` is the flake's share of CaCl2, ``shop`` has the shop's own fluids.

    A strength is a percentage, the flake per volume of water (``@83%`` its assay), or the temperature of the first ice.
    A shop's fluid of the same name has priority. :class:`FluidError` for an unknown name, a missing or surplus
    strength, or one outside the tables.
    """
    name, colon, strength = (part.strip() for part in text.partition(":"))
    folded = " ".join(name.casefold().split())
    own = {" ".join(key.casefold().split()): table for key, table in (shop or {}).items()}
    kind = _KINDS.get(folded)
    if folded in own or kind in {"beet", "water"}:
        if colon:
            raise FluidError(
                Wording("refused.no_strength", "'{text}': {name} takes no strength, write {name}")(text=text, name=name)
            )
        if folded in own:
            return from_table(own[folded], "beet" if kind == "beet" else "shop")
        return from_table(BEET, "beet") if kind == "beet" else packaged("water", 0.0, "water")
    if kind is None:
        if own:
            words = Wording(
                "refused.fluid_own",
                "'{text}' is no fluid that can be read: write {forms}, or one of the shop's own: {own}",
            )
            raise FluidError(words(text=text[:60], forms=_FORMS, own=", ".join(own)))
        words = Wording(
            "refused.fluid",
            "'{text}' is no fluid that can be read: write {forms}; any other liquid by its own table in the "
            "configuration: [fluids.NAME]",
        )
        raise FluidError(words(text=text[:60], forms=_FORMS))
    if (degrees := _TEMPERATURE.fullmatch(strength)) is not None:
        return _by_temperature(kind, folded, degrees)
    if kind == "cacl2" and strength and _PERCENT.fullmatch(strength) is None:
        return _of_flake(text, strength, assay)
    return packaged(kind, _strength(text, kind, strength), f"{kind}:{''.join(strength.split())}")


def _by_temperature(kind: Kind, name: str, match: re.Match[str]) -> Fluid:
    """The mix with its first ice at a temperature; what is sold for caravans by the temperature on its label."""
    degrees, scale = float(match["degrees"].replace("−", "-").replace(",", ".")), match["scale"].upper()
    if name.startswith("rv"):
        share = _BURST_LABELS.get(round(degrees)) if scale == "F" else None
        if share is None:
            labels = " or ".join(f"rv:{label}degF" for label in _BURST_LABELS)
            words = Wording("liquid.label", "{label} is no usual label: write {labels}, or pg:40%vol")
            raise FluidError(words(label=f"rv:{degrees:g}deg{scale}", labels=labels))
        return packaged(kind, share, f"rv:{degrees:g}degF")
    freeze_c = degrees if scale == "C" else (degrees - 32) / 1.8
    strength = strength_for(kind, freeze_c)
    return packaged(kind, strength, f"{kind}:{100 * strength:.1f}%{'vol' if kind in BY_VOLUME else ''}")


def _strength(text: str, kind: Kind, strength: str) -> float:
    """Strength as a fraction by the kind's own basis; liquids dissolved by mass may be stated by volume."""
    match = _PERCENT.fullmatch(strength)
    if match is None:
        raise FluidError(
            Wording("refused.strength", "'{text}' needs a strength: write {example}")(text=text, example=_EXAMPLE[kind])
        )
    by = (match["by"] or match["b2"] or "").casefold()
    share = float((match["number"] or match["n2"]).replace(",", ".")) / 100
    if by.startswith("v") and kind not in BY_VOLUME and kind in SOLUTE_KG_M3:
        return mass_share(kind, min(share, 1.0))
    if (kind in BY_VOLUME) != by.startswith("v"):
        wanted = "volume" if kind in BY_VOLUME else "mass"
        raise FluidError(
            Wording("refused.strength_by", "'{text}': the strength of {kind} is by {by}, write {example}")(
                text=text, kind=kind, by=wanted, example=_EXAMPLE[kind]
            )
        )
    return share


def _of_flake(text: str, strength: str, assay: float | None) -> Fluid:
    """Brine by its recipe: flake per volume of water at 20 degC, of an assay that is stated or assumed."""
    flake, at, share = strength.partition("@")
    if at:
        match = _PERCENT.fullmatch(share.strip())
        if match is None or match["by"] or match["n2"]:
            words = Wording("liquid.assay_form", "'{text}': write the flake's assay as in cacl2:3.5lb/gal@83%")
            raise FluidError(words(text=text[:60]))
        assay = float(match["number"].replace(",", ".")) / 100
    recipe = _recipe(text, flake.strip(), FLAKE_ASSAY if assay is None else assay, assumed=assay is None)
    name = f"cacl2:{''.join(flake.split())}" + ("" if assay is None else f"@{100 * assay:g}%")
    return packaged("cacl2", recipe.share, name, recipe)


def _recipe(text: str, flake: str, assay: float, *, assumed: bool) -> Recipe:
    if not 0.5 <= assay <= 1:
        words = Wording(
            "liquid.assay", "a flake assay of {assay:number} cannot be: give its share of CaCl2, such as 0.77"
        )
        raise FluidError(words(assay=assay))
    try:
        kg_per_l = parse(flake, "mass_per_volume")
    except QuantityError as error:
        words = Wording("liquid.flake", "'{text}': {why}; or write the mass percent, such as cacl2:20%")
        raise FluidError(words(text=text[:60], why=said_by(error))) from error
    if kg_per_l < 0:
        words = Wording("liquid.less_flake", "'{text}': flake cannot be less than nothing, write {example}")
        raise FluidError(words(text=text[:60], example=_EXAMPLE["cacl2"]))
    return Recipe(kg_per_l, assay, assumed)
