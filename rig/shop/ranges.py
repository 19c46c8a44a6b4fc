"""Plausible ranges of the figures that a person enters, each with its source. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from rig.units import KPA_PER_PSI, L_PER_GAL, Kind, QuantityError, parse
from rig.wheel import TyreClass


@dataclass(frozen=True, slots=True)
class Range:
    """Plausible range of a figure, in the unit of its record, and the reason."""

    low: float
    high: float
    source: str


FARM: tuple[TyreClass, ...] = ("radial drive", "bias drive", "turf")
LARGEST_WHEEL = Range(0.0, 15_000.0, "the largest tyre, a 59/80R63, holds less by geometry")
LARGEST_TANK = Range(0.0, 10_000 * L_PER_GAL, "a large yard tank takes 10,000 gal; common practice, no source")
FARM_PRESSURE = Range(0.0, 35 * KPA_PER_PSI, "35 psi is the most at which beads of farm tyres are seated")
PRESSURE = Range(0.0, 150 * KPA_PER_PSI, "forklift and earthmover tyres run to 145 psi at most; common practice")
NUMBER = Range(0.0, 100.0, "more than 100 of one item on a job; common practice, no source")
_GAUGE = Range(-101.3, PRESSURE.high, f"a gauge shows no less than a vacuum, and {PRESSURE.source}")
_WEATHER = Range(-90.0, 60.0, "the coldest and warmest weather on record are -89 and 57 degC (WMO)")
_LIQUID = Range(-60.0, 100.0, "no ballast liquid is pumped colder or hotter")
OF_A_QUESTION: dict[str, Range] = {
    "holds": LARGEST_WHEEL,
    "start_pressure": _GAUGE,
    "working_pressure": PRESSURE,
    "temp": _LIQUID,
    "coldest": _WEATHER,
}
"""By the option of a question about a wheel."""


def parse_within(option: str, text: str, kind: Kind) -> float:
    """Parse an option's quantity; QuantityError, with the reason, if it is implausible."""
    value, found = parse(text, kind), OF_A_QUESTION[option]
    if not found.low <= value <= found.high:
        raise QuantityError(f"--{option.replace('_', '-')} {text} cannot be: {found.source}")
    return value
