"""Configuration table of the tank of air for the look before a fill, and its mistakes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pydantic import Field

from rig.field.points import Instrument, Seconds, Strict
from rig.run.names import AIR_VALVE, TANK_PRESSURE
from rig.run.quantities import Pressure, Volume
from rig.sentence import Sentence, Wording
from rig.units import KPA_PER_PSI

PLATE_SHARE = 0.01
"""Uncertainty of a tank's volume by its plate at 95 %, as a share: an assumption, no source."""
ONLY_LOOKS = frozenset({TANK_PRESSURE})
"""Points that no fill needs: one that is not read holds nothing up."""


class AirTankTable(Strict):
    """The tank of air at the gun, for a look at the wheel before the first drop."""

    volume: Volume = Field(gt=0)
    """With its hose up to the air valve; best by weighing it empty and full of water."""
    volume_u: Volume | None = Field(default=None, gt=0)
    """Uncertainty of the volume at 95 %; by default 1 % of it, as of a plate (an assumption)."""
    rating: Pressure = Field(gt=0)
    """Pressure that stands on its plate. Above it nothing is opened."""
    open_longest: Seconds = Field(default=180.0, gt=0, le=600)
    """Longest time that the valve is open."""

    @property
    def u_l(self) -> float:
        """Uncertainty of the volume at 95 %, litres."""
        return PLATE_SHARE * self.volume if self.volume_u is None else self.volume_u


_NO_TABLE = Wording(
    "config.no_air_tank", "points.{name}: there is no [air_tank]; write its volume and rating, or leave it out"
)
_NO_GAUGE = Wording("config.no_tank_gauge", "points.tank_pressure: missing; the look reads the tank's gauge")
_NO_ACCURACY = Wording(
    "config.no_tank_accuracy",
    "points.tank_pressure.accuracy: missing; the room is known no better than by this gauge. Write its data sheet's, "
    'for example "0.5 %"',
)
_LOW_RATING = Wording(
    "config.tank_rating", "air_tank.rating: hardly above limits.arrival; no air would go over into the tyre"
)


def air_tank_faults(
    table: AirTankTable | None, points: Mapping[str, Instrument], limit_kpa: float
) -> Iterator[Sentence]:
    """A sentence for each mistake between the table and the points."""
    if table is None:
        yield from (_NO_TABLE(name=name) for name in (AIR_VALVE, TANK_PRESSURE) if name in points)
        return
    if TANK_PRESSURE not in points:
        yield _NO_GAUGE()
    elif points[TANK_PRESSURE].u is None:
        yield _NO_ACCURACY()
    if table.rating < limit_kpa + KPA_PER_PSI:
        yield _LOW_RATING()
