"""What a tyre holds: the cavity's volume with its band and where it comes from, and the level at every valve position.

A cavity comes from a wheel that the shop has taught, else from a published value, else from geometry. A published
value is the volume that stands at a 12 o'clock valve, so the cavity is that value over the fraction below such a
valve. It must not know liquids, pressures or rigs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from rig.wheel.designation import Designation, Family
from rig.wheel.dimensions import INCH_M, Measured, Outline, outline_of
from rig.wheel.published import fills_of
from rig.wheel.section import Section

Basis = Literal["taught", "table", "geometry"]

UNMEASURED = Measured()

_LUG: frozenset[Family] = frozenset({"drive", "metric", "compact", "earthmover"})
_FLAT: frozenset[Family] = frozenset({"implement", "skid", "earthmover", "flotation"})


@dataclass(frozen=True, slots=True)
class Cavity:
    """The inner volume of a tyre, litres, with an honest band, and its shape.

    Levels are metres above the axle; clock positions are hours, 12 (or 0) at the top, and a half hour after twelve is
    12.5 or 0.5. Fractions are of the whole cavity, 0 to 1.
    """

    designation: Designation
    volume_l: float
    low_l: float
    high_l: float
    basis: Basis
    notes: tuple[str, ...]
    outline: Outline
    section: Section
    shape_m3: float = field(repr=False)
    valve_radius_m: float

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
        """Fraction of the cavity that stands below a valve at a clock position."""
        return self.fraction_at_level(self.valve_height_m(hours))

    def clock_of_fraction(self, fraction: float) -> float:
        """Clock position, 12 down to 6 by the right hand side, of a valve at which a fraction stands.

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
    """Root of a rising function between two levels, by the Illinois rule: a bracket that never widens."""
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


def _section(d: Designation, o: Outline) -> Section:
    """Inner section from outside lengths: tread and carcass at the crown, walls at the side."""
    full = (o.diameter_m - o.rim_m) / 2
    lug = d.family in _LUG
    crown = (1.415 if lug else 1.074) * INCH_M + 0.063 * o.section_m
    height = full - (crown if lug else min(crown, 0.20 * full))
    width = o.section_m - 0.90 * INCH_M
    return Section(
        rim_radius_m=o.rim_m / 2,
        height_m=height,
        width_m=width,
        rim_width_m=min(width, o.rim_width_m - 0.90 * INCH_M),
        widest_m=0.45 * height,
        crown_power=3.25 if d.family in _FLAT else 2.0,
        well_depth_m=(0.4 if d.rim_in < 14 else 0.8) * INCH_M,
        well_width_m=0.5 * o.rim_width_m,
    )


# Relative half width of the band around geometry.
_BAND = 0.10
_TAUGHT_BAND = 0.01
_TABLE_BAND = 0.05


@lru_cache(maxsize=4096)
def cavity_of(d: Designation, measured: Measured = UNMEASURED, taught_l: float | None = None) -> Cavity:
    """The cavity of a size: taught (``taught_l`` is the whole cavity), else published, else by geometry."""
    outline = outline_of(d, measured)
    section = _section(d, outline)
    geometric_m3 = section.volume_m3()
    by_shape = Cavity(d, 0.0, 0.0, 0.0, "geometry", (), outline, section, geometric_m3, outline.rim_m / 2)
    at_top = by_shape.fraction_at_clock(12)
    geometric_l = 1000 * geometric_m3
    rows = fills_of(d.text) if measured == UNMEASURED else ()
    notes = outline.notes
    basis: Basis
    if taught_l is not None:
        basis, volume, low, high = (
            "taught",
            taught_l,
            taught_l * (1 - _TAUGHT_BAND),
            taught_l * (1 + _TAUGHT_BAND),
        )
    elif rows:
        values = [row.at_valve_l / at_top for row in rows]
        basis, volume = "table", values[0]
        low, high = min(values) * (1 - _TABLE_BAND), max(values) * (1 + _TABLE_BAND)
        notes = (*notes, f"published: {rows[0].title}")
    else:
        band = _BAND + outline.volume_u
        basis, volume, low, high = "geometry", geometric_l, geometric_l * (1 - band), geometric_l * (1 + band)
    return Cavity(d, volume, low, high, basis, notes, outline, section, geometric_m3, outline.rim_m / 2)


def liquid_at_valve(cavity: Cavity, hours: float = 12) -> float:
    """Litres that stand in a tyre up to its valve at a clock position."""
    return cavity.volume_l * cavity.fraction_at_clock(hours)


def cavity_l_of_fill(
    d: Designation, filled_l: float, hours: float = 12, measured: Measured = UNMEASURED
) -> float:
    """Whole cavity, litres, of a wheel that took ``filled_l`` until the liquid stood at the valve: a reference fill."""
    return filled_l / cavity_of(d, measured, 1.0).fraction_at_clock(hours)
