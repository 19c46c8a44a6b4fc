"""The cavity of a tyre: its volume with bounds and origin, and the level at every valve position.

A cavity comes from a taught or measured wheel of the shop, else from measured wheels of its size, else from a published
value, else from geometry. A published value is the volume up to a 12 o'clock valve, so the cavity is that value divided
by the fraction below such a valve. It must not know liquids, pressures or rigs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Literal

from rig.sentence import Sentence, Wording
from rig.wheel.designation import Designation
from rig.wheel.dimensions import Measured, MeasureError, Outline, outline_of
from rig.wheel.geometry import band_l, section_of, valve_radius_m
from rig.wheel.learned import Learned
from rig.wheel.published import fills_of
from rig.wheel.section import Section

Basis = Literal["taught", "measured", "measured wheels", "table", "geometry"]

UNMEASURED = Measured()


@dataclass(frozen=True, slots=True)
class Cavity:
    """The inner volume of a tyre, litres, with its bounds, and its shape.

    Levels are metres above the axle; clock positions are hours, 12 (or 0) at the top, and a half hour after twelve is
    12.5 or 0.5. Fractions are of the whole cavity, 0 to 1.
    """

    designation: Designation
    volume_l: float
    low_l: float
    high_l: float
    basis: Basis
    notes: tuple[Sentence, ...]
    outline: Outline
    section: Section
    shape_m3: float = field(repr=False)
    valve_radius_m: float

    @property
    def band(self) -> float:
        """Relative uncertainty at 95 %, the mean of both sides."""
        return (self.high_l - self.low_l) / (2 * self.volume_l)

    @property
    def crown_m(self) -> float:
        """Highest level that liquid can reach."""
        return self.section.crown_radius_m

    def fraction_at_level(self, level_m: float) -> float:
        """Fraction of the cavity below a level above the axle (negative: below it)."""
        if abs(level_m) >= self.crown_m:
            return 1.0 if level_m > 0 else 0.0
        above = self.section.volume_above_m3(abs(level_m)) / self.shape_m3
        return 1 - above if level_m >= 0 else above

    def level_of_fraction(self, fraction: float) -> float:
        """Level at which a fraction of the cavity is full; :class:`ValueError` outside 0 to 1."""
        if not 0 <= fraction <= 1:
            raise ValueError(f"a fraction of the cavity lies between 0 and 1, not at {fraction:g}")
        return _root(lambda y: self.fraction_at_level(y) - fraction, -self.crown_m, self.crown_m)

    def valve_height_m(self, hours: float) -> float:
        """Height of the valve hole above the axle with the valve at a clock position."""
        return self.valve_radius_m * math.cos(math.radians(30 * hours))

    def fraction_at_clock(self, hours: float) -> float:
        """Fraction of the cavity below a valve at a clock position."""
        return self.fraction_at_level(self.valve_height_m(hours))

    def clock_of_fraction(self, fraction: float) -> float:
        """Clock position, 12 down to 6 by the right hand side, of a valve at the level of a fraction.

        :class:`ValueError` where no position gives it.
        """
        low, high = self.fraction_at_clock(6), self.fraction_at_clock(12)
        if not low <= fraction <= high:
            raise ValueError(
                f"no valve position gives {100 * fraction:.1f} % in {self.designation.text}: "
                f"choose between {100 * low:.1f} % (valve at 6 o'clock) and {100 * high:.1f} % (12 o'clock)"
            )
        share = max(-1.0, min(1.0, self.level_of_fraction(fraction) / self.valve_radius_m))
        hours = math.degrees(math.acos(share)) / 30
        return hours if hours >= 1 else hours + 12

    def surface_m2(self, level_m: float) -> float:
        """Area of the liquid's surface at a level."""
        return self.section.surface_m2(level_m)


def _root(f: Callable[[float], float], low: float, high: float) -> float:
    """Root of a rising function between two levels, by the Illinois method: the bracket never widens."""
    f_low, f_high = f(low), f(high)
    side = 0
    for _ in range(60):
        if f_high == f_low or high - low < 1e-7:
            break
        at = (low * f_high - high * f_low) / (f_high - f_low)
        here = f(at)
        if abs(here) < 1e-9:
            return at
        if here > 0:
            high, f_high = at, here
            f_low = f_low / 2 if side == 1 else f_low
            side = 1
        else:
            low, f_low = at, here
            f_high = f_high / 2 if side == -1 else f_high
            side = -1
    return (low + high) / 2


TAUGHT_U = 0.02
"""Relative uncertainty at 95 % of a cavity by a reference fill: of the meter and of the level reading."""
# A published value at 95 %: the scatter of a chart's own series and between makers, and rounding to whole gallons, a
# uniform distribution (GUM 4.3.7: half the step / root 3, times 2); the two are independent (GUM 5.1.2). Where two
# sources disagree, the band reaches from one to the other.
_TABLE_U = 0.04
_WHOLE_GALLON_U_L = 3.785 / math.sqrt(3)


