"""What a chart that learns is worth: error and coverage of its cavities by the count of measured wheels; made-up books.

Fifty trucks, each with an error of its meter and its gauge, measure new wheels of a size whose true cavity lies off the
published or modelled one. A casing grows under pressure, the same for all wheels of its size; air follows a
polytropic exponent of its fill. Spans as the controller assumes them, drawn evenly. The gas law here is this module's
own.
"""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain
from statistics import NormalDist

from rig.control.belief.airspace import Rise, found_in
from rig.units import KPA_PER_PSI
from rig.wheel import cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.learned import Measurement, Posterior, Size, Weights, posterior, spread_weights

COUNTS = (0, 1, 2, 3, 5, 10)
"""Wheels measured before the one that is asked for."""
_TRUCKS, _MAKES = 50, 3
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


@dataclass(slots=True)
class _Drawn:
    """One size of a book: what is true of it, and what was measured so far."""

    litres: float
    band: float
    size_l: float
    makes: dict[str, float]
    growth_per_kpa: float
    measured: list[Measurement] = field(default_factory=list)

    @property
    def size(self) -> Size:
        return Size(self.litres, self.band, tuple(self.measured))

    def wheel(self, rng: random.Random, wheel_sd: float) -> tuple[str, float]:
        """A new wheel: its make and its true cavity."""
        make = rng.choice(list(self.makes))
        return make, self.size_l * math.exp(self.makes[make] + rng.gauss(0.0, wheel_sd))


@dataclass(frozen=True, slots=True)
class World:
    """What is true: spread of sizes, makes and wheels about the published or modelled cavities (1 s)."""

    spread: float = 0.05
    make_sd: float = 0.01
    wheel_sd: float = 0.007
    level_share: float = 0.5
    """Share of the fills that went on to the valve."""

    sizes: int = 20
    """Of one book."""

    def drawn(self, rng: random.Random) -> list[_Drawn]:
        """The sizes of one book."""
        known = [
            cavity for cavity in (cavity_of(read_size(each)) for each in KNOWN_SIZES) if cavity.volume_l >= _LEAST_L
        ]
        own = math.sqrt(max(self.spread**2 - self.make_sd**2 - self.wheel_sd**2, 0.0))
        return [
            _Drawn(
                cavity.volume_l,
                cavity.band,
                cavity.volume_l * math.exp(rng.gauss(0.0, own)),
                {f"make {number}": rng.gauss(0.0, self.make_sd) for number in range(_MAKES)},
                rng.uniform(0.0, 0.003) / KPA_PER_PSI,
            )
            for cavity in rng.sample(known, self.sizes)
        ]


def outcomes(rng: random.Random, world: World, counts: Sequence[int] = COUNTS) -> list[list[Outcome]]:
    """One book: for each count of measured wheels of every size, the answers for one more wheel of each size."""
    drawn = world.drawn(rng)
    trucks = [_Truck(1 + rng.gauss(0.0, _METER_SD)) for _ in range(_TRUCKS)]
    found = []
    for count in range(max(counts) + 1):
        if count in counts:
            own = [spread_weights([each.size]) for each in drawn]
            whole = {at: sum(each[at] for each in own) for at in own[0]}
            found.append(
                [
                    _judged(each, *each.wheel(rng, world.wheel_sd), {at: whole[at] - weights[at] for at in whole})
                    for each, weights in zip(drawn, own, strict=True)
                ]
            )
        for each in drawn:
            make, truth_l = each.wheel(rng, world.wheel_sd)
            truck = rng.choice(trucks)
            reads = [_by_air(rng, truth_l, each.growth_per_kpa, truck)]
            if rng.random() < world.level_share:
                reads.append(_by_level(rng, truth_l, truck))
            each.measured += [Measurement(*read, wheel=f"wheel {count}", make=make) for read in reads]
    return found


def _judged(drawn: _Drawn, make: str, truth_l: float, weights: Weights) -> Outcome:
    # Nothing measured: the band of the size itself.
    known = Posterior(((1.0, NormalDist(0.0, drawn.band / 2)),))
    found = posterior(drawn.size, make, weights=weights) if drawn.measured else known
    value = math.log(truth_l / drawn.litres)
    low, high = found.quantile(0.025), found.quantile(0.975)
    return Outcome(
        error=abs(drawn.litres * math.exp(found.quantile(0.5)) / truth_l - 1),
        in_90=found.quantile(0.05) <= value <= found.quantile(0.95),
        in_95=low <= value <= high,
        half_width=(high - low) / 2,
    )


def curve(books: int, seed: int, world: World, counts: Sequence[int] = COUNTS) -> list[Row]:
    """The learning curve over the sizes of so many books."""
    found = [outcomes(random.Random(f"{seed}/{number}"), world, counts) for number in range(books)]
    by_count = zip(*found, strict=True)
    return [_row(count, chain.from_iterable(each)) for count, each in zip(counts, by_count, strict=True)]


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


def chart_curve(books: int, seed: int, spread: float, say: Callable[[str], None], sizes: int = 20) -> None:
    """Print the learning curve for wheels measured by the air space, at the valve, and both."""
    say(f"books {books}, trucks of each {_TRUCKS}, sizes of each {sizes}, true spread {100 * spread:g} % (1 s)")
    for name, share in (
        ("air space alone", 0.0),
        ("half of them to the valve as well", 0.5),
        ("all of them to the valve as well", 1.0),
    ):
        say(f"{name}\n  wheels  median error  90th pct  in 90 %  in 95 %  half width")
        for row in curve(books, seed, World(spread, level_share=share, sizes=sizes)):
            errors = f"{100 * row.median_error:10.2f} %  {100 * row.p90_error:6.2f} %"
            held = f"{100 * row.in_90:5.1f} %  {100 * row.in_95:5.1f} %"
            say(f"  {row.wheels:6}  {errors}  {held}  {100 * row.half_width:7.2f} %")
