"""Outside lengths by size mark: diameter, section width and rim width, with their uncertainties.

Rules by family after the approval regulation for farm tyres (UN R106, annex 5) and makers' data sheets; figures
without a named sheet are from memory. It must not know cavities, volumes or liquids.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

from rig.wheel.designation import Designation, Family, SizeError

INCH_M = 0.0254

_Table = tuple[tuple[float, float], ...]

# Marked width (inches) -> height of the section over its width. UN R106 annex 5, from memory.
_DRIVE: _Table = (
    (8.3, 0.913), (9.5, 0.912), (11.2, 0.872), (12.4, 0.874), (13.6, 0.870), (14.9, 0.866), (16.9, 0.844),
    (18.4, 0.846), (20.8, 0.824), (23.1, 0.805), (24.5, 0.797),
)  # fmt: skip
_DRIVE_RIM: _Table = ((8.3, 0.843), (9.5, 0.842), (11.2, 0.890), (13.6, 0.882), (16.9, 0.880), (24.5, 0.860))
# Low-section drive and industrial codes, and low-section implement codes; the latter are taller on 16.1 in rims.
_DRIVE_LOW: _Table = ((17.5, 0.710), (19.5, 0.711), (21.0, 0.721), (28.0, 0.672), (30.5, 0.650))
_IMPLEMENT: _Table = (
    (7.5, 0.830), (8.5, 0.785), (9.5, 0.750), (11.0, 0.710), (12.5, 0.700), (14.0, 0.775), (16.5, 0.755),
    (19.0, 0.720), (21.5, 0.695), (27.0, 0.660),
)  # fmt: skip
# Steps, not slopes: the series were defined separately.
_TWO_DECIMAL: _Table = ((6.5, 1.085), (6.51, 1.05), (8.5, 1.05), (8.51, 0.985))
_COMPACT: _Table = ((5.0, 1.10), (6.0, 1.10), (7.0, 1.035), (8.0, 1.02), (10.0, 1.00))

# Relative uncertainty (about two standard deviations) of diameter and section width by the rules. Not fitted: from the
# spread of 23 published dimensions (MAXAM MS502, Mitas SK-05, Antego ATW-009/010/017 sheets) and between makers.
_SPREAD: dict[Family, tuple[float, float]] = {
    "drive": (0.012, 0.03), "metric": (0.018, 0.04), "compact": (0.035, 0.05), "front": (0.020, 0.04),
    "implement": (0.025, 0.04), "skid": (0.025, 0.04), "turf": (0.025, 0.04), "flotation": (0.025, 0.04),
    "earthmover": (0.035, 0.04), "forklift": (0.030, 0.05),
}  # fmt: skip
_TAPE = (0.004, 0.010)

# A mark without aspect ratio: 70 on small rims and 85 on tractor rims are common, with this uncertainty.
_UNMARKED_SPREAD = 12.0


@dataclass(frozen=True, slots=True)
class Measured:
    """A person's measurements of the wheel, metres; None where not measured."""

    diameter_m: float | None = None
    section_m: float | None = None
    rim_width_m: float | None = None


@dataclass(frozen=True, slots=True)
class Outline:
    """Outside lengths of a mounted tyre, metres, with the relative uncertainties of diameter and section width."""

    diameter_m: float
    section_m: float
    rim_m: float
    rim_width_m: float
    diameter_u: float
    section_u: float
    notes: tuple[str, ...] = ()


class MeasureError(SizeError):
    """A measurement that is implausible for this tyre; the message says what is expected."""


@dataclass(frozen=True, slots=True)
class _Marked:
    """Lengths of a mark, inches: section height, section width, rim width."""

    height: float
    section: float
    rim_width: float


def _between(table: _Table, at: float) -> float:
    """Linear interpolation in a rising table; the end values are held."""
    k = bisect_left([row[0] for row in table], at)
    if k == 0 or k == len(table):
        return table[min(k, len(table) - 1)][1]
    (x0, y0), (x1, y1) = table[k - 1], table[k]
    return y0 + (at - x0) / (x1 - x0) * (y1 - y0)


def _drive(d: Designation) -> _Marked:
    w = d.width_in
    if d.low_section:
        return _Marked(w * _between(_DRIVE_LOW, w), w, 0.87 * w)
    if w == 15.5:
        # A low section: 15.5-38 is 61.8 in high. From memory.
        return _Marked(0.77 * w, w, 0.90 * w)
    return _Marked(w * _between(_DRIVE, w), w, w * _between(_DRIVE_RIM, w))


