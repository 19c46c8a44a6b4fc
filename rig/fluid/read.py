"""Parse a fluid: ``NAME[:STRENGTH]``, or a fluid from the shop's own table.

It must not know tyres, valves or rigs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache

from rig.fluid.errors import FluidError
from rig.fluid.fluids import BASE_C, Fluid, Kind, from_table, packaged
from rig.fluid.tables import ShopTable
from rig.units import QuantityError, parse

FLAKE_ASSAY = 0.77
"""Share of calcium chloride in ordinary flake; 83 and 94 % are also sold."""

_FORMS = "water, beet, cacl2:20%, cacl2:3.5lb/gal, methanol:33.6%, pg:50%vol or eg:50%vol"

_KINDS: dict[str, Kind] = {
    "water": "water",
    "plain water": "water",
    "cacl2": "cacl2",
    "calcium": "cacl2",
    "calcium chloride": "cacl2",
    "methanol": "methanol",
    "pg": "pg",
    "propylene glycol": "pg",
    "eg": "eg",
    "ethylene glycol": "eg",
    "beet": "beet",
    "beet juice": "beet",
    "beet fluid": "beet",
}
_EXAMPLE: dict[Kind, str] = {
    "cacl2": "cacl2:20% (by mass) or cacl2:3.5lb/gal (flake per gallon of water)",
    "methanol": "methanol:33.6% (by mass)",
    "pg": "pg:50%vol",
    "eg": "eg:50%vol",
}

_NUMBER = r"(?P<number>\d{1,3}(?:[.,]\d{1,4})?)"
_BY = r"(?:by\s*)?(?P<by>vol(?:ume)?|v/v|v|mass|weight|wt|m|w)?"
_PERCENT = re.compile(
    rf"{_NUMBER}\s*%\s*{_BY}|{_NUMBER.replace('number', 'n2')}\s*{_BY.replace('by>', 'b2>')}\s*%", re.I
)


def _beet() -> ShopTable:
    """Beet fluid, until the shop enters its supplier's figures.

    10.7 lb/gal (assumed at 60 F) is common practice and -35 F the trade's freeze point; the expansion of 4e-4 per K
    and the viscosities are assumptions, in the range of thick sugar juices.
    """
    temps = (-37.2, -30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0)
    mpas = (6500.0, 3000.0, 1150.0, 480.0, 220.0, 110.0, 60.0, 36.0, 24.0, 17.0)
    rows = tuple((t, 1282 * math.exp(-4e-4 * (t - BASE_C)), v) for t, v in zip(temps, mpas, strict=True))
    basis = "beet fluid at 10.7 lb/gal; viscosity, expansion and -35 F are assumed: put the supplier's figures in"
    return ShopTable("beet", rows, freeze_c=-37.2, basis=basis)


BEET = _beet()


def read_fluid(text: str, assay: float = FLAKE_ASSAY, shop: Mapping[str, ShopTable] | None = None) -> Fluid:
    """Parse ``NAME[:STRENGTH]``; ``assay`` is the flake's share of CaCl2, ``shop`` has the shop's own fluids.

    A shop's fluid of the same name has priority. :class:`FluidError` for an unknown name, a missing or surplus
    strength, or one outside the tables.
    """
    name, colon, strength = (part.strip() for part in text.partition(":"))
    folded = " ".join(name.casefold().split())
    own = {" ".join(key.casefold().split()): table for key, table in (shop or {}).items()}
    kind = _KINDS.get(folded)
    if folded in own or kind in {"beet", "water"}:
        if colon:
            raise FluidError(f"{text!r}: {name} takes no strength, write {name}")
        if folded in own:
            return from_table(own[folded], "beet" if kind == "beet" else "shop")
        return from_table(BEET, "beet") if kind == "beet" else packaged("water", 0.0, "water")
    if kind is None:
        known = f", or one of the shop's own: {', '.join(own)}" if own else ""
        extra = known or "; any other liquid by its own table in the configuration: [fluids.NAME]"
        raise FluidError(f"{text[:60]!r} is no fluid that can be read: write {_FORMS}{extra}")
    return packaged(kind, _strength(text, kind, strength, assay), f"{kind}:{''.join(strength.split())}")


def _strength(text: str, kind: Kind, strength: str, assay: float) -> float:
    """Strength as a fraction by mass (brine, methanol) or by volume (glycols)."""
    match = _PERCENT.fullmatch(strength)
    if match is None:
        if kind == "cacl2" and strength:
            return _of_flake(text, strength, assay)
        raise FluidError(f"{text!r} needs a strength: write {_EXAMPLE[kind]}")
    by = (match["by"] or match["b2"] or "").casefold()
    volumetric = kind in {"pg", "eg"}
    if volumetric != by.startswith("v"):
        wanted = "volume" if volumetric else "mass"
        raise FluidError(f"{text!r}: the strength of {kind} is by {wanted}, write {_EXAMPLE[kind]}")
    return float((match["number"] or match["n2"]).replace(",", ".")) / 100


def _of_flake(text: str, strength: str, assay: float) -> float:
    """Mass fraction of CaCl2 from flake per volume of water, the water measured at 20 C."""
    if not 0.5 <= assay <= 1:
        raise FluidError(f"a flake assay of {assay:g} cannot be: give its share of CaCl2, such as 0.77")
    try:
        flake = parse(strength, "mass_per_volume")
    except QuantityError as error:
        raise FluidError(f"{text!r}: {error}; or write the mass percent, such as cacl2:20%") from error
    if flake < 0:
        raise FluidError(f"{text!r}: flake cannot be less than nothing, write {_EXAMPLE['cacl2']}")
    return assay * flake / (flake + _water_kg_per_l())


@cache
def _water_kg_per_l() -> float:
    return packaged("water", 0.0, "water").density_kg_m3(20) / 1000
