"""Agreement of wheels: left against right, and identical wheels over a fleet. Pure; knows figures, no book.

Capability: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6: Cpk = min(U − mean, mean − L) / 3 s, with the
sample's standard deviation s. The lower bound is the handbook's: Cpk − z √(1/(9 n) + Cpk²/(2 (n − 1))), 95 % one-sided.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_Z_95 = 1.645
_SIDES = ("left", "right")


@dataclass(frozen=True, slots=True)
class Wheel:
    """One filled wheel: its target and its delivery."""

    number: int
    size: str
    fluid: str
    position: str
    target_l: float
    net_l: float
    machine: str = ""
    estimated: bool = False

    @property
    def side(self) -> str:
        """``left``, ``right``, or empty if its position names neither."""
        words = self.position.lower().split()
        return next((each for each in _SIDES if each in words), "")

    @property
    def error_percent(self) -> float:
        """Error in percent of the target."""
        return 100 * (self.net_l / self.target_l - 1)


@dataclass(frozen=True, slots=True)
class Pair:
    """The two wheels of an axle; ``difference_l`` is left less right."""

    axle: str
    left: Wheel
    right: Wheel

    @property
    def difference_l(self) -> float:
        """Left less right."""
        return self.left.net_l - self.right.net_l

    @property
    def difference_percent(self) -> float:
        """Difference in percent of their mean."""
        return 200 * self.difference_l / (self.left.net_l + self.right.net_l)


@dataclass(frozen=True, slots=True)
class Group:
    """Identical wheels: the same size, liquid and target. Percents are of the target."""

    wheels: tuple[Wheel, ...]
    mean_l: float
    sd_l: float | None
    """None for a single wheel."""
    worst: tuple[Wheel, Wheel]
    """The two furthest apart: the least and the most."""
    cpk: float | None
    """None without spread."""
    cpk_low: float | None
    inside: int
    """Number within the tolerance."""
    tolerance_percent: float

    @property
    def worst_l(self) -> float:
        """Difference between those two."""
        return self.worst[1].net_l - self.worst[0].net_l


def axle_of(position: str) -> str:
    """A position without its side."""
    return " ".join(word for word in position.lower().split() if word not in _SIDES)


def pairs(wheels: Iterable[Wheel]) -> list[Pair]:
    """Left and right of each axle of each machine, the last fill per position; one side alone is no pair."""
    found: dict[tuple[str, str], dict[str, Wheel]] = {}
    for wheel in sorted(wheels, key=lambda each: each.number):
        if wheel.side and wheel.net_l > 0:
            axle = axle_of(wheel.position) or "axle"
            found.setdefault((wheel.machine, axle), {})[wheel.side] = wheel
    return [
        Pair(" ".join(part for part in at if part), sides["left"], sides["right"])
        for at, sides in found.items()
        if len(sides) == 2
    ]


def groups(wheels: Iterable[Wheel], tolerance_percent: float) -> list[Group]:
    """Groups of identical wheels, the largest first."""
    found: dict[tuple[str, str, float], list[Wheel]] = {}
    for wheel in wheels:
        if wheel.target_l > 0:
            found.setdefault((wheel.size, wheel.fluid, round(wheel.target_l, 1)), []).append(wheel)
    made = [_group(each, tolerance_percent) for each in found.values()]
    return sorted(made, key=lambda group: -len(group.wheels))


def _group(wheels: Sequence[Wheel], tolerance_percent: float) -> Group:
    nets = [wheel.net_l for wheel in wheels]
    target_l = wheels[0].target_l
    allowed_l = target_l * tolerance_percent / 100
    mean_l = statistics.fmean(nets)
    sd_l = statistics.stdev(nets) if len(nets) > 1 else None
    found = capability(mean_l, sd_l, target_l - allowed_l, target_l + allowed_l)
    return Group(
        wheels=tuple(wheels),
        mean_l=mean_l,
        sd_l=sd_l,
        worst=(min(wheels, key=lambda wheel: wheel.net_l), max(wheels, key=lambda wheel: wheel.net_l)),
        cpk=found,
        cpk_low=None if found is None else capability_low(found, len(nets)),
        # A wheel on the limit is inside; records are rounded to a thousandth of a litre.
        inside=sum(abs(wheel.net_l - wheel.target_l) <= allowed_l + 5e-4 for wheel in wheels),
        tolerance_percent=tolerance_percent,
    )


def capability(mean: float, sd: float | None, low: float, high: float) -> float | None:
    """Cpk of a process against two limits; None without spread."""
    return None if not sd else min(high - mean, mean - low) / (3 * sd)


def capability_low(cpk: float, count: int) -> float:
    """Lower confidence bound of Cpk, 95 %, for so many pieces."""
    return cpk - _Z_95 * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
