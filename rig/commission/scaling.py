"""Which register follows a quantity that a person knows, how its number is written, and its scale. Pure.

Every reading that is steady at each known value and lies on a straight line through all of them is a candidate; another
known value parts those that two values leave.
"""

from __future__ import annotations

import statistics
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from rig.commission.wires import Film, Place, View, as_low_word, narrow, wide

_LEAST_MOVE = 4
"""Raw steps below which a register has not followed."""
_STEADY = 0.1
"""Share of the whole move that a number may waver by while the quantity is constant."""
_STRAIGHT = 0.03
"""Share of the whole move that a middle value may lie off the line: a person's own gauge is no better."""
_PLAUSIBLE = (1e-9, 1e8)
"""Size of a float that a module shows; other bit patterns are no float. Assumed, no source."""
_SIGNED_END, _END = 0x8000, 0x10000
_RUNS_THROUGH = 0x4000
"""Range of the low word of a number whose high word moves."""


@dataclass(frozen=True, slots=True)
class Level:
    """A known value, and what the wires showed while it was held."""

    value: float
    film: Film


@dataclass(frozen=True, slots=True)
class Fit:
    """A reading that follows: raw numbers at the known values, and how they waver."""

    view: View
    raws: tuple[float, ...]
    values: tuple[float, ...]
    deviation: float
    """Standard deviation of single readings while the quantity is constant, raw."""
    step: float
    """The smallest step seen, raw."""

    @property
    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Raw number and value at the lowest and the highest known value."""
        pairs = sorted(zip(self.values, self.raws, strict=True))
        (low, raw_low), (high, raw_high) = pairs[0], pairs[-1]
        return (raw_low, low), (raw_high, high)

    @property
    def scale(self) -> float:
        """The value of one raw step."""
        (raw_low, low), (raw_high, high) = self.ends
        return (high - low) / (raw_high - raw_low)

    def __str__(self) -> str:
        """How it is read, for a person who chooses by a manual."""
        return str(self.view)

    def raw_at(self, value: float) -> float:
        """The raw number at another value, on the straight line."""
        (raw_low, low), _ = self.ends
        return raw_low + (value - low) / self.scale


def fits_of(levels: Sequence[Level], taken: Collection[Place] = (), *, rising: bool = False) -> list[Fit]:
    """The readings that fit all known values; ``rising``: the number grows with the value.

    At least two levels with different values.
    """
    places = [place for place in _followed(levels) if place not in taken]
    views = [view for place in places for view in _views(place, set(places), levels)]
    found = [fit for view in views if (fit := _fit(view, levels)) is not None and not (rising and fit.scale < 0)]
    return _without_shadows(found, _range([shot for level in levels for shot in level.film]))


def _range(film: Film) -> dict[Place, int]:
    """How far each register's content ranged in a film."""
    words: dict[Place, list[int]] = {}
    for shot in film:
        for place, word in shot.words.items():
            words.setdefault(place, []).append(word)
    return {place: max(each) - min(each) for place, each in words.items()}


def _followed(levels: Sequence[Level]) -> list[Place]:
    """Registers whose content differs between two levels."""
    seen: dict[Place, list[set[int]]] = {}
    for level in levels:
        words: dict[Place, set[int]] = {}
        for shot in level.film:
            for place, word in shot.words.items():
                if not place.is_bit:
                    words.setdefault(place, set()).add(word)
        for place, each in words.items():
            seen.setdefault(place, []).append(each)
    return sorted(place for place, sets in seen.items() if any(each.isdisjoint(sets[0]) for each in sets[1:]))


def _views(place: Place, followed: Collection[Place], levels: Sequence[Level]) -> list[View]:
    """Readings that cover a register that followed: alone, or with a neighbour that answers."""
    answers = levels[0].film[-1].words if levels[0].film else {}
    views = [*narrow(place, "i16"), *narrow(place, "u16")]
    if place.next() in answers:
        views += wide(place, "i32", "f32")
    # The neighbour before it belongs to the readings of that one, unless it did not change.
    if place.next(-1) in answers and place.next(-1) not in followed:
        views += wide(place.next(-1), "i32", "f32")
    return views


