"""From a size mark to outside lengths: diameter, section width and rim width, with how far they may be off.

Rules and small tables by family, in the manner of the approval regulation for farm tyres (UN R106, annex 5), whose
figures are quoted here from memory, and of makers' data sheets. It must not know cavities, volumes or liquids.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from rig.wheel.designation import Designation

INCH_M = 0.0254

# Numeric drive codes: marked width -> height of section / width, rim width / width. UN R106 annex 5, from memory.
_DRIVE = (
    (8.3, 0.913, 0.843), (9.5, 0.912, 0.842), (11.2, 0.872, 0.893), (12.4, 0.874, 0.887), (13.6, 0.870, 0.882),
    (14.9, 0.866, 0.872), (16.9, 0.844, 0.888), (18.4, 0.846, 0.870), (20.8, 0.824, 0.865), (23.1, 0.805, 0.866),
    (24.5, 0.797, 0.857),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Measured:
    """What a person measured on the wheel, metres; None where nothing was measured."""

    diameter_m: float | None = None
    section_m: float | None = None
    rim_width_m: float | None = None


@dataclass(frozen=True, slots=True)
class Outline:
    """Outside lengths of a mounted tyre, metres, and the relative uncertainty of its volume that they carry."""

    diameter_m: float
    section_m: float
    rim_m: float
    rim_width_m: float
    volume_u: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Marked:
    """Inch lengths that a mark stands for."""

    height: float
    section: float
    rim_width: float


def _drive(d: Designation) -> _Marked:
    w = d.width_in
    if d.low_section:
        return _Marked(0.71 * w, w, 0.87 * w)
    if w == 15.5:
        # Made as a low section of the 16.9 width class: 15.5-38 stands 61.8 in high. From memory.
        return _Marked(0.77 * w, w, 0.90 * w)
    return _Marked(w * _between(_DRIVE, w, 1), w, w * _between(_DRIVE, w, 2))


def _between(table: tuple[tuple[float, ...], ...], at: float, column: int) -> float:
    """Straight line between the rows of a table that is sorted by its first column; its ends are held."""
    k = bisect_left([row[0] for row in table], at)
    if k == 0 or k == len(table):
        return table[min(k, len(table) - 1)][column]
    low, high = table[k - 1], table[k]
    share = (at - low[0]) / (high[0] - low[0])
    return low[column] + share * (high[column] - low[column])


def _metric(d: Designation) -> _Marked:
    aspect = d.aspect if d.aspect is not None else _assumed_aspect(d)
    return _Marked(d.width_in * aspect / 100, d.width_in, d.width_in * (0.86 if aspect >= 78 else 0.82))


def _assumed_aspect(d: Designation) -> float:
    """Common aspect ratios where the mark has none: 70 on small rims, 85 on tractor rims."""
    return 70.0 if d.rim_in <= 24.5 else 85.0


def _two_decimal(d: Designation) -> _Marked:
    w = d.width_in
    ratio = 1.085 if w <= 6.5 else 1.05 if w <= 8.5 else 0.985
    return _Marked(ratio * w, 1.06 * w, 0.74 * w)


def _implement(d: Designation) -> _Marked:
    w = d.width_in
    return _Marked((0.75 if w < 10.5 else 0.71) * w, w, 0.80 * w)


def _compact(d: Designation) -> _Marked:
    return _Marked(0.93 * d.width_in, 1.02 * d.width_in, 0.75 * d.width_in)


def _skid(d: Designation) -> _Marked:
    return _Marked(0.69 * d.width_in, d.width_in, 0.82 * d.width_in)


def _earthmover(d: Designation) -> _Marked:
    w = d.width_in
    wide_base = abs(w - int(w) - 0.5) < 0.01 or abs(w - int(w) - 0.25) < 0.01
    if d.low_section:
        return _Marked(0.72 * w, w, 0.82 * w)
    return _Marked((0.82 if wide_base else 1.05) * w, 1.02 * w, (0.82 if wide_base else 0.70) * w)


def _forklift(d: Designation) -> _Marked:
    return _Marked(1.02 * d.width_in, 1.06 * d.width_in, 0.71 * d.width_in)


def _three_part(d: Designation, diameter_in: float) -> _Marked:
    return _Marked((0.985 * diameter_in - d.rim_in) / 2, 0.97 * d.width_in, 0.82 * d.width_in)


def _marked(d: Designation) -> _Marked:
    if d.diameter_in is not None:
        return _three_part(d, d.diameter_in)
    if d.aspect is not None or d.millimetres:
        return _metric(d)
    rules = {
        "drive": _drive, "compact": _compact, "front": _two_decimal, "implement": _implement, "skid": _skid,
        "earthmover": _earthmover, "forklift": _forklift,
    }  # fmt: skip
    return rules[d.family](d)


def outline_of(d: Designation, measured: Measured) -> Outline:
    """Outside lengths for a size, with measurements in place of the rules where there are some."""
    m = _marked(d)
    notes: tuple[str, ...] = (d.remark,) if d.remark else ()
    volume_u = 0.0
    if d.millimetres and d.aspect is None and measured.diameter_m is None:
        volume_u = 0.18
        notes += (
            f"{d.text} has no aspect ratio: {_assumed_aspect(d):g} assumed; measure the outside diameter to narrow the band",
        )
    diameter = measured.diameter_m or (d.rim_in + 2 * m.height) * INCH_M
    section = measured.section_m or m.section * INCH_M
    rim_width = measured.rim_width_m or m.rim_width * INCH_M
    return Outline(diameter, section, d.rim_in * INCH_M, rim_width, volume_u, notes)
