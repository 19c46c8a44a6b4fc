"""The liquid inside a wheel when several have gone in: amounts by mass of what is dissolved, not by volume.

One kind, or one kind with water, makes a mix whose figures are known. Different kinds, or a liquid that nobody has
named, make one whose frost point is not known, and say so. It must not know tyres, rigs or records.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rig.caution import Caution
from rig.fluid.cautions import mix_cautions
from rig.fluid.errors import FluidError
from rig.fluid.fluids import BY_VOLUME, Fluid, packaged, volume_share
from rig.sentence import Sentence, Wording
from rig.units import parse

UNKNOWN = "unknown"
"""The name of a liquid that nobody has named."""
_LAYERS_KG_M3 = 5.0
"""Liquids that differ by less are not said to lie in layers. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Part:
    """One liquid in a wheel; ``fluid`` is None where nobody has named it, ``litres`` where nobody has measured it."""

    litres: float | None
    fluid: Fluid | None

    @property
    def name(self) -> str:
        """The liquid's name."""
        return UNKNOWN if self.fluid is None else self.fluid.name

    def density_kg_m3(self, temp_c: float) -> float | None:
        """Density at the temperature nearest to ``temp_c`` at which it is liquid; None where it is not named."""
        return None if self.fluid is None else self.fluid.density_kg_m3(self.fluid.liquid_c(temp_c))

    def mass_kg(self, temp_c: float) -> float | None:
        """Its mass; None where volume or liquid is not known."""
        density = self.density_kg_m3(temp_c)
        return None if density is None or self.litres is None else self.litres * density / 1000


@dataclass(frozen=True, slots=True)
class Mix:
    """What a wheel holds. ``fluid`` is the mix as one liquid; None where it is not known: ``unknown`` says why.

    The liquids keep their metered volumes: what shrinks in mixing (0.2 % with strong brine) is left out of them, not of
    the density.
    """

    parts: tuple[Part, ...]
    temp_c: float
    fluid: Fluid | None
    unknown: Sentence | None = None

    @property
    def name(self) -> str:
        """The mix as one liquid, or its parts."""
        return " + ".join(dict.fromkeys(part.name for part in self.parts)) if self.fluid is None else self.fluid.name

    @property
    def mass_kg(self) -> float | None:
        """Mass of all parts; None where one of them is not known."""
        masses = [part.mass_kg(self.temp_c) for part in self.parts]
        return None if None in masses else sum(mass for mass in masses if mass is not None)

    @property
    def litres(self) -> float | None:
        """Volume of all parts as they went in; None where one of them is not known."""
        volumes = [part.litres for part in self.parts]
        return None if None in volumes else sum(volume for volume in volumes if volume is not None)

    @property
    def density_kg_m3(self) -> float | None:
        """Density of the mix at the temperature nearest to the liquid's at which it has figures."""
        if self.fluid is not None:
            return self.fluid.density_kg_m3(self.fluid.liquid_c(self.temp_c))
        mass_kg, litres = self.mass_kg, self.litres
        return None if mass_kg is None or not litres else 1000 * mass_kg / litres

    @property
    def freeze_c(self) -> float | None:
        """Where the first ice (or salt) of the mix crystallises; None where it is not known."""
        return None if self.fluid is None else self.fluid.freeze_c

    @property
    def on_top(self) -> Part | None:
        """The lightest part, which lies on top until the wheel has turned; None where there are no layers."""
        found = [(density, part) for part in self.parts if (density := part.density_kg_m3(self.temp_c)) is not None]
        if len(found) < 2:
            return None
        (least, part), (most, _) = min(found, key=lambda each: each[0]), max(found, key=lambda each: each[0])
        return part if most - least > _LAYERS_KG_M3 else None

    def cautions(
        self, comes: Fluid, *, tubeless: bool | None = None, coldest_c: float | None = None
    ) -> tuple[Caution, ...]:
        """Cautions for what ``comes``, for what it goes on, and for the mix on the coldest day."""
        return mix_cautions(self, comes, tubeless=tubeless, coldest_c=coldest_c)


