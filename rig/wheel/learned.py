"""The cavity of a size as learned from wheels that were measured: by size, shop, make and tread, and wheel.

A hierarchical normal model of the logarithm of cavities over the one that is published or modelled. A measurement has
an error of its own, and one in common with all that were made by the air space, as the casing grows under pressure:
that is learned too where wheels were also filled to the valve. For known spreads the model is a tree of normal
distributions, integrated exactly from its leaves (information form; D. Koller and N. Friedman 2009, 14.2, from memory).
The spreads are not known: they are summed over a grid with half-Cauchy priors (A. Gelman 2006, Bayesian Analysis 1,
515, from memory) and what other sizes say of them. It must not know books, nor how a cavity was measured.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

from rig.sentence import Sentence, Wording

_WHEEL_SCALE, _MAKE_SCALE, _SHOP_SCALE = 0.01, 0.015, 0.02
"""Scales of the priors: spread between wheels of a make, makes of a size, shops. Between makers the lengths of 23
published tyres spread a volume by some 1.4 % (see ``dimensions``); the others are assumptions, no source."""
_STEPS = (0.2, 0.4, 0.8, 1.5, 3.0)
_SHOP_STEPS = (0.5, 1.0, 2.0)
"""The grid of each spread, as multiples of its scale, evenly spaced in the logarithm."""
_WIDER = ((1.0, 0.75), (2.0, 0.25))
"""The band of a size may be too narrow: its factors with their prior weights. An assumption, no source."""
_LEAST_SHARE = 0.25
"""Least share of a size's variance that is its own, beside makes and wheels."""
_PROBE = 100.0


@dataclass(frozen=True, slots=True)
class Measurement:
    """The cavity of one wheel: litres, their own uncertainty, and that shared by the method, both at 95 %.

    ``wheel`` and ``make`` (maker and tread) are any names, unique within their shop; a make that is not known is empty.
    The own shop is empty.
    """

    litres: float
    u_l: float
    shared_u_l: float
    wheel: str
    make: str = ""
    shop: str = ""


@dataclass(frozen=True, slots=True)
class Learned:
    """A cavity by measured wheels: the median and the bounds at 95 %, litres, and by how many wheels."""

    litres: float
    low_l: float
    high_l: float
    wheels: int
    of_make: int = 0
    """Of these, the own shop's of the make and tread that was asked for."""

    @property
    def half_l(self) -> float:
        """Half the width of the band."""
        return (self.high_l - self.low_l) / 2

    @property
    def counted(self) -> Sentence:
        """By which wheels, in words."""
        if self.of_make and self.wheels > 1:
            return _OF_MAKE(wheels=self.wheels, of_make=self.of_make)
        return _OF_SIZE(wheels=self.wheels) if self.wheels > 1 else _ONE()


