"""What a chart that learns is worth: error and coverage of its targets by the count of measured wheels. Made-up shops.

Fifty trucks, each with an error of its meter and its gauge, measure new wheels of a size whose true cavity lies off the
published or modelled one. A casing grows under pressure, the same for all wheels of its size; air follows a
polytropic exponent of its fill. Spans as the controller assumes them, drawn evenly. The gas law here is this module's
own.
"""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from statistics import NormalDist

from rig.control.airspace import Rise, found_in
from rig.units import KPA_PER_PSI
from rig.wheel import cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.learned import Measurement, Posterior, posterior

COUNTS = (0, 1, 2, 3, 5, 10)
"""Wheels measured before the one that is asked for."""
_TRUCKS, _MAKES = 50, 3
_MAKE_SD, _WHEEL_SD = 0.01, 0.007
"""Of makes about their size, of wheels about their make: assumptions, no source."""
_METER_SD, _GAUGE_SD_KPA = 0.0015, 0.5
"""Of a truck's meter, and of its gauge at each rest."""
_LEVEL_U = 0.02
"""Of a reading of the level at the valve, at 95 %."""
_ATMOSPHERE, _START_KPA, _END_KPA = 101.3, 34.5, 120.0
_LEAST_L = 30.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One answer of the chart: its error, whether the truth lay in its intervals, and their half width; relative."""

    error: float
    in_90: bool
    in_95: bool
    half_width: float


@dataclass(frozen=True, slots=True)
class Row:
    """The answers after one count of measured wheels: medians and shares."""

    wheels: int
    median_error: float
    p90_error: float
    in_90: float
    in_95: float
    half_width: float


@dataclass(frozen=True, slots=True)
class _Truck:
    meter: float
    """True litres per metered litre."""


def _rest_kpa(cavity_l: float, litres: float, growth_per_kpa: float, exponent: float) -> float:
    """Gauge pressure after so much liquid was pushed into a sealed tyre, by fixed-point iteration."""
    start, kpa = _START_KPA + _ATMOSPHERE, _START_KPA
    room_l = cavity_l * (1 + growth_per_kpa * _START_KPA)
    for _ in range(60):
        left_l = cavity_l * (1 + growth_per_kpa * kpa) - litres
        kpa = start * (room_l / left_l) ** exponent - _ATMOSPHERE
    return kpa


def _by_air(rng: random.Random, cavity_l: float, growth_per_kpa: float, truck: _Truck) -> tuple[float, float, float]:
    """A cavity measured by the air space: litres, own and shared uncertainty."""
    litres = cavity_l * (1 - (_START_KPA + _ATMOSPHERE) / (_END_KPA + _ATMOSPHERE))
    kpa = _rest_kpa(cavity_l, litres, growth_per_kpa, rng.uniform(1.0, 1.1))
    shown = [each + rng.gauss(0.0, _GAUGE_SD_KPA) for each in (_START_KPA, kpa)]
    found = found_in(
        Rise(_ATMOSPHERE, shown[0], 0.0, shown[1], litres / truck.meter, put_in_u=0.005, gauge_u_kpa=2 * _GAUGE_SD_KPA)
    )
    assert found is not None, "the rise is long enough"
    return found.cavity_l, 2 * found.single_l, 2 * found.common_l


def _by_level(rng: random.Random, cavity_l: float, truck: _Truck) -> tuple[float, float, float]:
    litres = cavity_l * (1 + rng.gauss(0.0, _LEVEL_U / 2)) / truck.meter
    return litres, _LEVEL_U * litres, 0.0


def outcomes(rng: random.Random, spread: float, level_share: float) -> list[Outcome]:
    """One size: the answers after each count of measured wheels, for one more wheel of one of its makes."""
    size = rng.choice([each for each in KNOWN_SIZES if cavity_of(read_size(each)).volume_l >= _LEAST_L])
    cavity = cavity_of(read_size(size))
    band = max(cavity.high_l / cavity.volume_l - 1, 1 - cavity.low_l / cavity.volume_l)
    trucks = [_Truck(1 + rng.gauss(0.0, _METER_SD)) for _ in range(_TRUCKS)]
    own = math.sqrt(max(spread**2 - _MAKE_SD**2 - _WHEEL_SD**2, 0.0))
    size_l = cavity.volume_l * math.exp(rng.gauss(0.0, own))
    makes = {f"make {number}": rng.gauss(0.0, _MAKE_SD) for number in range(_MAKES)}
    growth_per_kpa = rng.uniform(0.0, 0.003) / KPA_PER_PSI

    def wheel() -> tuple[str, float]:
        make = rng.choice(list(makes))
        return make, size_l * math.exp(makes[make] + rng.gauss(0.0, _WHEEL_SD))

    measured: list[Measurement] = []
    found = []
    for count in range(max(COUNTS) + 1):
        if count in COUNTS:
            make, truth_l = wheel()
            found.append(_judged(truth_l, cavity.volume_l, band, measured, make))
        make, truth_l = wheel()
        truck = rng.choice(trucks)
        reads = [_by_air(rng, truth_l, growth_per_kpa, truck)]
        if rng.random() < level_share:
            reads.append(_by_level(rng, truth_l, truck))
        measured += [Measurement(*read, wheel=f"wheel {count}", make=make) for read in reads]
    return found


def _judged(truth_l: float, size_l: float, band: float, measured: list[Measurement], make: str) -> Outcome:
    # Nothing measured: the band of the size itself.
    known = Posterior(((1.0, NormalDist(0.0, band / 2)),))
    found = posterior(size_l, band, measured, make) if measured else known
    value = math.log(truth_l / size_l)
    low, high = found.quantile(0.025), found.quantile(0.975)
    return Outcome(
        error=abs(size_l * math.exp(found.quantile(0.5)) / truth_l - 1),
        in_90=found.quantile(0.05) <= value <= found.quantile(0.95),
        in_95=low <= value <= high,
        half_width=(high - low) / 2,
    )


def curve(sizes: int, seed: int, spread: float, level_share: float) -> list[Row]:
    """The learning curve over so many sizes."""
    found = [outcomes(random.Random(f"{seed}/{number}"), spread, level_share) for number in range(sizes)]
    return [_row(count, each) for count, each in zip(COUNTS, zip(*found, strict=True), strict=True)]


def _row(count: int, found: Iterable[Outcome]) -> Row:
    all_found = list(found)
    errors = sorted(each.error for each in all_found)
    return Row(
        wheels=count,
        median_error=statistics.median(errors),
        p90_error=errors[int(0.9 * len(errors))],
        in_90=statistics.fmean(each.in_90 for each in all_found),
        in_95=statistics.fmean(each.in_95 for each in all_found),
        half_width=statistics.median(each.half_width for each in all_found),
    )


def chart_curve(sizes: int, seed: int, spread: float, say: Callable[[str], None]) -> None:
    """Print the learning curve for wheels measured by the air space, at the valve, and both."""
    say(f"{sizes} sizes, {_TRUCKS} trucks, true spread {100 * spread:g} % (1 s) about the published or modelled cavity")
    for name, share in (
        ("air space alone", 0.0),
        ("half of them to the valve as well", 0.5),
        ("all of them to the valve as well", 1.0),
    ):
        say(f"{name}\n  wheels  median error  90th pct  in 90 %  in 95 %  half width")
        for row in curve(sizes, seed, spread, share):
            errors = f"{100 * row.median_error:10.2f} %  {100 * row.p90_error:6.2f} %"
            held = f"{100 * row.in_90:5.1f} %  {100 * row.in_95:5.1f} %"
            say(f"  {row.wheels:6}  {errors}  {held}  {100 * row.half_width:7.2f} %")