def mix_of(parts: Sequence[Part], temp_c: float) -> Mix:
    """The mix of liquids at a temperature; :class:`FluidError` for volumes below zero, or without any liquid."""
    if any(part.litres is not None and not part.litres >= 0 for part in parts):
        raise FluidError(
            Wording("liquid.below_zero", "a volume in a mix is below zero: check what the wheel is said to hold")()
        )
    found = tuple(part for part in parts if part.litres != 0)
    if not found:
        raise FluidError(Wording("liquid.none", "a mix needs a liquid")())
    for part in found:
        if part.fluid is None:
            words = (
                Wording("mix.nameless", "nobody knows what is inside: weigh a sample")()
                if part.litres is None
                else Wording("mix.nameless_volume", "nobody knows what {volume:volume} of it are: weigh a sample")(
                    volume=part.litres
                )
            )
            return Mix(found, temp_c, None, words)
    fluids = [part.fluid for part in found if part.fluid is not None]
    if len({fluid.name for fluid in fluids}) == 1:
        return Mix(found, temp_c, fluids[0])
    kinds = {fluid.kind for fluid in fluids} - {"water"}
    if len(kinds) > 1 or kinds & {"beet", "shop"}:
        names = " + ".join(dict.fromkeys(fluid.name for fluid in fluids))
        return Mix(found, temp_c, None, Wording("mix.not_known", "{names} make no mix that is known")(names=names))
    if any(part.litres is None for part in found):
        unmeasured = next(part.name for part in found if part.litres is None)
        words = Wording("mix.unmeasured", "how much {fluid} is inside is not known")(fluid=unmeasured)
        return Mix(found, temp_c, None, words)
    return Mix(found, temp_c, _dissolved(found, temp_c))


def _dissolved(parts: Sequence[Part], temp_c: float) -> Fluid:
    """One kind and water: the share of what is dissolved in the mass of all."""
    fluids = [part.fluid for part in parts if part.fluid is not None]
    strongest = max(fluids, key=lambda fluid: fluid.solute_share)
    masses = [part.mass_kg(temp_c) or 0.0 for part in parts]
    share = sum(fluid.solute_share * mass for fluid, mass in zip(fluids, masses, strict=True)) / sum(masses)
    if strongest.strength is None:
        return strongest
    kind, by_volume = strongest.kind, strongest.kind in BY_VOLUME
    strength = min(volume_share(kind, share) if by_volume else share, strongest.strength)
    return packaged(kind, strength, f"{kind}:{100 * strength:.1f}%{'vol' if by_volume else ''}")


def scaled(parts: Sequence[Part], litres: float) -> tuple[Part, ...]:
    """The same content in ``litres``; without volumes in equal shares; of no parts, a liquid that nobody named."""
    if not parts:
        return (Part(litres, None),)
    shares = [1.0 if part.litres is None else part.litres for part in parts]
    whole = sum(shares) or 1.0
    return tuple(replace(part, litres=litres * share / whole) for part, share in zip(parts, shares, strict=True))


_AMOUNT = re.compile(r"\s*(?P<volume>[\d.,]+\s*[A-Za-z]+)\s+(?P<name>\S.*)")


def read_content(text: str, read: Callable[[str], Fluid]) -> tuple[Part, ...]:
    """What a wheel holds: ``water``, or with volumes ``20 gal water + 180 L cacl2:20%``; or ``unknown``.

    Raises what ``read`` and a volume raise.
    """
    return tuple(Part(litres, None if name == UNKNOWN else read(name)) for litres, name in content_names(text))


def content_names(text: str) -> tuple[tuple[float | None, str], ...]:
    """Litres, where there are any, and name of each liquid of a content; none of an empty text."""
    return tuple(_named(each) for each in re.split(r"\s\+\s", text) if each.strip())


def _named(text: str) -> tuple[float | None, str]:
    match = _AMOUNT.fullmatch(text)
    name = (text if match is None else match["name"]).strip()
    return (
        None if match is None else parse(match["volume"], "volume"),
        UNKNOWN if name.casefold() == UNKNOWN else name,
    )