def assumed_aspect(d: Designation) -> float:
    """The aspect ratio of a metric mark; a common one is assumed where the mark has none."""
    if d.aspect is not None:
        return d.aspect
    return 70.0 if d.rim_in <= 24.5 else 85.0


def _metric(d: Designation) -> _Marked:
    aspect = assumed_aspect(d)
    return _Marked(d.width_in * aspect / 100, d.width_in, d.width_in * (0.86 if aspect >= 78 else 0.82))


def _front(d: Designation) -> _Marked:
    w = d.width_in
    return _Marked(w * _between(_TWO_DECIMAL, w), 1.06 * w, 0.74 * w)


def _implement(d: Designation) -> _Marked:
    w = d.width_in
    if not d.low_section:
        # Lorry sizes on wagons, such as 11R22.5.
        return _Marked(0.86 * w, w, 0.74 * w)
    return _Marked(w * _between(_IMPLEMENT, w), w, 0.79 * w)


def _compact(d: Designation) -> _Marked:
    w = d.width_in
    return _Marked(w * _between(_COMPACT, w), 1.05 * w, 0.75 * w)


def _skid(d: Designation) -> _Marked:
    return _Marked(0.69 * d.width_in, d.width_in, 0.82 * d.width_in)


def _earthmover(d: Designation) -> _Marked:
    w = d.width_in
    if d.low_section:
        return _Marked(0.72 * w, w, 0.82 * w)
    if d.wide_base:
        return _Marked(0.825 * w, 1.01 * w, 0.82 * w)
    return _Marked(1.06 * w, 1.05 * w, 0.71 * w)


def _forklift(d: Designation) -> _Marked:
    return _Marked(1.02 * d.width_in, 1.06 * d.width_in, 0.71 * d.width_in)


def _three_part(d: Designation, diameter_in: float) -> _Marked:
    """Three-part marks: turf tyres from 20 in up are smaller than marked, wide ones narrower (Antego ATW-010)."""
    w = d.width_in
    if d.family != "turf":
        return _Marked((0.985 * diameter_in - d.rim_in) / 2, 0.97 * w, 0.82 * w)
    tall = (0.99 if diameter_in < 20 else 0.97) * diameter_in
    return _Marked((tall - d.rim_in) / 2, w if w <= 8.5 else 0.96 * w, 0.78 * w)


_RULES = {
    "drive": _drive, "compact": _compact, "front": _front, "implement": _implement, "skid": _skid,
    "earthmover": _earthmover, "forklift": _forklift,
}  # fmt: skip


def _marked(d: Designation) -> _Marked:
    if d.diameter_in is not None:
        return _three_part(d, d.diameter_in)
    if d.aspect is not None or d.millimetres:
        return _metric(d)
    return _RULES[d.family](d)


def outline_of(d: Designation, measured: Measured) -> Outline:
    """Outside lengths for a size, by measurement where there is one, else by rule (:class:`MeasureError`)."""
    m = _marked(d)
    diameter_m = (d.rim_in + 2 * m.height) * INCH_M
    diameter_u, section_u = _SPREAD[d.family]
    notes = [d.remark] if d.remark else []
    if d.millimetres and d.aspect is None and measured.diameter_m is None:
        diameter_u = 2 * d.width_in * _UNMARKED_SPREAD / 100 * INCH_M / diameter_m
        notes.append(f"{d.text} has no aspect ratio, {assumed_aspect(d):g} is assumed: measure the outside diameter")
    return Outline(
        diameter_m=_taken(d, "outside diameter", measured.diameter_m, diameter_m, 0.15),
        section_m=_taken(d, "section width", measured.section_m, m.section * INCH_M, 0.25),
        rim_m=d.rim_in * INCH_M,
        rim_width_m=_taken(d, "rim width", measured.rim_width_m, m.rim_width * INCH_M, 0.45),
        diameter_u=diameter_u if measured.diameter_m is None else _TAPE[0],
        section_u=section_u if measured.section_m is None else _TAPE[1],
        notes=tuple(notes),
    )


def _taken(d: Designation, what: str, measured_m: float | None, rule_m: float, reach: float) -> float:
    """The measured length, else the rule's; plausibility check: a far one is another tyre's or in another unit."""
    if measured_m is None:
        return rule_m
    if not abs(measured_m / rule_m - 1) <= reach:
        raise MeasureError(f"a {what} of {measured_m:.3f} m cannot be a {d.text} (about {rule_m:.3f} m): check both")
    return measured_m
