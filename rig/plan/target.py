"""The answer before the work: a wheel's target volume and mass, the plan for pumping it, and the cautions.

Combines wheel, fluid and strokes. A target is a level at the valve (as in published charts), a true percent of the
cavity, a volume or a mass; the first two are never mixed, because a 12 o'clock valve is at 71 to 85 % by shape.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from rig.caution import Caution
from rig.fluid import Fluid, Mix, Part, mix_of, scaled
from rig.plan.advice import Circumstances, advice, against_liquid
from rig.plan.inflation import Afterwards, Filled, afterwards
from rig.plan.moves import UNDER_OPEN_VALVE
from rig.plan.physics import Line
from rig.plan.pressure_cautions import pressure_cautions
from rig.plan.strokes import AtRest, Foreseen, Method, Window, fixed_procedure, foresee
from rig.sentence import Wording
from rig.wheel import Cavity, ValveType, valve_cautions

_LARGE_BORE_M = 0.008
"""Bore of an air-water valve with its insert out: an assumption, not in any open source."""
_HALF_PERCENT = 0.005


class TargetError(ValueError):
    """An impossible target; the message says what to change."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """The request: at most one of percent, volume and mass; otherwise the level at the valve."""

    valve_at: float = 12.0
    percent: float | None = None
    volume_l: float | None = None
    mass_kg: float | None = None
    existing_l: float = 0.0
    drained_at: float | None = None
    """Clock position of the valve when the old liquid was drawn off: what is below its hole is still inside."""
    start_kpa: float | None = None
    working_kpa: float | None = None
    margin_m: float = 0.0
    """Distance of the level below the valve, so that the pressure gauge remains dry."""
    known: Circumstances = Circumstances()


@dataclass(frozen=True, slots=True)
class Target:
    """The answer. Litres are those that this fill adds to the tyre's content, ``mix`` is all that is inside then."""

    cavity: Cavity
    valve: ValveType
    valve_at: float
    fluid: Fluid
    temp_c: float
    fill_fraction: float
    """Share of the cavity that is liquid when done."""
    target_l: float
    low_l: float
    high_l: float
    existing_l: float
    mix: Mix
    added_kg: float
    """Mass of what this fill adds, at ``fluid_kg_m3``."""
    fluid_kg_m3: float
    start_kpa: float
    window: Window
    foreseen: Foreseen
    cautions: tuple[Caution, ...]
    chart_l: float
    """Volume up to a 12 o'clock valve: the value of published charts."""
    margin_m: float
    published_s: float
    """Time of the published procedure on the same model."""
    large_bore_saves_s: float
    """Time that a large-bore valve would save; 0 where the wheel has one."""
    sealed_start_kpa: float | None
    """Start pressure within the window from which one sealed stroke ends at the working pressure."""
    afterwards: Afterwards
    """Pressures when the job is done."""
    against: tuple[Caution, ...]
    """Reasons for no liquid at all."""
    half_percent_from_l: float | None = None
    """Smallest fill with an uncertainty of 0.5 % with this hose and meter; None: no fill has it, prove the meter."""

    def as_json(self) -> dict[str, object]:
        """A flat document with SI units in the names; gauge pressures."""
        return {
            "size": self.cavity.designation.text,
            "size_as_marked": self.cavity.designation.shown,
            "cavity_l": round(self.cavity.volume_l, 2),
            "cavity_low_l": round(self.cavity.low_l, 2),
            "cavity_high_l": round(self.cavity.high_l, 2),
            "cavity_basis": self.cavity.basis,
            "valve": self.valve.name,
            "valve_at": self.valve_at,
            "fill_fraction": round(self.fill_fraction, 4),
            "target_l": round(self.target_l, 2),
            "target_low_l": round(self.low_l, 2),
            "target_high_l": round(self.high_l, 2),
            "existing_l": round(self.existing_l, 2),
            "fluid": self.fluid.name,
            "fluid_c": round(self.temp_c, 2),
            "holds": [{"fluid": part.name, "litres": _rounded(part.litres)} for part in self.mix.parts[1:]],
            "mix": self.mix.name,
            "mix_unknown": self.mix.unknown or None,
            "mass_kg": _rounded(self.mix.mass_kg),
            "density_kg_m3": _rounded(self.mix.density_kg_m3),
            "freeze_c": _rounded(self.mix.freeze_c),
            "fluid_mass_kg": round(self.added_kg, 2),
            "fluid_density_kg_m3": round(self.fluid_kg_m3, 2),
            "fluid_freeze_c": round(self.fluid.freeze_c, 2),
            "start_kpa": round(self.start_kpa, 2),
            "final_kpa": round(self.foreseen.final_kpa, 2),
            "chart_l": round(self.chart_l, 2),
            "margin_m": round(self.margin_m, 4),
            "working_kpa": _rounded(self.window.working_kpa),
            "sealed_start_kpa": _rounded(self.sealed_start_kpa),
            "published_procedure_minutes": round(self.published_s / 60, 2),
            "large_bore_saves_minutes": round(self.large_bore_saves_s / 60, 2),
            "afterwards": self.afterwards.as_json(),
            "half_percent_from_l": _rounded(self.half_percent_from_l),
            "liquid_advised": not self.against,
            "strokes": self.foreseen.fills,
            "expected_minutes": round(self.foreseen.seconds / 60, 2),
            "plan": [
                {
                    "move": stroke.move,
                    "litres": round(stroke.litres, 2),
                    "from_kpa": round(stroke.from_kpa, 2),
                    "to_kpa": round(stroke.to_kpa, 2),
                    "seconds": round(stroke.seconds, 1),
                }
                for stroke in self.foreseen.strokes
            ],
            "cautions": [
                {"severity": caution.severity, "text": caution.text, "source": caution.source}
                for caution in self.cautions
            ],
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def ceiling_kpa(window: Window, valve: ValveType) -> float:
    """The lower of the rig's ceiling and the valve's rating."""
    return min(window.ceiling_kpa, valve.rating_kpa)


_FOAM = Wording("refused.foam", "the tyre is filled with foam: it has no air space, and no liquid goes in")


def target_for(
    cavity: Cavity,
    valve: ValveType,
    fluid: Fluid,
    temp_c: float,
    wanted: Wanted,
    line: Line,
    window: Window,
    method: Method,
) -> Target:
    """The answer for one wheel.

    Raises :class:`TargetError` for a target that is not above zero or above 90 % of the cavity, and
    :class:`rig.fluid.FluidError` outside the fluid's tables.
    """
    if wanted.known.inside == "foam":
        raise TargetError(_FOAM())
    density = fluid.density_kg_m3(temp_c)
    wanted = _after_drawing(cavity, wanted)
    total_l, share = _total(cavity, wanted, density)
    if valve.stop_order == "gun off, then core back":
        total_l = min(total_l, (cavity.fraction_at_clock(wanted.valve_at) - UNDER_OPEN_VALVE) * cavity.volume_l)
    target_l = total_l - wanted.existing_l
    _check(cavity, target_l, total_l)
    window = replace(window, ceiling_kpa=ceiling_kpa(window, valve), working_kpa=wanted.working_kpa)
    start_kpa = window.floor_kpa if wanted.start_kpa is None else wanted.start_kpa
    line = replace(line, bore_m=valve.bore_m)
    open_l = cavity.fraction_at_clock(wanted.valve_at) * cavity.volume_l - wanted.existing_l
    rest = AtRest(start_kpa, cavity.volume_l - wanted.existing_l, target_l, open_l=open_l)
    foreseen = foresee(line, window, rest, method)
    small = line.bore_m < _LARGE_BORE_M
    large = foresee(replace(line, bore_m=_LARGE_BORE_M), window, rest, method) if small else foreseen
    against = against_liquid(cavity, wanted.known)
    mix = mix_of((Part(target_l, fluid), *_inside(wanted)), temp_c)
    return Target(
        cavity=cavity,
        valve=valve,
        valve_at=wanted.valve_at,
        fluid=fluid,
        temp_c=temp_c,
        fill_fraction=total_l / cavity.volume_l,
        target_l=target_l,
        low_l=target_l if share is None else max(0.0, share * cavity.low_l - wanted.existing_l),
        high_l=target_l if share is None else share * cavity.high_l - wanted.existing_l,
        existing_l=wanted.existing_l,
        mix=mix,
        added_kg=target_l * density / 1000,
        fluid_kg_m3=density,
        start_kpa=start_kpa,
        window=window,
        foreseen=foreseen,
        cautions=(*against, *_cautions(cavity, valve, mix, wanted, foreseen, window, total_l)),
        chart_l=cavity.fraction_at_clock(12) * cavity.volume_l,
        margin_m=wanted.margin_m,
        published_s=fixed_procedure(line, window, rest, method).seconds,
        large_bore_saves_s=max(0.0, foreseen.seconds - large.seconds) if foreseen.reaches_target else 0.0,
        sealed_start_kpa=_sealed_start(line, window, rest),
        afterwards=_afterwards(cavity, mix, total_l, wanted, foreseen.final_kpa, line),
        against=against,
    )


def _afterwards(cavity: Cavity, mix: Mix, total_l: float, wanted: Wanted, final_kpa: float, line: Line) -> Afterwards:
    """Pressures after the job, set at the liquid's temperature to the working pressure, else left as the fill ends."""
    share = total_l / cavity.volume_l
    head_m = max(0.0, cavity.level_of_fraction(share) - cavity.valve_height_m(6))
    set_kpa = final_kpa if wanted.working_kpa is None else wanted.working_kpa
    filled = Filled(share, mix, head_m, line.atmosphere_kpa_abs)
    return afterwards(filled, set_kpa, mix.temp_c, wanted.known.coldest_c)


def _sealed_start(line: Line, window: Window, rest: AtRest) -> float | None:
    """The start pressure from which one sealed stroke ends at the working pressure (Boyle), if the window permits."""
    if window.working_kpa is None or not window.floor_kpa <= window.working_kpa <= window.ceiling_kpa:
        return None
    atmosphere = line.atmosphere_kpa_abs
    start = (window.working_kpa + atmosphere) * (rest.air_l - rest.remaining_l) / rest.air_l - atmosphere
    return start if start >= window.floor_kpa else None


def _total(cavity: Cavity, wanted: Wanted, density_kg_m3: float) -> tuple[float, float | None]:
    """Litres in the tyre when done; also the share of the cavity where the request is a share or a level."""
    given = [value for value in (wanted.percent, wanted.volume_l, wanted.mass_kg) if value is not None]
    if len(given) > 1:
        raise TargetError(
            Wording("refused.targets", "several targets given: choose one of --fill, --volume and --mass")()
        )
    if wanted.volume_l is not None:
        return wanted.existing_l + wanted.volume_l, None
    if wanted.mass_kg is not None:
        return wanted.existing_l + 1000 * wanted.mass_kg / density_kg_m3, None
    if wanted.percent is not None:
        if not 0 < wanted.percent <= 90:
            raise TargetError(
                Wording("refused.percent", "--fill {percent:number} is outside 0 to 90 percent of the cavity")(
                    percent=wanted.percent
                )
            )
        return wanted.percent / 100 * cavity.volume_l, wanted.percent / 100
    share = cavity.fraction_at_level(cavity.valve_height_m(wanted.valve_at) - wanted.margin_m)
    return share * cavity.volume_l, share


def half_percent_from_l(
    litres_per_pulse: float, hose_l: float, uncertainty: float, least_l: float, method: Method
) -> float | None:
    """Smallest fill with an uncertainty of 0.5 %: two pulses, the hose's uncertainty and the meter's own.

    A wet hose is known to 0.2 % of its volume, one that air has passed to 5 % (assumptions). None where the meter's
    own uncertainty uses up the 0.5 %.
    """
    if uncertainty >= _HALF_PERCENT:
        return None
    fixed_l = math.hypot(2 * litres_per_pulse, (0.002 if method == "vent" else 0.05) * hose_l)
    return max(least_l, fixed_l / math.sqrt(_HALF_PERCENT**2 - uncertainty**2))


def _check(cavity: Cavity, target_l: float, total_l: float) -> None:
    if target_l <= 0:
        raise TargetError(
            Wording("refused.nothing_to_add", "nothing to put in: the tyre holds {holds:volume} already")(
                holds=total_l - target_l
            )
        )
    if total_l > 0.9 * cavity.volume_l:
        raise TargetError(
            Wording(
                "refused.brim",
                "{total:volume} is more than 90 % of the cavity ({cavity:volume}): ask for less, or measure the tyre "
                "if it "
                "is larger than its mark says",
            )(total=total_l, cavity=cavity.volume_l)
        )


def _after_drawing(cavity: Cavity, wanted: Wanted) -> Wanted:
    """The request with what stayed inside when the old liquid was drawn off: what is below the valve hole."""
    if wanted.drained_at is None:
        return wanted
    below_l = cavity.fraction_at_clock(wanted.drained_at) * cavity.volume_l
    return replace(wanted, existing_l=min(wanted.existing_l or below_l, below_l))


def _inside(wanted: Wanted) -> tuple[Part, ...]:
    """What is in the wheel already; a person's volume has priority over those of its parts.

    Liquid that the target does not count in, as the book may know it, is there with an unknown volume.
    """
    holds = wanted.known.holds
    return scaled(holds, wanted.existing_l) if wanted.existing_l > 0 else tuple(replace(p, litres=None) for p in holds)


def _cautions(
    cavity: Cavity,
    valve: ValveType,
    mix: Mix,
    wanted: Wanted,
    foreseen: Foreseen,
    window: Window,
    total_l: float,
) -> tuple[Caution, ...]:
    known, fluid = wanted.known, mix.parts[0].fluid
    assert fluid is not None, "what comes has a name"
    found = [
        *mix.cautions(fluid, tubeless=known.tubeless, coldest_c=known.coldest_c),
        *_drawn_first(cavity, mix, wanted, total_l),
        *valve_cautions(
            valve,
            wanted.working_kpa or 0.0,
            filling_pressure_kpa=window.ceiling_kpa,
            chloride=fluid.kind == "cacl2" or known.chloride_history,
            rim_hole_m=known.rim_hole_m,
        ),
        *advice(cavity, fluid, total_l / cavity.volume_l, known, wanted.existing_l),
        *(Caution("note", note, Wording("source.cavity", "see the cavity's basis")()) for note in cavity.notes),
        *pressure_cautions(wanted.start_kpa, wanted.working_kpa, foreseen, window),
    ]
    if mix.temp_c - fluid.freeze_c < 5:
        text = Wording("caution.near_frost", "{temp:temperature} is little above the freeze point, {frost:temperature}")
        found.append(
            Caution(
                "caution",
                text(temp=mix.temp_c, frost=fluid.freeze_c),
                Wording("source.properties", "property table")(),
            )
        )
    return tuple(found)


def _drawn_first(cavity: Cavity, mix: Mix, wanted: Wanted, total_l: float) -> Iterator[Caution]:
    """What drawing the old liquid off would leave: nothing below the valve hole comes out."""
    comes, *inside = mix.parts
    if wanted.existing_l <= 0 or all(part.name == comes.name for part in inside):
        return
    below = cavity.fraction_at_clock(6)
    left_l = min(wanted.existing_l, below * cavity.volume_l)
    held = {"volume": left_l, "percent": round(100 * left_l / cavity.volume_l)}
    if left_l > 0.99 * wanted.existing_l:
        text = Wording(
            "caution.nothing_drawn",
            "the {volume:volume} ({percent:number} % of the cavity) inside stand below the hole of a valve at the "
            "bottom: "
            "drawing off brings nothing out",
        )(**held)
    else:
        after = mix_of((replace(comes, litres=total_l - left_l), *scaled(inside, left_l)), mix.temp_c)
        frost = (
            Wording("caution.frost_not_known", "of a frost point that is not known")()
            if after.freeze_c is None
            else Wording("caution.frost_at", "first ice at {frost:temperature}")(frost=after.freeze_c)
        )
        text = Wording(
            "caution.drawn_first",
            "drawn off with the valve at the bottom, {volume:volume} ({percent:number} % of the cavity) of the old "
            "stay "
            "below its hole: the mix is then {mix}, {frost}",
        )(**held, mix=after.name, frost=frost)
    yield Caution("note", text, Wording("source.rings", "the cavity's rings cut at the valve hole")())
