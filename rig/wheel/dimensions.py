"""Outside lengths by size mark: diameter, section width and rim width, with their uncertainties.

Lengths are facts where a regulation, a standard or a maker's sheet lists the size (dimensions.csv, each row with its
source and whether it is from memory). A width that is listed on another rim has the section of that row; one that is
not listed lies between its neighbours of the series. It must not know cavities, volumes or liquids.
"""

from __future__ import annotations

import csv
from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from statistics import fmean

from rig.sentence import Sentence, Wording
from rig.wheel.designation import Designation, Family, SizeError

INCH_M = 0.0254

# Metric radials of high section stand over their mark by so much of the section height: series 80 to 90 in a maker's
# catalogue (tests/wheel/read_diameters.csv).
_GROWN, _GROWS_FROM = 1.005, 78.0

# Relative uncertainty (two standard deviations) of diameter and section width of one tyre against the table, as it goes
# into the band of its cavity: by 23 published dimensions (MAXAM MS502, Mitas SK-05, Antego ATW-009/010/017 sheets), the
# rest by residuals of volumes (see geometry). Diameters that makers state scatter more, 0.7 % of standard deviation for
# drive tyres (tests/wheel/test_dimensions.py); how much of that is rubber on the crown, and no room, nobody says, and
# bands with all of it hold no more of the published volumes. Of compact tyres the two sources are 4.6 % apart.
_SPREAD: dict[Family, tuple[float, float]] = {
    "drive": (0.006, 0.018), "metric": (0.012, 0.030), "compact": (0.05, 0.04), "front": (0.009, 0.025),
    "implement": (0.012, 0.03), "skid": (0.015, 0.03), "turf": (0.025, 0.04), "flotation": (0.025, 0.04),
    "earthmover": (0.025, 0.03), "forklift": (0.022, 0.04),
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
    notes: tuple[Sentence, ...] = ()


class MeasureError(SizeError):
    """A measurement that is implausible for this tyre; the message says what is expected."""


@dataclass(frozen=True, slots=True)
class _Marked:
    """Lengths of a mark, inches: section height, section width, rim width."""

    height: float
    section: float
    rim_width: float


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the table of dimensions: its series, marked width and lengths."""

    series: tuple[object, ...]
    width_in: float
    lengths: _Marked


def _row(row: dict[str, str]) -> _Row:
    size, width, rim = row["size"], float(row["width_in"]), float(row["rim_in"])
    height = (float(row["diameter_mm"]) / 1000 / INCH_M - rim) / 2
    lengths = _Marked(height, float(row["section_mm"]) / 1000 / INCH_M, float(row["rim_width_in"]))
    return _Row(_series(row["family"], "L" in size, width), width, lengths)


def _series(family: str, low_section: bool, width_in: float) -> tuple[object, ...]:
    """What marks of one rule have in common; earthmovers of the wide-base series are marked 17.5, 20.5, 33.25."""
    return family, low_section, family == "earthmover" and width_in % 1 != 0


@cache
def _table() -> dict[str, _Row]:
    """The table of dimensions, in millimetres there, by size mark."""
    text = files("rig.wheel").joinpath("dimensions.csv").read_text(encoding="utf-8")
    return {row["size"]: _row(row) for row in csv.DictReader(text.splitlines())}


def _between(table: list[tuple[float, float]], at: float) -> float:
    """Linear interpolation in a rising table; the end values are held."""
    k = bisect_left(table, (at,))
    if k == 0 or k == len(table):
        return table[min(k, len(table) - 1)][1]
    (x0, y0), (x1, y1) = table[k - 1], table[k]
    return y0 + (at - x0) / (x1 - x0) * (y1 - y0)


def _rows_of_series(d: Designation) -> list[_Row]:
    series = _series(d.family, d.low_section, d.width_in)
    return [row for size, row in _table().items() if row.series == series and not set("/x") & set(size)]


def _by_width(d: Designation) -> _Marked:
    """The section of the same width on another rim, else between the next widths of the series."""
    rows = _rows_of_series(d) or [row for row in _table().values() if row.series[0] == d.family]
    same = [row for row in rows if row.width_in == d.width_in] or rows
    width = d.width_in

    def length(of: Callable[[_Marked], float]) -> float:
        ratios: dict[float, list[float]] = {}
        for row in same:
            ratios.setdefault(row.width_in, []).append(of(row.lengths) / row.width_in)
        return width * _between(sorted((w, fmean(found)) for w, found in ratios.items()), width)

    return _Marked(length(lambda m: m.height), length(lambda m: m.section), length(lambda m: m.rim_width))


def assumed_aspect(d: Designation) -> float:
    """The aspect ratio of a metric mark; a common one is assumed where the mark has none."""
    if d.aspect is not None:
        return d.aspect
    return 70.0 if d.rim_in <= 24.5 else 85.0


def _metric(d: Designation) -> _Marked:
    aspect = assumed_aspect(d)
    height, rim_width = d.width_in * aspect / 100, d.width_in * (0.86 if aspect >= _GROWS_FROM else 0.82)
    if d.construction == "radial" and aspect >= _GROWS_FROM:
        height *= _GROWN
    return _Marked(height, d.width_in, rim_width)


def _three_part(d: Designation, diameter_in: float) -> _Marked:
    """Three-part marks: turf tyres from 20 in up are smaller than marked, wide ones narrower (Antego ATW-010)."""
    w = d.width_in
    if d.family != "turf":
        return _Marked((0.985 * diameter_in - d.rim_in) / 2, 0.97 * w, 0.82 * w)
    tall = (0.99 if diameter_in < 20 else 0.97) * diameter_in
    return _Marked((tall - d.rim_in) / 2, w if w <= 8.5 else 0.96 * w, 0.78 * w)


def _marked(d: Designation) -> _Marked:
    listed = _table().get(d.text) or _table().get(d.text.replace("R", "-"))
    if listed is not None:
        return listed.lengths
    if d.diameter_in is not None:
        return _three_part(d, d.diameter_in)
    if d.aspect is not None or d.millimetres:
        return _metric(d)
    return _by_width(d)


def _unlisted(d: Designation) -> Iterator[Sentence]:
    """A note on a width that no table has: a rare tyre, or a mistyped one."""
    if d.aspect is not None or d.millimetres or d.diameter_in is not None or d.text in _table():
        return
    widths = sorted({row.width_in for row in _rows_of_series(d)}, key=lambda width: abs(width - d.width_in))
    if d.width_in not in widths:
        near = ", ".join(f"{width:g}" for width in widths[:2])
        yield Wording(
            "note.width",
            "the width of {size} is in no table (the next ones: {near}): look at the mark again, or measure diameter "
            "and section",
        )(size=d.text, near=near or "–")


def outline_of(d: Designation, measured: Measured) -> Outline:
    """Outside lengths for a size, by measurement where there is one, else by rule (:class:`MeasureError`)."""
    m = _marked(d)
    diameter_m = (d.rim_in + 2 * m.height) * INCH_M
    diameter_u, section_u = _SPREAD[d.family]
    notes = [*([d.remark] if d.remark else []), *_unlisted(d)]
    if d.millimetres and d.aspect is None and measured.diameter_m is None:
        diameter_u = 2 * d.width_in * _UNMARKED_SPREAD / 100 * INCH_M / diameter_m
        notes.append(
            Wording(
                "note.aspect", "{size} has no aspect ratio, {aspect:number} is assumed: measure the outside diameter"
            )(size=d.text, aspect=assumed_aspect(d))
        )
    return Outline(
        diameter_m=_taken(d, _DIAMETER, measured.diameter_m, diameter_m, 0.15),
        section_m=_taken(d, _SECTION, measured.section_m, m.section * INCH_M, 0.25),
        rim_m=d.rim_in * INCH_M,
        rim_width_m=_taken(d, _RIM_WIDTH, measured.rim_width_m, m.rim_width * INCH_M, 0.45),
        diameter_u=diameter_u if measured.diameter_m is None else _TAPE[0],
        section_u=section_u if measured.section_m is None else _TAPE[1],
        notes=tuple(notes),
    )


_DIAMETER = Wording("size.diameter", "an outside diameter")
_SECTION = Wording("size.section", "a section width")
_RIM_WIDTH = Wording("size.rim_width", "a rim width")


def _taken(d: Designation, what: Wording, measured_m: float | None, rule_m: float, reach: float) -> float:
    """The measured length, else the rule's; plausibility check: a far one is another tyre's or in another unit."""
    if measured_m is None:
        return rule_m
    if not abs(measured_m / rule_m - 1) <= reach:
        words = Wording(
            "size.measured", "{what} of {measured:number} m cannot be a {size} (about {usual:number} m): check both"
        )
        raise MeasureError(words(what=what(), measured=round(measured_m, 3), size=d.text, usual=round(rule_m, 3)))
    return measured_m
