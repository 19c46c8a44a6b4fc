"""Plausible ranges of the figures that a person enters, each with its source. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from rig.sentence import Sentence, Wording
from rig.units import KPA_PER_PSI, L_PER_GAL, Kind, QuantityError, parse
from rig.wheel import TyreClass
from rig.wheel.bead import BEAD_LIMIT_KPA


@dataclass(frozen=True, slots=True)
class Range:
    """Plausible range of a figure, in the unit of its record, and the reason."""

    low: float
    high: float
    source: Sentence


FARM: tuple[TyreClass, ...] = ("radial drive", "bias drive", "turf")
LARGEST_WHEEL = Range(0.0, 15_000.0, Wording("range.wheel", "the largest tyre, a 59/80R63, holds less by geometry")())
LARGEST_TANK = Range(
    0.0,
    10_000 * L_PER_GAL,
    Wording("range.tank", "a large yard tank takes {most:volume}; common practice, no source")(most=10_000 * L_PER_GAL),
)
FARM_PRESSURE = Range(
    0.0,
    BEAD_LIMIT_KPA,
    Wording("range.farm", "{most:pressure} is the most at which beads of farm tyres are seated")(most=BEAD_LIMIT_KPA),
)
PRESSURE = Range(
    0.0,
    150 * KPA_PER_PSI,
    Wording("range.pressure", "forklift and earthmover tyres run to {most:pressure} at most; common practice")(
        most=145 * KPA_PER_PSI
    ),
)
NUMBER = Range(0.0, 100.0, Wording("range.number", "more than 100 of one item on a job; common practice, no source")())
_GAUGE = Range(
    -101.3,
    PRESSURE.high,
    Wording("range.gauge", "a gauge shows no less than a vacuum, and {most}")(most=PRESSURE.source),
)
_WEATHER = Range(
    -90.0,
    60.0,
    Wording(
        "range.weather",
        "the coldest and warmest weather on record are {least:temperature} and {most:temperature} (WMO)",
    )(least=-89.0, most=57.0),
)
_LIQUID = Range(-60.0, 100.0, Wording("range.liquid", "no ballast liquid is pumped colder or hotter")())
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
        raise QuantityError(
            Wording("refused.range", "--{option} {text} cannot be: {why}")(
                option=option.replace("_", "-"), text=text, why=found.source
            )
        )
    return value
