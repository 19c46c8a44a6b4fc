"""Reads what is written on a tyre: the size designation, in every spelling that people use.

The result says what was read (family, construction, marked lengths), nothing that has to be looked up or computed.
It must not know dimensions, volumes or liquids.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from rig.wheel.known import INDUSTRIAL, KNOWN_SIZES, OLD_CODES

Family = Literal[
    "drive", "compact", "metric", "front", "implement", "skid", "turf", "flotation", "earthmover", "forklift",
]  # fmt: skip
TyreClass = Literal[
    "bias drive", "radial drive", "front", "implement", "skid", "turf", "earthmover", "forklift", "flotation",
]  # fmt: skip
Construction = Literal["bias", "radial"]

FORMS = (
    "16.9-28 or 16.9R28, 480/80R42, 370R20, 26x12.00-12, 600/50-22.5, 12.5/80-18, 11L-15, 6.00-16, 10-16.5, "
    "17.5-25, 18x7-8"
)


class SizeError(ValueError):
    """A text that is no tyre size; the message shows the forms accepted and the nearest known sizes."""


@dataclass(frozen=True, slots=True)
class Designation:
    """A tyre size as marked. ``text`` is canonical; widths and diameters of inch marks are inches.

    ``width_in`` is the marked section width, ``aspect`` the marked height in percent of it (None if not marked),
    ``diameter_in`` the marked outside diameter (three-part marks only), ``rim_in`` the rim diameter.
    """

    text: str
    family: Family
    construction: Construction
    width_in: float
    rim_in: float
    aspect: float | None = None
    diameter_in: float | None = None
    millimetres: bool = False
    low_section: bool = False
    prefix: str = ""
    remark: str = ""

    @property
    def tyre_class(self) -> TyreClass:
        """Class for growth and bead behaviour."""
        match self.family:
            case "drive" | "compact" | "metric":
                return "radial drive" if self.construction == "radial" else "bias drive"
            case other:
                return other


_PREFIX = re.compile(r"^(?:(IF|VF|CFO|CHO|NRO|LSW)\s*)+(?=\d)")
_WORDS = re.compile(r"\b(?:TYRES?|TIRES?|SIZE|REAR|FRONT)\b|[\"'”“″]")
_NUM = r"(\d{1,4}(?:\.\d{1,2})?)"
_RIM = r"(\d{1,2}(?:\.\d)?)"
_JOIN = r"\s*(LR|R|B|D|-|X|/|\s)\s*"
# What may follow a size: ply rating, load index and speed symbol, tread code, tube words. Not more digits of the rim.
_TAIL = r"(?:[^\d.].*)?"

_METRIC = re.compile(rf"{_NUM}\s*[/X\s-]\s*(\d{{2,3}}){_JOIN}{_RIM}{_TAIL}")
_DOUBLE = re.compile(rf"(\d{{1,2}}\.\d)\s*/\s*(\d{{1,2}}){_JOIN}{_RIM}{_TAIL}")
_THREE = re.compile(rf"{_NUM}\s*[X/\s*-]\s*{_NUM}{_JOIN}{_RIM}{_TAIL}")
_LOW = re.compile(rf"{_NUM}\s*S?L\s*(R|B|D|-|X|\s)?\s*{_RIM}{_TAIL}")
_PLAIN = re.compile(rf"{_NUM}{_JOIN}{_RIM}{_TAIL}")

_EARTH_RIMS = {25.0, 29.0, 33.0, 35.0, 39.0, 43.0, 45.0, 49.0, 51.0, 57.0, 63.0}
_SKID_RIMS = {16.5, 17.5, 19.5, 22.5}


def _construction(join: str) -> Construction:
    return "radial" if "R" in join else "bias"


def _number(value: float) -> str:
    return f"{value:g}"


def _mark(width: str) -> str:
    """A marked inch width with the decimals that it was written with: 6.00 and 9.50 are not 6 and 9.5."""
    whole, _, decimals = width.partition(".")
    return f"{int(whole)}.{decimals}" if decimals else str(int(whole))


def _letter(construction: Construction) -> str:
    return "R" if construction == "radial" else "-"


def _read_double(m: re.Match[str]) -> Designation | None:
    """Old double code 16.9/14-28: new code, then the old one."""
    if OLD_CODES.get(m[2]) != m[1] or float(m[4]) < 15:
        return None
    c = _construction(m[3])
    text = f"{m[1]}{_letter(c)}{_number(float(m[4]))}"
    return Designation(
        text, "drive", c, float(m[1]), float(m[4]), remark=f"old code {m[2]} beside it left out"
    )


def _read_metric(m: re.Match[str]) -> Designation | None:
    width, aspect, rim = float(m[1]), float(m[2]), float(m[4])
    millimetres = width >= 100
    if not 25 <= aspect <= 100 or not (millimetres or width < aspect):
        return None
    c = _construction(m[3])
    in_inches = width / 25.4 if millimetres else width
    text = f"{_mark(m[1])}/{_number(aspect)}{_letter(c)}{_number(rim)}"
    return Designation(
        text,
        _metric_family(in_inches, aspect, rim, c),
        c,
        in_inches,
        rim,
        aspect=aspect,
        millimetres=millimetres,
    )


def _metric_family(width_in: float, aspect: float, rim: float, c: Construction) -> Family:
    if rim in _EARTH_RIMS and c == "radial" and width_in >= 14 and aspect >= 65:
        return "earthmover"
    if rim in _EARTH_RIMS and rim > 25:
        return "earthmover"
    if rim <= 10 or (rim == 12 and aspect < 60):
        return "turf" if aspect < 60 and width_in < 12 and rim >= 8 and width_in < 9.5 else "forklift"
    if rim == int(rim) or rim == 16.1:
        return "metric" if aspect >= 60 or c == "radial" else "flotation"
    if rim in {15.3, 15.5} or width_in < 11:
        return "implement"
    return "flotation"


def _read_three(m: re.Match[str]) -> Designation | None:
    diameter, width, rim = float(m[1]), float(m[2]), float(m[4])
    if not (rim < diameter and width < diameter < 90):
        return None
    c = _construction(m[3])
    text = f"{_number(diameter)}x{_three_width(m[2], diameter, rim)}{_letter(c)}{_number(rim)}"
    if f"{_number(diameter)}x{_number(width)}-{_number(rim)}" in INDUSTRIAL and "." not in m[2]:
        family: Family = "forklift"
    else:
        family = "flotation" if diameter >= 38 else "turf"
    return Designation(text, family, c, width, rim, diameter_in=diameter)


def _three_width(width: str, diameter: float, rim: float) -> str:
    """Marks with a diameter print two decimals; only industrial sizes and the big ones print none."""
    if f"{_number(diameter)}x{_number(float(width))}-{_number(rim)}" in INDUSTRIAL and "." not in width:
        return _mark(width)
    return f"{float(width):.2f}"


def _read_low(m: re.Match[str]) -> Designation | None:
    width, rim = float(m[1]), float(m[3])
    c = _construction(m[2] or "-")
    # Wide L codes on tractor rims are drive tyres with a low section; the rest run on implements.
    family: Family = "drive" if rim >= 20 else "implement"
    if rim in _EARTH_RIMS:
        family = "earthmover"
    text = f"{_mark(m[1])}L{_letter(c)}{_number(rim)}"
    return Designation(text, family, c, width, rim, low_section=True)


def _read_plain(m: re.Match[str]) -> Designation | None:
    width, rim = float(m[1]), float(m[3])
    if m[2] == "LR":
        return None
    c = _construction(m[2])
    if width >= 100:
        text = f"{_mark(m[1])}{_letter(c)}{_number(rim)}"
        return Designation(text, "metric", c, width / 25.4, rim, millimetres=True)
    if "." not in m[1] and m[1] in OLD_CODES and rim >= 20 and rim not in _EARTH_RIMS:
        new = OLD_CODES[m[1]]
        text = f"{new}{_letter(c)}{_number(rim)}"
        return Designation(
            text, "drive", c, float(new), rim, remark=f"old code {m[1]}-{_number(rim)} read as {text}"
        )
    text = f"{_mark(m[1])}{_letter(c)}{_number(rim)}"
    return Designation(text, _plain_family(m[1], width, rim), c, width, rim)


def _plain_family(mark: str, width: float, rim: float) -> Family:
    if rim in _EARTH_RIMS and width >= 12:
        return "earthmover"
    if rim in _SKID_RIMS and "." not in mark:
        return "skid"
    decimals = len(mark.partition(".")[2])
    if f"{_number(width)}-{_number(rim)}" in INDUSTRIAL and decimals == 2:
        return "forklift"
    if decimals == 2:
        return "earthmover" if width >= 12 and rim >= 20 else "front"
    if decimals == 0 and width <= 10 and rim <= 20:
        return "compact"
    return "drive"


_Reader = Callable[[re.Match[str]], Designation | None]
# In this order: an earlier form that fits is never a later one.
_READERS: tuple[tuple[re.Pattern[str], _Reader], ...] = (
    (_DOUBLE, _read_double),
    (_METRIC, _read_metric),
    (_THREE, _read_three),
    (_LOW, _read_low),
    (_PLAIN, _read_plain),
)


def _plain_text(text: str) -> str:
    """Upper case, one kind of dash, multiplication sign and decimal mark, without the words around a size."""
    upper = text.upper().replace("×", "X").replace(",", ".")
    for dash in "‐‑‒–—−":
        upper = upper.replace(dash, "-")
    return " ".join(_WORDS.sub(" ", upper).split())


def _possible(d: Designation) -> bool:
    """Whether the marked lengths can be a tyre at all."""
    if not (4 <= d.rim_in <= 63 and 2 <= d.width_in <= 62):
        return False
    if d.diameter_in is not None:
        return d.rim_in + 2 < d.diameter_in and d.width_in < d.diameter_in
    return d.width_in < 2.2 * d.rim_in


@lru_cache(maxsize=4096)
def read_size(text: str) -> Designation:
    """Return the size that ``text`` writes; :class:`SizeError` if it is none."""
    plain = _plain_text(text)
    prefix = _PREFIX.match(plain)
    body = plain[prefix.end() :] if prefix else plain
    for form, reader in _READERS:
        match = form.fullmatch(body)
        found = reader(match) if match else None
        if found is not None and _possible(found):
            return found
    raise SizeError(_advice(text, body))


def _advice(text: str, body: str) -> str:
    """The message for an unreadable size: the forms, and the known sizes that look most like it."""
    near = difflib.get_close_matches(body.lower().replace(" ", ""), KNOWN_SIZES, n=3, cutoff=0.5)
    hint = f"; nearest known sizes: {', '.join(near)}" if near else ""
    return f"{text!r} is no tyre size that can be read: write it like {FORMS}{hint}"
