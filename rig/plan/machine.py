"""A whole machine: wheels on axles, their total liquid and mass, and the effects of the weight.

Both sides of an axle get the same. It must not know sizes as text, files or screens.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.caution import COMMON_PRACTICE, Caution
from rig.plan.target import Target
from rig.sentence import Wording


@dataclass(frozen=True, slots=True)
class Axle:
    """One kind of wheel on a machine: ``wheels`` equal ones, two or four (duals), all filled alike."""

    name: str
    target: Target
    wheels: int

    @property
    def litres(self) -> float:
        """Liquid for all its wheels."""
        return self.wheels * self.target.target_l

    @property
    def mass_kg(self) -> float:
        """Mass added to the axle; the ground carries it, not the axle's bearings."""
        return self.wheels * self.target.added_kg

    @property
    def seconds(self) -> float:
        """Pumping time, wheel by wheel, without coupling and moving the machine."""
        return self.wheels * self.target.foreseen.seconds


@dataclass(frozen=True, slots=True)
class Pivot:
    """The pin on which the front axle swings: its height, the wheelbase, the centre of gravity before the rear axle."""

    height_m: float
    wheelbase_m: float
    centre_ahead_m: float


@dataclass(frozen=True, slots=True)
class Body:
    """The machine without liquid: mass, track of its rear axle, height of its centre of gravity.

    Without a ``pivot`` no tipping angle is computed: a machine on a swinging front axle stands on three points.
    """

    mass_kg: float
    track_m: float
    height_m: float
    pivot: Pivot | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """The answer for a machine."""

    name: str
    axles: tuple[Axle, ...]
    body: Body | None
    tote_l: float
    price_per_l: float | None

    @property
    def litres(self) -> float:
        """Liquid for the whole machine."""
        return sum(axle.litres for axle in self.axles)

    @property
    def mass_kg(self) -> float:
        """Mass added to the machine."""
        return sum(axle.mass_kg for axle in self.axles)

    @property
    def seconds(self) -> float:
        """Pumping time of all wheels."""
        return sum(axle.seconds for axle in self.axles)

    @property
    def totes(self) -> int:
        """Number of totes to bring, by the usable volume of each."""
        return math.ceil(self.litres / self.tote_l - 1e-9)

    @property
    def price(self) -> float | None:
        """Price of the liquid, in the currency of the price per litre."""
        return None if self.price_per_l is None else self.price_per_l * self.litres

    @property
    def tipping_deg(self) -> tuple[float, float] | None:
        """Static side-slope tipping angles, before and after; None where body or front pivot are not known.

        Rigid and at rest, the machine tips about the line from the lower rear wheel to the pin of the front axle:
        tan(angle) = half the track × (wheelbase - ahead) / (wheelbase × height - its height × ahead). The rear wheels'
        liquid is taken at its own height, level and not sloshing; that of the front wheels rests on the axle below the
        pin and does not hold the body.
        """
        body = self.body
        if body is None or body.pivot is None:
            return None
        rear = [axle for axle in self.axles if not axle.name.casefold().startswith("front")]
        whole_kg = body.mass_kg + sum(axle.mass_kg for axle in rear)
        moment = body.mass_kg * body.height_m + sum(axle.mass_kg * liquid_centre_m(axle.target) for axle in rear)
        ahead_m = body.pivot.centre_ahead_m * body.mass_kg / whole_kg
        return (
            _tips_deg(body.track_m, body.pivot, body.height_m, body.pivot.centre_ahead_m),
            _tips_deg(body.track_m, body.pivot, moment / whole_kg, ahead_m),
        )

    def cautions(self) -> tuple[Caution, ...]:
        """Limits of what the weight does."""
        text = Wording(
            "caution.grip",
            "weight on the rear axle gives grip; it does not unload the front axle under a loader: hang it behind",
        )()
        found = [
            Caution("note", text, Wording("source.beam", "statics of a beam on two axles")()),
            Caution(
                "note",
                Wording("caution.unsprung", "liquid in a tyre is unsprung and cannot be taken off for the road")(),
                COMMON_PRACTICE,
            ),
        ]
        if self.tipping_deg is not None:
            text = Wording(
                "caution.tipping",
                "the tipping angles are for a stiff machine at rest on firm even ground: bumps, holes, turning, "
                "implements and soft tyres tip it far earlier. No slope is safe by this figure",
            )()
            source = Wording("source.statics", "statics; agricultural safety leaflets, from memory")
            found.append(Caution("danger", text, source()))
        return tuple(found)


def _tips_deg(track_m: float, pivot: Pivot, height_m: float, ahead_m: float) -> float:
    """Slope at which the centre of gravity stands over the line from a rear wheel to the front axle's pin."""
    across_m = track_m / 2 * (pivot.wheelbase_m - ahead_m)
    return math.degrees(math.atan2(across_m, pivot.wheelbase_m * height_m - pivot.height_m * ahead_m))


def liquid_centre_m(target: Target) -> float:
    """Height of the liquid's centre above the ground, by slices of equal volume; the wheel unloaded."""
    cavity, slices = target.cavity, 8
    levels = [cavity.level_of_fraction(target.fill_fraction * (step + 0.5) / slices) for step in range(slices)]
    return cavity.outline.diameter_m / 2 + sum(levels) / slices
