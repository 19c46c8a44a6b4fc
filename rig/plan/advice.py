"""Advice for and against liquid in a wheel: construction, use, present content, cold.

Each line has a severity and a source, or a note that it has none. It must not know pumps, pressures or plans.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from rig.caution import COMMON_PRACTICE, Caution
from rig.fluid import Fluid, Part
from rig.sentence import Wording
from rig.wheel import Cavity

Use = Literal["field", "loader", "turf", "dual", "road", "slope", "front"]
Inside = Literal["nothing", "sealant", "foam", "liquid"]

RADIAL_PERCENT = 40
_BIAS_SHARE = 0.75
_CAREFUL = 0.03
"""Tolerance of the shares: a valve at 4 o'clock gives 35 to 41 % by shape, and the trade calls it 40 %."""
_SMALL_FRONT_IN = 6.7
_RADIALS = Wording("source.radials", "tyre makers quoted in a trade paper; operator's manuals: radials 40 % at most")()
_TWO_AXLES = Wording("source.one_level", "a tractor operator's manual: all tyres of an axle to one level")()
_SPEED = Wording("source.speed", "a tractor operator's manual: 32 km/h (20 mph) with liquid in the tyres")()


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Known facts of the wheel besides its size; None where not inspected."""

    tube: bool | None = None
    chloride_history: bool = False
    """Calcium has been in this wheel before."""
    inside: Inside = "nothing"
    holds: tuple[Part, ...] = ()
    """What is in the wheel already, as far as anybody knows; without volumes in equal shares."""
    coldest_c: float | None = None
    uses: frozenset[Use] = frozenset()
    rim_hole_m: float | None = None

    @property
    def tubeless(self) -> bool | None:
        """The opposite of ``tube``, as :mod:`rig.fluid` needs it."""
        return None if self.tube is None else not self.tube


def against_liquid(cavity: Cavity, known: Circumstances) -> tuple[Caution, ...]:
    """Reasons against any liquid; empty where there are none."""
    return tuple(_against(cavity, known))


def _against(cavity: Cavity, known: Circumstances) -> Iterator[Caution]:
    mark = cavity.designation
    if "turf" in known.uses:
        yield Caution(
            "caution",
            Wording("caution.turf", "a machine for turf alone: the weight marks the lawn; no liquid")(),
            COMMON_PRACTICE,
        )
    if "dual" in known.uses:
        yield Caution(
            "danger",
            Wording(
                "caution.dual", "an outer dual that comes off: filled it crushes who takes it off; fill the inner one"
            )(),
            COMMON_PRACTICE,
        )
    if mark.family == "front" and mark.width_in <= _SMALL_FRONT_IN:
        text = Wording(
            "caution.small_front",
            "a small front tyre takes little weight and steers badly with it: hang weights on the axle instead",
        )()
        yield Caution("caution", text, COMMON_PRACTICE)


def above_radial_share(cavity: Cavity, fraction: float) -> bool:
    """Whether a radial tyre would hold more than many makers advise."""
    return cavity.designation.construction == "radial" and fraction > RADIAL_PERCENT / 100 + _CAREFUL


def advice(
    cavity: Cavity, fluid: Fluid, fraction: float, known: Circumstances, existing_l: float
) -> tuple[Caution, ...]:
    """Further cautions for this fluid in this wheel up to this share of its cavity."""
    return (
        *_build(cavity, fraction),
        *_work(known),
        *_inside(fluid, known, existing_l),
        Caution("note", Wording("caution.one_level", "both wheels of an axle to the same level")(), _TWO_AXLES),
        Caution(
            "note", Wording("caution.speed", "not over 32 km/h (20 mph) on the road with liquid in the tyres")(), _SPEED
        ),
    )


def _build(cavity: Cavity, fraction: float) -> Iterator[Caution]:
    if above_radial_share(cavity, fraction):
        text = Wording(
            "caution.radial",
            "radial tyre at {percent:number} %: 40 % at most is advised (valve at 4 or 8 o'clock), or iron weights: "
            "liquid "
            "stiffens the sidewall and brings power hop",
        )(percent=round(100 * fraction))
        yield Caution("caution", text, _RADIALS)
    elif cavity.designation.construction == "bias" and fraction > _BIAS_SHARE + _CAREFUL:
        text = Wording(
            "caution.bias",
            "{percent:number} % of the cavity: manuals say 75 % at most; a 12 o'clock valve stands higher in this "
            "shape. "
            "--fill 75 gives a true 75 %",
        )(percent=round(100 * fraction))
        source = Wording("source.bias", "tractor operator's manuals: not above 75 % of full capacity")
        yield Caution("note", text, source())


def _work(known: Circumstances) -> Iterator[Caution]:
    if "loader" in known.uses:
        text = Wording(
            "caution.loader",
            "loader: liquid in the rear steadies it, but does not unload the front axle as weight behind the axle does",
        )()
        source = Wording(
            "source.lever", "statics of a beam on two axles; weight on the rear axle line has no lever on the front"
        )
        yield Caution("caution", text, source())
    if "road" in known.uses:
        text = Wording(
            "caution.road",
            "much road work: liquid wears the tyre, drums and holds back the brakes; iron weights can come off",
        )()
        yield Caution("caution", text, COMMON_PRACTICE)
    if "slope" in known.uses:
        yield Caution(
            "note",
            Wording("caution.slope", "side slopes: weight low down helps a little; wider track helps more")(),
            COMMON_PRACTICE,
        )
    if "front" in known.uses:
        text = Wording(
            "caution.front",
            "front tyres: 40 % or 75 % as the machine's book says; steering and axle carry it all the time",
        )()
        yield Caution("caution", text, Wording("source.front", "a tractor operator's manual: front 40 or 75 %")())


def _inside(fluid: Fluid, known: Circumstances, existing_l: float) -> Iterator[Caution]:
    if known.inside == "sealant":
        text = Wording(
            "caution.sealant", "sealant inside: it clots with the liquid, blocks valve and strainer; take it out first"
        )()
        yield Caution("danger", text, COMMON_PRACTICE)
    if (existing_l > 0 or known.inside == "liquid") and all(part.fluid is None for part in known.holds):
        text = Wording(
            "caution.nameless",
            "liquid inside that nobody has named: find out what it is first (--holds-fluid), weigh a sample",
        )()
        yield Caution("danger", text, COMMON_PRACTICE)
    if known.tube and known.chloride_history:
        text = Wording(
            "caution.old_tube",
            "a tube with old calcium: stem and rim may be eaten through; look before pressure goes in, take a new tube",
        )()
        source = Wording("source.owners", "owners' reports; a tyre maker's bulletin on liquid-filled tyres")
        yield Caution("caution", text, source())
    elif known.chloride_history and fluid.kind != "cacl2":
        yield Caution(
            "caution",
            Wording("caution.calcium_history", "calcium has been in this wheel: rinse the rim, new valve parts")(),
            COMMON_PRACTICE,
        )
    if known.inside == "nothing" and existing_l <= 0:
        text = Wording("caution.find_out", "find out first: sealant, foam, old calcium, or is it loaded already?")()
        yield Caution("note", text, COMMON_PRACTICE)
