"""A picture of the wheel seen from the side: the liquid's level, the valve and its clock position.

Drawn with characters for a terminal, or as SVG text for a file. It must not know how a target is computed.
"""

from __future__ import annotations

import math
from html import escape

from rig.plan.target import Target
from rig.units import show_volume

_WIDE, _HIGH = 44, 21
"""Size of the drawing in characters; a character is about twice as high as wide."""
_SVG = 320


def _level_m(target: Target) -> float:
    return target.cavity.level_of_fraction(min(target.fill_fraction, 1.0))


def _valve_at(target: Target) -> tuple[float, float]:
    """Position of the valve hole relative to the axle, right and up, metres."""
    angle = math.radians(30 * target.valve_at)
    radius = target.cavity.valve_radius_m
    return radius * math.sin(angle), radius * math.cos(angle)


def drawing(target: Target) -> str:
    """The wheel in characters: tyre ``O``, air blank, liquid ``~``, rim ``#``, valve ``V``."""
    cavity, level = target.cavity, _level_m(target)
    outer, crown, rim = cavity.outline.diameter_m / 2, cavity.crown_m, cavity.section.rim_radius_m
    valve_x, valve_y = _valve_at(target)

    def at(column: int, row: int) -> str:
        x = outer * (2 * (column + 0.5) / _WIDE - 1)
        y = outer * (1 - 2 * (row + 0.5) / _HIGH)
        near_x, near_y = abs(x - valve_x) <= outer / _WIDE, abs(y - valve_y) <= outer / _HIGH
        if near_x and near_y:
            return "V"
        radius = math.hypot(x, y)
        if radius > outer:
            return " "
        if radius > crown:
            return "O"
        if radius < rim:
            return "#" if radius > rim - 2.2 * outer / _HIGH else " "
        return "~" if y <= level else " "

    rows = ["".join(at(column, row) for column in range(_WIDE)).rstrip() for row in range(_HIGH)]
    return "\n".join([*rows, f"V valve at {target.valve_at:g} o'clock   ~ liquid   O tyre   # rim"])


def svg(target: Target) -> str:
    """The wheel as one SVG document, to scale."""
    cavity, level = target.cavity, _level_m(target)
    outer, crown, rim = cavity.outline.diameter_m / 2, cavity.crown_m, cavity.section.rim_radius_m
    scale, middle = 0.46 * _SVG / outer, _SVG / 2
    valve_x, valve_y = _valve_at(target)
    top = middle - scale * level
    words = escape(
        f"{cavity.designation.shown}: {show_volume(target.target_l)} of {target.fluid.name}, "
        f"valve at {target.valve_at:g} o'clock"
    )

    def circle(radius_m: float, style: str) -> str:
        return f'<circle cx="{middle:.1f}" cy="{middle:.1f}" r="{scale * radius_m:.1f}" {style}/>'

    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_SVG} {_SVG + 30}" role="img">',
        f"<title>{words}</title>",
        f'<clipPath id="air"><rect x="0" y="{top:.1f}" width="{_SVG}" height="{_SVG}"/></clipPath>',
        circle(outer, 'fill="#333"'),
        circle(crown, 'fill="#fff"'),
        circle(crown, 'fill="#4a90c2" clip-path="url(#air)"'),
        circle(rim, 'fill="#c9c9c9" stroke="#666"'),
        f'<line x1="0" y1="{top:.1f}" x2="{_SVG}" y2="{top:.1f}" stroke="#1b4f72" stroke-dasharray="4 3"/>',
        f'<circle cx="{middle + scale * valve_x:.1f}" cy="{middle - scale * valve_y:.1f}" r="6" fill="#d35400"/>',
        f'<text x="{middle:.0f}" y="{_SVG + 20}" font-size="11" text-anchor="middle">{words}</text>',
        "</svg>",
    ])  # fmt: skip