_ONE = Wording("measured.one", "1 wheel of this size")
_OF_SIZE = Wording("measured.of_size", "{wheels:number} wheels of this size")
_OF_MAKE = Wording("measured.of_make", "{wheels:number} wheels of this size, {of_make:number} of this make")


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations, of logarithms: wheels about their make, makes about their shop, shops, the size itself."""

    wheel: float
    make: float
    shop: float
    size: float


class Info(NamedTuple):
    """A normal density of a level's value and the shared error, without its constant: precisions, and what they weigh.

    ``log_z`` is the logarithm of the density of what was integrated out already.
    """

    p_vv: float = 0.0
    p_vs: float = 0.0
    p_ss: float = 0.0
    h_v: float = 0.0
    h_s: float = 0.0
    log_z: float = 0.0

    def widened(self, sd: float) -> Info:
        """The same about the level above, about which the value spreads with a standard deviation."""
        spread = sd * sd
        d = 1 + spread * self.p_vv
        return Info(
            self.p_vv / d,
            self.p_vs / d,
            self.p_ss - spread * self.p_vs**2 / d,
            self.h_v / d,
            self.h_s - spread * self.p_vs * self.h_v / d,
            self.log_z + (spread * self.h_v**2 / d - math.log(d)) / 2,
        )


def seen(value: float, variance: float, shared: float = 0.0) -> Info:
    """A reading of a value: with its own variance, and ``shared`` times the shared error, whose variance is 1."""
    return Info(
        1 / variance,
        shared / variance,
        shared * shared / variance,
        value / variance,
        shared * value / variance,
        -(value * value / variance + math.log(2 * math.pi * variance)) / 2,
    )


def together(infos: Iterable[Info]) -> Info:
    """Independent information about the same value."""
    return Info(*map(sum, zip(Info(), *infos, strict=True)))


Tree = Mapping[str, Mapping[str, Mapping[str, Info]]]
"""Information by shop, make and wheel."""


def tree_of(rows: Iterable[tuple[str, str, str, Info]]) -> dict[str, dict[str, dict[str, Info]]]:
    """Readings of wheels as a tree, from rows of shop, make, wheel and reading."""
    found: defaultdict[str, defaultdict[str, defaultdict[str, list[Info]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(list))
    )
    for shop, make, wheel, info in rows:
        found[shop][make][wheel].append(info)
    return {
        shop: {make: {wheel: together(infos) for wheel, infos in wheels.items()} for make, wheels in makes.items()}
        for shop, makes in found.items()
    }


@dataclass(frozen=True, slots=True)
class Posterior:
    """Logarithm of a wheel's cavity over the size's, as a mixture of normal distributions with their weights."""

    mixed: tuple[tuple[float, NormalDist], ...]

    def quantile(self, share: float) -> float:
        """Quantile by bisection."""
        ends = [normal.mean + side * 10 * normal.stdev for _, normal in self.mixed for side in (-1, 1)]
        total, low, high = sum(weight for weight, _ in self.mixed), min(ends), max(ends)
        for _ in range(50):
            at = (low + high) / 2
            below = sum(weight * normal.cdf(at) for weight, normal in self.mixed) / total
            low, high = (at, high) if below < share else (low, at)
        return (low + high) / 2


@dataclass(frozen=True, slots=True)
class Size:
    """A size and what was measured of it: its published or modelled cavity, and that one's relative band at 95 %."""

    litres: float
    band: float
    measurements: tuple[Measurement, ...]

    def tree(self) -> dict[str, dict[str, dict[str, Info]]]:
        """Its measurements as information."""
        return tree_of(
            (each.shop, *_named(each.make, each.wheel), _info(each, self.litres)) for each in self.measurements
        )


Weights = dict[tuple[float, float], float]
"""Logarithms of weights, by the spreads of wheels and makes as multiples of their scales."""


def spread_weights(sizes: Iterable[Size]) -> Weights:
    """What the own measurements of other sizes say of the spreads of wheels and makes, which all sizes share."""
    whole = dict.fromkeys(itertools.product(_STEPS, _STEPS), 0.0)
    for size in sizes:
        tree: Tree = {shop: makes for shop, makes in size.tree().items() if not shop}
        for wheel, make in whole if tree else ():
            parts = [
                (math.log(weight) + wheel_at(tree, _NO_WHEEL, spreads)[0])
                for spreads, weight in _spreads(size.band, wheel, make, 0.0)
            ]
            whole[wheel, make] += max(parts) + math.log(sum(math.exp(part - max(parts)) for part in parts))
    return whole


def posterior(size: Size, make: str = "", wheel: str = "", weights: Weights | None = None) -> Posterior:
    """What measurements of a size give for one wheel of the own shop; the arguments as in :func:`learned`."""
    tree, found = size.tree(), []
    own = tree.get("", {})
    known = next(((name, wheel) for name, wheels in own.items() if wheel in wheels), None)
    asked = known or _named(make, _NO_WHEEL[1])
    for steps in itertools.product(_STEPS, _STEPS, _SHOP_STEPS if any(tree) else (0.0,)):
        # Half-Cauchy in each, times the spread itself: the grid is even in logarithms.
        prior = sum(math.log(step / (1 + step * step)) for step in steps if step)
        prior += 0.0 if weights is None else weights[steps[0], steps[1]]
        for spreads, weight in _spreads(size.band, *steps):
            evidence, normal = wheel_at(tree, asked, spreads)
            found.append((prior + math.log(weight) + evidence, normal))
    most = max(weight for weight, _ in found)
    return Posterior(tuple((math.exp(weight - most), normal) for weight, normal in found))