@lru_cache(maxsize=4096)
def geometric_cavity(d: Designation, measured: Measured = UNMEASURED) -> Cavity:
    """The cavity by geometry alone, even where there is a published value, to compare the two."""
    outline = outline_of(d, measured)
    section = section_of(d, outline)
    shape_m3 = section.volume_m3()
    volume = 1000 * shape_m3
    low, high = band_l(d, outline, section, volume)
    return Cavity(d, volume, low, high, "geometry", outline.notes, outline, section, shape_m3, valve_radius_m(d))


@lru_cache(maxsize=4096)
def cavity_of(
    d: Designation,
    measured: Measured = UNMEASURED,
    taught_l: float | None = None,
    taught_u_l: float | None = None,
    learned: Learned | None = None,
) -> Cavity:
    """The cavity of a size: taught (``taught_l`` is the whole cavity), else learned, else published, else by geometry.

    With ``taught_u_l``, its uncertainty at 95 %, the strokes of a fill have measured it instead of a reference fill.
    Measured lengths change the geometry; a published or learned value is scaled by the same change.
    :class:`MeasureError` if a length or a taught volume is implausible for this tyre.
    """
    shape = geometric_cavity(d, measured)
    if taught_l is not None:
        return _taught(shape, taught_l, taught_u_l)
    return _with_published(shape) if learned is None else _with_learned(shape, learned)


def _with_learned(shape: Cavity, learned: Learned) -> Cavity:
    """The cavity as measured wheels of its size give it."""
    scale = shape.shape_m3 / geometric_cavity(shape.designation).shape_m3
    litres, low, high = (scale * each for each in (learned.litres, learned.low_l, learned.high_l))
    notes = (
        *shape.notes,
        Wording("note.chart", "measured: {counted} (`rig chart show`)")(counted=learned.counted),
    )
    return replace(shape, volume_l=litres, low_l=low, high_l=high, basis="measured wheels", notes=notes)


def _with_published(shape: Cavity) -> Cavity:
    """The cavity with the published rows of its size; unchanged if there are none."""
    rows = fills_of(shape.designation.text)
    if not rows:
        return shape
    plain = geometric_cavity(shape.designation)
    # A measured tyre differs from the published one as the measurement changes the geometry.
    scale = shape.shape_m3 / plain.shape_m3
    at_valve = plain.fraction_at_clock(12)
    volumes = [scale * row.at_valve_l / at_valve for row in rows if not row.by_weight]
    weights = [scale * row.at_valve_l / at_valve for row in rows if row.by_weight]
    if not volumes:
        note = Wording("note.by_weight", "published by weight only, the band covers it: {title}")(title=rows[0].title)
        low, high = min(shape.low_l, *weights), max(shape.high_l, *weights)
        return replace(shape, low_l=low, high_l=high, notes=(*shape.notes, note))
    rounded_l = scale * _WHOLE_GALLON_U_L / at_valve
    low = min([min(volumes) - math.hypot(_TABLE_U * min(volumes), rounded_l), *weights])
    high = max([max(volumes) + math.hypot(_TABLE_U * max(volumes), rounded_l), *weights])
    notes = (
        *shape.notes,
        Wording("note.published", "published fill of {size}: {title}")(size=rows[0].size, title=rows[0].title),
    )
    if scale != 1:
        notes += (Wording("note.scaled", "scaled by {scale:number} for the measured lengths")(scale=round(scale, 3)),)
    return replace(shape, volume_l=volumes[0], low_l=low, high_l=high, basis="table", notes=notes)


def _taught(shape: Cavity, taught_l: float, taught_u_l: float | None) -> Cavity:
    if not 0.5 < taught_l / shape.volume_l < 2:
        raise MeasureError(
            Wording(
                "size.taught",
                "a cavity of {litres:volume} cannot be a {size} (about {usual:volume}): teach the wheel again",
            )(litres=taught_l, size=shape.designation.text, usual=shape.volume_l)
        )
    if taught_u_l is not None:
        notes = (*shape.notes, Wording("note.measured", "measured by the strokes of a fill of this wheel")())
        low, high = taught_l - taught_u_l, taught_l + taught_u_l
        return replace(shape, volume_l=taught_l, low_l=low, high_l=high, basis="measured", notes=notes)
    notes = (*shape.notes, Wording("note.taught", "taught by a reference fill of this wheel")())
    low, high = taught_l * (1 - TAUGHT_U), taught_l * (1 + TAUGHT_U)
    return replace(shape, volume_l=taught_l, low_l=low, high_l=high, basis="taught", notes=notes)


def liquid_at_valve(cavity: Cavity, hours: float = 12) -> float:
    """Litres in a tyre up to its valve at a clock position."""
    return cavity.volume_l * cavity.fraction_at_clock(hours)


def cavity_l_of_fill(d: Designation, filled_l: float, hours: float = 12, measured: Measured = UNMEASURED) -> float:
    """Whole cavity, litres, by a reference fill: ``filled_l`` until the liquid reached the valve."""
    return filled_l / cavity_of(d, measured).fraction_at_clock(hours)
