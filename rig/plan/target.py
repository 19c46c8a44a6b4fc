"""How much goes into a wheel, what it weighs, how it is pumped and what to beware of: the answer before the work.

Joins wheel, fluid and strokes. A target is a level at the valve (what published charts give), a true percent of the
cavity, a volume or a mass; the first two are never mixed, because a 12 o'clock valve stands at 71 to 85 % by shape.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.fluid import Fluid
from rig.plan.physics import Line
from rig.plan.strokes import AtRest, Foreseen, Method, Window, foresee
from rig.units import KPA_PER_PSI, show_pressure, show_volume
from rig.wheel import Caution, Cavity, ValveType, valve_cautions

_UNDER_OPEN_VALVE = 0.015
"""Where the gun comes off an open valve the liquid stays this share of the cavity below it."""


class TargetError(ValueError):
    """A target that cannot be: the message says what to change."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for: at most one of percent, volume and mass; otherwise the level at the valve."""

    valve_at: float = 12.0
    percent: float | None = None
    volume_l: float | None = None
    mass_kg: float | None = None
    existing_l: float = 0.0
    start_kpa: float | None = None
    working_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """The answer. Litres and kilograms are what this fill puts in, on top of what the tyre holds already."""

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
    mass_kg: float
    density_kg_m3: float
    start_kpa: float
    window: Window
    foreseen: Foreseen
    cautions: tuple[Caution, ...]

    def as_json(self) -> dict[str, object]:
        """One flat document, SI units in the names, gauge pressures."""
        return {
            "size": self.cavity.designation.text,
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
            "mass_kg": round(self.mass_kg, 2),
            "density_kg_m3": round(self.density_kg_m3, 2),
            "freeze_c": self.fluid.freeze_c,
            "start_kpa": round(self.start_kpa, 2),
            "final_kpa": round(self.foreseen.final_kpa, 2),
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


def ceiling_kpa(window: Window, valve: ValveType) -> float:
    """The least of the rig's ceiling and the valve's rating."""
    return min(window.ceiling_kpa, valve.rating_kpa)


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
    """Answer for one wheel.

    Raises :class:`TargetError` for a target that is not above zero or above 90 % of the cavity, and
    :class:`rig.fluid.FluidError` outside the fluid's tables.
    """
    density = fluid.density_kg_m3(temp_c)
    total_l, share = _total(cavity, wanted, density)
    if valve.stop_order == "gun off, then core back":
        total_l = min(total_l, (cavity.fraction_at_clock(wanted.valve_at) - _UNDER_OPEN_VALVE) * cavity.volume_l)
    target_l = total_l - wanted.existing_l
    _check(cavity, target_l, total_l)
    window = replace(window, ceiling_kpa=ceiling_kpa(window, valve))
    start_kpa = window.floor_kpa if wanted.start_kpa is None else wanted.start_kpa
    rest = AtRest(start_kpa, cavity.volume_l - wanted.existing_l, target_l)
    foreseen = foresee(replace(line, bore_m=valve.bore_m), window, rest, method)
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
        mass_kg=target_l * density / 1000,
        density_kg_m3=density,
        start_kpa=start_kpa,
        window=window,
        foreseen=foreseen,
        cautions=_cautions(cavity, valve, fluid, temp_c, wanted, foreseen, window),
    )


def _total(cavity: Cavity, wanted: Wanted, density_kg_m3: float) -> tuple[float, float | None]:
    """Litres in the tyre when done, and the share of the cavity where that is how they were asked for."""
    given = [value for value in (wanted.percent, wanted.volume_l, wanted.mass_kg) if value is not None]
    if len(given) > 1:
        raise TargetError("several targets given: choose one of --fill, --volume and --mass")
    if wanted.volume_l is not None:
        return wanted.existing_l + wanted.volume_l, None
    if wanted.mass_kg is not None:
        return wanted.existing_l + 1000 * wanted.mass_kg / density_kg_m3, None
    if wanted.percent is not None:
        if not 0 < wanted.percent <= 90:
            raise TargetError(f"--fill {wanted.percent:g} is outside 0 to 90 percent of the cavity")
        return wanted.percent / 100 * cavity.volume_l, wanted.percent / 100
    share = cavity.fraction_at_clock(wanted.valve_at)
    return share * cavity.volume_l, share


def _check(cavity: Cavity, target_l: float, total_l: float) -> None:
    if target_l <= 0:
        raise TargetError(f"nothing to put in: the tyre holds {show_volume(total_l - target_l)} already")
    if total_l > 0.9 * cavity.volume_l:
        raise TargetError(
            f"{show_volume(total_l)} is more than 90 % of the cavity ({show_volume(cavity.volume_l)}): "
            "ask for less, or measure the tyre if it is larger than its mark says"
        )


def _cautions(
    cavity: Cavity,
    valve: ValveType,
    fluid: Fluid,
    temp_c: float,
    wanted: Wanted,
    foreseen: Foreseen,
    window: Window,
) -> tuple[Caution, ...]:
    found = [
        *fluid.cautions(),
        *valve_cautions(
            valve,
            wanted.working_kpa or 0.0,
            filling_pressure_kpa=window.ceiling_kpa,
            chloride=fluid.kind == "cacl2",
        ),
    ]
    found += [Caution("note", note, "see the cavity's basis") for note in cavity.notes]
    if not foreseen.reaches_target:
        found.append(
            Caution("danger", "The plan does not reach the target inside the pressure window.", "the plan's own model")
        )
    if wanted.start_kpa is not None and wanted.start_kpa > 15 * KPA_PER_PSI:
        found.append(Caution("caution", "Let the tyre down below 15 psi first.", "tyre maker's procedure, margin ours"))
    if wanted.working_kpa is not None and foreseen.final_kpa < wanted.working_kpa:
        found.append(
            Caution(
                "note",
                f"Air the tyre up from {show_pressure(foreseen.final_kpa)} to {show_pressure(wanted.working_kpa)} "
                "with the valve at the top.",
                "common practice, no source",
            )
        )
    if temp_c - fluid.freeze_c < 5:
        found.append(
            Caution("caution", f"Only {temp_c - fluid.freeze_c:.0f} degrees above the freeze point.", "property table")
        )
    return tuple(found)