def learned(size: Size, make: str = "", wheel: str = "", weights: Weights | None = None) -> Learned | None:
    """The cavity of a wheel of the own shop, from measurements of its size; None without any.

    Without a ``make`` it is that of any make; with a ``wheel`` that is among the measured ones it is that wheel's. The
    ``weights`` are from other sizes: see :func:`spread_weights`.
    """
    if not size.measurements:
        return None
    found = posterior(size, make, wheel, weights)
    low, middle, high = (size.litres * math.exp(found.quantile(share)) for share in (0.025, 0.5, 0.975))
    own = {each.wheel for each in size.measurements if make and not each.shop and each.make == make}
    return Learned(middle, low, high, len({(each.shop, each.wheel) for each in size.measurements}), len(own))


def _named(make: str, wheel: str) -> tuple[str, str]:
    """Keys of make and wheel: wheels of which nobody knows the make are each of a make of their own."""
    return make or f" of {wheel}", wheel


def _info(each: Measurement, size_l: float) -> Info:
    variance = (each.u_l / each.litres / 2) ** 2
    return seen(math.log(each.litres / size_l), variance, each.shared_u_l / each.litres / 2)


_NO_WHEEL = ("", " asked")
"""Keys of make and wheel that no measured one has."""


def _spreads(band: float, wheel: float, make: float, shop: float) -> Iterator[tuple[Spreads, float]]:
    """Spreads at a point of the grid, with weights. What makes and wheels spread is part of the size's band."""
    wheel_sd, make_sd = _WHEEL_SCALE * wheel, _MAKE_SCALE * make
    for factor, weight in _WIDER:
        whole = (factor * band / 2) ** 2
        rest = whole - wheel_sd**2 - make_sd**2
        # Where makes and wheels alone exceed the band, it is too narrow.
        if rest >= _LEAST_SHARE * whole or factor == _WIDER[-1][0]:
            size_sd = math.sqrt(max(rest, _LEAST_SHARE * whole))
            yield Spreads(wheel_sd, make_sd, _SHOP_SCALE * shop, size_sd), weight


def wheel_at(tree: Tree, asked: tuple[str, str], spreads: Spreads) -> tuple[float, NormalDist]:
    """Logarithm of the density of all readings, and the value of one wheel of the own shop, for known spreads.

    The wheel is named by make and wheel. The logarithm is quadratic in a weight on its value: the slope is the mean,
    the bend the variance. The own shop, named by no text, does not spread.
    """

    def of_make(wheels: Mapping[str, Info], but: str | None = None) -> Info:
        return together(info.widened(spreads.wheel) for wheel, info in wheels.items() if wheel != but)

    def of_shop(makes: Mapping[str, Mapping[str, Info]], but: str | None = None) -> Info:
        return together(of_make(wheels).widened(spreads.make) for make, wheels in makes.items() if make != but)

    own = tree.get("", {})
    wheels = own.get(asked[0], {})
    beside_wheel, beside_make = of_make(wheels, asked[1]), of_shop(own, asked[0])
    beside_shop = together(of_shop(makes).widened(spreads.shop) for shop, makes in tree.items() if shop)
    logs = []
    for probe in (-_PROBE, 0.0, _PROBE):
        wheel = together((wheels.get(asked[1], Info()), Info(h_v=probe)))
        make = together((wheel.widened(spreads.wheel), beside_wheel))
        whole = together((make.widened(spreads.make), beside_make, beside_shop)).widened(spreads.size)
        logs.append(whole.log_z + (whole.h_s**2 / (1 + whole.p_ss) - math.log(1 + whole.p_ss)) / 2)
    down, at, up = logs
    return at, NormalDist((up - down) / (2 * _PROBE), math.sqrt(max(up + down - 2 * at, 0.0)) / _PROBE)