def _fit(view: View, levels: Sequence[Level]) -> Fit | None:
    series = [view.series(level.film) for level in levels]
    if not all(series) or (view.type == "f32" and not all(_plausible(n) for each in series for n in each)):
        return None
    raws = [statistics.median(each) for each in series]
    values = [level.value for level in levels]
    deviations = [statistics.pstdev(each) for each in series]
    steps = {round(abs(n - m), 9) for each in series for m, n in pairwise(each)} - {0.0}
    least = 0.0 if view.type == "f32" else 1.0
    fit = Fit(view, tuple(raws), tuple(values), max(deviations), min(steps, default=least))
    (raw_low, low), (raw_high, high) = fit.ends
    whole, waver = abs(raw_high - raw_low), max(max(each) - min(each) for each in series)
    if high == low or whole < (_LEAST_MOVE if view.type != "f32" else 1e-9) or waver > _STEADY * whole:
        return None
    off = max(abs(raw - fit.raw_at(value)) for raw, value in zip(raws, values, strict=True))
    return fit if off <= _STRAIGHT * whole + waver else None


def _plausible(number: float) -> bool:
    return number == 0 or _PLAUSIBLE[0] < abs(number) < _PLAUSIBLE[1]


def _without_shadows(fits: Sequence[Fit], moved: Mapping[Place, int]) -> list[Fit]:
    """Without readings that another one makes superfluous."""
    alone = {fit.view.place for fit in fits if len(fit.view.places) == 1}
    pairs = [fit for fit in fits if len(fit.view.places) > 1 and _is_whole(fit.view, alone, moved)]
    # Beside a number that runs through both registers, one of half of it and a register that is constant is its shadow.
    full = {place for pair in pairs if min(map(moved.__getitem__, pair.view.places)) > _RUNS_THROUGH
            for place in pair.view.places}  # fmt: skip
    pairs = [
        pair for pair in pairs if all(map(moved.__getitem__, pair.view.places)) or full.isdisjoint(pair.view.places)
    ]
    halves = {place for pair in pairs for place in pair.view.places}
    signed = {(fit.view.place, fit.view.order): fit for fit in fits if fit.view.type == "i16"}
    singles = []
    for fit in fits:
        if len(fit.view.places) == 1 and fit.view.place not in halves:
            same = signed.get((fit.view.place, fit.view.order))
            singles += [fit] if fit.view.type == "i16" or same is None or same.raws != fit.raws else []
    return [*singles, *pairs]


def _is_whole(view: View, alone: Collection[Place], moved: Mapping[Place, int]) -> bool:
    """Whether two registers are one number: neither fits alone, or the one that does not runs through all words.

    Where both fit alone they are two numbers side by side; where the other hardly moves, it is another matter.
    """
    others = [place for place in view.places if place not in alone]
    return bool(others) and (len(others) > 1 or moved[others[0]] > _RUNS_THROUGH)


def below_zero(fit: Fit, film: Film) -> Fit | None:
    """An unsigned fit as the number that it is when the quantity falls below zero; None where it is none.

    It stops at zero, or it is the lower half of a number with a sign.
    """
    numbers = fit.view.series(film)
    if not numbers or min(numbers[-2:]) < _SIGNED_END:
        return fit
    for _, view in as_low_word(fit.view, "i32"):
        number = view.of(film[-1].words)
        if number is not None and -_SIGNED_END < number < 0:
            return replace(fit, view=view)
    return None


def reaching(fit: Fit, top: float) -> Fit | None:
    """The fit as a number that can show ``top``: unsigned where it must be; None where its registers cannot."""
    raw = max(fit.raw_at(top), *fit.raws)
    if len(fit.view.places) > 1 or raw < _SIGNED_END:
        return fit
    plain = min(fit.raws) >= 0 and raw < _END
    return replace(fit, view=replace(fit.view, type="u16")) if plain else None
