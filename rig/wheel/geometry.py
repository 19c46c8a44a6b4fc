"""Inner section by outside lengths: thickness of tread and walls, shape of the crown, position of the valve.

The few constants were fitted to published fill volumes (see tests/wheel/test_fit.py, which limits the error by class);
each is a length or ratio that can be measured on a cut tyre. It must not know size marks beyond their family.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.wheel.designation import Designation, Family
from rig.wheel.dimensions import INCH_M, Outline
from rig.wheel.section import Section

_LUGGED: frozenset[Family] = frozenset({"drive", "metric", "compact", "earthmover"})
_FLAT: frozenset[Family] = frozenset({"implement", "skid", "earthmover", "flotation"})

# Rims under this diameter are one-piece drop-centre wheels: the valve hole is in the flank of the well.
_DROP_CENTRE_IN = 16.3


@dataclass(frozen=True, slots=True)
class Build:
    """Construction constants, metres and ratios; the defaults are the fit.

    The tread is ``lug_m`` or ``rib_m`` plus ``per_width`` of the section width (up to ``widest_m``), limited to a share
    of the section's height.
    """

    lug_m: float = 0.0413
    rib_m: float = 0.0255
    per_width: float = 0.0523
    widest_m: float = 0.75
    lug_share: float = 0.24
    rib_share: float = 0.17
    wall_m: float = 0.0114
    widest_at: float = 0.45
    round_power: float = 2.12
    flat_power: float = 3.17
    valve_below_seat_m: float = 0.015
    well_m: float = 0.0203
    small_well_m: float = 0.0102


FITTED = Build()


def section_of(d: Designation, o: Outline, build: Build = FITTED) -> Section:
    """Inner section of a mounted tyre."""
    full = (o.diameter_m - o.rim_m) / 2
    lugged = d.family in _LUGGED
    tread = (build.lug_m if lugged else build.rib_m) + build.per_width * min(o.section_m, build.widest_m)
    height = full - min(tread, (build.lug_share if lugged else build.rib_share) * full)
    width = o.section_m - 2 * build.wall_m
    flat = d.family in _FLAT or d.low_section
    return Section(
        rim_radius_m=o.rim_m / 2,
        height_m=height,
        width_m=width,
        rim_width_m=min(width, o.rim_width_m - 2 * build.wall_m),
        widest_m=build.widest_at * height,
        crown_power=build.flat_power if flat else build.round_power,
        well_depth_m=build.small_well_m if d.rim_in < 14 else build.well_m,
        well_width_m=0.5 * o.rim_width_m,
    )


def valve_radius_m(d: Designation, build: Build = FITTED) -> float:
    """Distance of the valve hole from the axle."""
    seat = d.rim_in * INCH_M / 2
    return seat - build.valve_below_seat_m if d.rim_in < _DROP_CENTRE_IN else seat


# Relative uncertainty (95 %) of the section itself, with the lengths assumed right, earned by the residuals on
# published volumes of each class beyond their rounding; with the spread of the lengths a drive tyre comes to 4 %, a
# front one to 6 %, an implement to 8 % (tests/wheel/test_bands.py prints coverage and width). Larger where there are
# few published volumes or none: metric, turf, flotation, earthmover, forklift.
_MODEL: dict[Family, float] = {
    "drive": 0.033, "metric": 0.045, "compact": 0.09, "front": 0.045, "implement": 0.06, "skid": 0.055, "turf": 0.09,
    "flotation": 0.09, "earthmover": 0.08, "forklift": 0.10,
}  # fmt: skip
# What the model was compared with is rounded to whole gallons, apart from its own error: nothing is known finer.
_ROUNDING_L = 1.5


def band_l(d: Designation, o: Outline, s: Section, volume_l: float) -> tuple[float, float]:
    """Low and high bound of a cavity by geometry, litres."""
    middle = o.rim_m / 2 + s.height_m / 2
    by_diameter = o.diameter_m / 2 * (1 / s.height_m + 0.5 / middle) * o.diameter_u
    model = _MODEL[d.family]
    if d.family == "drive" and d.width_in > d.rim_in:
        # Wide codes on small rims, such as 18.4-16.1, are lower than by the rule for tractor rims.
        model += 0.06
    relative = math.hypot(model, by_diameter, 0.9 * o.section_u, min(_ROUNDING_L / volume_l, 0.2))
    return volume_l * max(0.5, 1 - relative), volume_l * (1 + relative)
