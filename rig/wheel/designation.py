"""Parse the size designation on a tyre, in every spelling in use.

The result has only what the mark states (family, construction, marked lengths), nothing looked up or computed. It must
not know dimensions, volumes or liquids.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from rig.sentence import Sentence, Wording
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
    """A text that is no tyre size; the message shows the accepted forms and the nearest known sizes."""


class NoRoomError(SizeError):
    """A tyre without an air space: solid, pressed on, or filled with foam; the message says that no liquid goes in."""


_OLD_CODE = Wording("note.old_code", "old code {mark}, read as {size}")
_READ_AS = Wording("note.read_as", "{mark} read as {size}")


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
    remark: Sentence | None = None
    grade: str = ""
    """Marks before the size that say what it may carry, not what it holds: IF, VF, CFO, LSW."""
    service: str = ""
    """Marks behind it, such as NHS, CFO, IND."""

    @property
    def shown(self) -> str:
        """The size with the marks that a person typed."""
        return " ".join(part for part in (self.grade, self.text, self.service) if part)

    @property
    def wide_base(self) -> bool:
        """Whether an earthmover mark is of the wide-base series: 17.5, 20.5, 33.25 (conventional: 14.00, 18.00)."""
        return self.width_in % 1 in {0.5, 0.25}

    @property
    def tyre_class(self) -> TyreClass:
        """Class for growth and bead behaviour."""
        match self.family:
            case "drive" | "compact" | "metric":
                return "radial drive" if self.construction == "radial" else "bias drive"
            case other:
                return other


# Strength grades and vehicle letters before a mark, and whole words (maker, tread code); the cavity is the same.
_PREFIX = re.compile(r"^(?:(?:IF|VF|CFO|CHO|NRO|LSW|LT|ST|AT|P)\s*|[A-Z][A-Z0-9-]*\s+)+(?=\d)")
_MARKS = re.compile(r"(?<![A-Z])(?:IF|VF|CFO|CHO|NRO|LSW|NHS|IND|IMP)(?![A-Z])")
_NO_ROOM = re.compile(
    r"\b(?:SOLIDS?|SUPER[- ]?ELASTIC|RESILIENT|CUSHION|AIRLESS|NON[- ]?PNEUMATIC|PRESS[- ]?ON|FOAM(?:[- ]?FILLED)?"
    r"|FLAT[- ]?PROOF(?:ED)?|(?:POLY|URETHANE)[- ]?FILLED)\b"
)
_EIGHTHS = re.compile(r"(?<=\d)[ -](\d)/([248])(?!\d)")
_PRESS_ON = re.compile(r"(\d{1,2}(?:\.\d+)?)\s*X\s*(\d{1,2}(?:\.\d+)?)\s*([X-])\s*(\d{1,2}(?:\.\d+)?)")
_LOW_RUBBER, _LARGEST_PRESS_ON_IN = 0.44, 40.0
"""A press-on tyre's rubber is low for its width, and none is larger; a lawn tyre has 0.46 at least. Common practice."""
_WORDS = re.compile(r"\b(?:TYRES?|TIRES?|SIZES?|REARS?|FRONTS?)\b|[\"'”“″]")
_NUM = r"(\d{1,4}(?:\.\d{1,2})?)"
# A number before PR or PLY is a ply rating, never a rim: 9.5-36 8PR is no 9.5/36-8.
_RIM = r"(\d{1,2}(?:\.\d)?)(?!\s*(?:PR|PLY)\b)"
_JOIN = r"\s*(LR|R|B|D|-|X|/|\s)\s*"
# Permitted after a size: ply rating, load index and speed symbol, tread code, tube words, the same size in another
# system; never more digits of the rim, nor a further length.
_TAIL = r"(?:[A-Z(+*].*|\s.*)?"

_METRIC = re.compile(rf"{_NUM}\s*[/X\s-]\s*(\d{{2,3}}){_JOIN}{_RIM}{_TAIL}")
_DOUBLE = re.compile(rf"(\d{{1,2}}\.\d)\s*/\s*(\d{{1,2}}){_JOIN}{_RIM}{_TAIL}")
_THREE = re.compile(rf"{_NUM}\s*[X/\s*-]\s*{_NUM}(?:LL)?{_JOIN}{_RIM}{_TAIL}")
_LOW = re.compile(rf"{_NUM}\s*S?L\s*(R|B|D|-|X|\s)?\s*{_RIM}{_TAIL}")
_PLAIN = re.compile(rf"{_NUM}{_JOIN}{_RIM}{_TAIL}")

_RIMS = frozenset(
    [float(n) for n in range(4, 64)] + [14.5, 15.3, 15.5, 16.1, 16.5, 17.5, 19.5, 22.5, 24.5, 26.5, 28.5, 30.5, 34.5]
)
_EARTH_RIMS = frozenset({25.0, 29.0, 33.0, 35.0, 39.0, 43.0, 45.0, 49.0, 51.0, 57.0, 63.0})
_WIDEST_FARM_IN = 24.0
"""Inch marks with an aspect ratio go to 16.0/70 on farm rims; above it only earthmovers have them (35/65R33)."""
_OLD_RIMS = frozenset({20.0, 24.0, 26.0, 28.0, 30.0, 32.0, 34.0, 36.0, 38.0, 42.0})


def _construction(join: str) -> Construction:
    return "radial" if "R" in join else "bias"


def _number(value: float) -> str:
    return f"{value:g}"


def _mark(width: str) -> str:
    """A marked inch width with its decimals as written: 6.00 and 9.50 are not 6 and 9.5."""
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
        text,
        "drive",
        c,
        float(m[1]),
        float(m[4]),
        remark=Wording("note.code_left_out", "old code {code} beside it left out")(code=m[2]),
    )


def _read_metric(m: re.Match[str]) -> Designation | None:
    width, aspect, rim = float(m[1]), float(m[2]), float(m[4])
    millimetres = width >= 100
    if not millimetres and ("/" not in m[0][: m.end(2)] or not width < aspect or aspect < 40):
        return None
    if not 25 <= aspect <= 100 or (width > _WIDEST_FARM_IN and not millimetres and rim not in _EARTH_RIMS):
        return None
    c = _construction(m[3])
    in_inches = width / 25.4 if millimetres else width
    text = f"{_mark(m[1])}/{_number(aspect)}{_letter(c)}{_number(rim)}"
    family = _metric_family(text, in_inches, aspect, rim, c, millimetres=millimetres)
    return Designation(text, family, c, in_inches, rim, aspect=aspect, millimetres=millimetres)


def _metric_family(
    text: str, width_in: float, aspect: float, rim: float, c: Construction, *, millimetres: bool
) -> Family:
    if text.replace("R", "-") in INDUSTRIAL:
        return "forklift"
    if rim in _EARTH_RIMS and (rim > 25 or (c == "radial" and width_in >= 14 and aspect >= 65)):
        return "earthmover"
    if rim < 16:
        return "turf" if rim < 13 and millimetres else "implement"
    if rim != int(rim) or (aspect < 60 and (c == "bias" or rim < 20)):
        return "flotation"
    return "metric"


def _read_three(m: re.Match[str]) -> Designation | None:
    diameter, width, rim = float(m[1]), float(m[2]), float(m[4])
    if not (rim < diameter and width < diameter < 90):
        return None
    c = _construction(m[3])
    # Only industrial sizes are marked without the second decimal: 18x7-8 is not 18x7.00-8.
    industrial = f"{_number(diameter)}x{_mark(m[2])}-{_number(rim)}" in INDUSTRIAL
    shown = _mark(m[2]) if industrial else f"{width:.2f}"
    family = "forklift" if industrial else _three_family(diameter, width, rim)
    text = f"{_number(diameter)}x{shown}{_letter(c)}{_number(rim)}"
    return Designation(text, family, c, width, rim, diameter_in=diameter)


def _three_family(diameter: float, width: float, rim: float) -> Family:
    if rim in {16.5, 17.5, 19.5}:
        return "skid"
    return "flotation" if diameter >= 38 or (diameter >= 30 and width >= 13) else "turf"


def _read_low(m: re.Match[str]) -> Designation | None:
    width, rim = float(m[1]), float(m[3])
    c = _construction(m[2] or "-")
    # Wide L codes on tractor rims are drive tyres with a low section; the rest are implement tyres.
    family: Family = "drive" if rim >= 20 else "implement"
    if rim in _EARTH_RIMS:
        family = "earthmover"
    text = f"{_mark(m[1])}L{_letter(c)}{_number(rim)}"
    return Designation(text, family, c, width, rim, low_section=True)


def _read_plain(m: re.Match[str]) -> Designation | None:
    mark, width, rim, c = m[1], float(m[1]), float(m[3]), _construction(m[2])
    if m[2] == "LR":
        return None
    if "." not in mark and (width >= 1000 or (width >= 400 and rim <= 20)):
        # A two-decimal mark without its point; no metric tyre without aspect ratio is that wide.
        return _without_point(mark, rim, c)
    if width >= 100:
        if width % 5 or f"{width / 10:g}" in OLD_CODES.values():
            return None
        text = f"{_mark(mark)}{_letter(c)}{_number(rim)}"
        return Designation(text, "metric", c, width / 25.4, rim, millimetres=True)
    if mark in OLD_CODES and rim in _OLD_RIMS:
        text = f"{OLD_CODES[mark]}{_letter(c)}{_number(rim)}"
        remark = _OLD_CODE(mark=f"{mark}-{_number(rim)}", size=text)
        return Designation(text, "drive", c, float(OLD_CODES[mark]), rim, remark=remark)
    text = f"{_mark(mark)}{_letter(c)}{_number(rim)}"
    return Designation(text, _plain_family(mark, width, rim), c, width, rim)


def _without_point(mark: str, rim: float, c: Construction) -> Designation:
    text = f"{mark[:-2]}.{mark[-2:]}{_letter(c)}{_number(rim)}"
    family = _plain_family(f"{mark[:-2]}.{mark[-2:]}", float(mark) / 100, rim)
    return Designation(
        text, family, c, float(mark) / 100, rim, remark=_READ_AS(mark=f"{mark}-{_number(rim)}", size=text)
    )


def _plain_family(mark: str, width: float, rim: float) -> Family:
    decimals = len(mark.partition(".")[2])
    if rim in _EARTH_RIMS and width >= 12:
        return "earthmover"
    if rim == 16.5 or (rim in {17.5, 19.5} and width >= 12):
        return "skid"
    if rim in {14.5, 17.5, 19.5, 22.5, 24.5}:
        return "implement"
    if f"{mark}-{_number(rim)}" in INDUSTRIAL:
        return "forklift"
    if decimals == 2:
        return "earthmover" if width >= 12 and rim >= 20 else "front"
    if decimals == 0 and width <= 10 and rim <= 20:
        return "compact"
    return "drive"


_Reader = Callable[[re.Match[str]], Designation | None]
# In this order: a text that fits an earlier form is never meant as a later one.
_READERS: tuple[tuple[re.Pattern[str], _Reader], ...] = (
    (_DOUBLE, _read_double),
    (_METRIC, _read_metric),
    (_THREE, _read_three),
    (_LOW, _read_low),
    (_PLAIN, _read_plain),
)


def _plain_text(text: str) -> str:
    """Normalise: upper case, one kind of dash, multiplication sign and decimal mark, no words around a size."""
    upper = text.upper().replace("×", "X").replace("½", ".5").replace(",", ".")
    upper = re.sub(r"(?<=\d)\s+1/2\b", ".5", upper)
    for dash in "‐‑‒–—−":
        upper = upper.replace(dash, "-")
    return " ".join(_WORDS.sub(" ", upper).split())


def _possible(d: Designation) -> bool:
    """Plausibility check of the marked lengths."""
    if d.rim_in not in _RIMS or not 2 <= d.width_in <= 62:
        return False
    if d.family == "drive" and not (d.width_in >= 6 and d.rim_in >= 14):
        return False
    if d.diameter_in is not None:
        return d.rim_in + 4 < d.diameter_in
    return d.width_in < 1.6 * d.rim_in


@lru_cache(maxsize=4096)
def read_size(text: str) -> Designation:
    """Parse a size; :class:`SizeError` if ``text`` is none, :class:`NoRoomError` if the tyre has no air space."""
    plain = _plain_text(text)
    if (solid := _NO_ROOM.search(plain)) is not None:
        raise NoRoomError(
            Wording("refused.solid", "'{text}' ({mark}) has no air space: no liquid goes in")(
                text=text[:60], mark=solid[0].lower()
            )
        )
    prefix = _PREFIX.match(plain)
    body = plain[prefix.end() :] if prefix else plain
    if _pressed_on(body):
        raise NoRoomError(
            Wording(
                "refused.press_on",
                "'{text}' reads as a press-on tyre (outside x width x hub), solid rubber without an air space: no "
                "liquid "
                "goes in. An air tyre is written like 18x7-8 or 26x12.00-12",
            )(text=text[:60])
        )
    for form, reader in _READERS:
        match = form.fullmatch(body)
        found = reader(match) if match else None
        if found is not None and _possible(found):
            before, after = plain[: len(plain) - len(body)], body[match.end(match.lastindex or 0) :] if match else ""
            return replace(found, grade=_marks(before), service=_marks(after))
    raise SizeError(_advice(text, body))


def _marks(text: str) -> str:
    return " ".join(dict.fromkeys(_MARKS.findall(text)))


def _pressed_on(body: str) -> bool:
    """Whether three lengths are those of a press-on tyre: a hub that is no rim diameter, or low rubber."""
    match = _PRESS_ON.fullmatch(_EIGHTHS.sub(lambda m: f"{int(m[1]) / int(m[2]):g}"[1:], body))
    if match is None:
        return False
    outside, width, hub = float(match[1]), float(match[2]), float(match[4])
    if not (hub < outside <= _LARGEST_PRESS_ON_IN and width < outside):
        return False
    return hub not in _RIMS or (match[3] == "X" and (outside - hub) / 2 < _LOW_RUBBER * width)


def _advice(text: str, body: str) -> Sentence:
    """The message for an unreadable size: the forms, and the most similar known sizes."""
    key = body.lower().replace(" ", "")[:40]
    turned = "-".join(reversed(key.split("-")))
    near = [size for size in KNOWN_SIZES if size == turned or (len(key) > 2 and size.startswith(key))][:2]
    near += difflib.get_close_matches(key, KNOWN_SIZES, n=3, cutoff=0.5)
    if not near:
        return _NO_SIZE(text=text[:60], forms=FORMS)
    return _NO_SIZE_BUT(text=text[:60], forms=FORMS, near=", ".join(dict.fromkeys(near[:4])))


_NO_SIZE = Wording("refused.size", "'{text}' is no tyre size that can be read: write it like {forms}")
_NO_SIZE_BUT = Wording(
    "refused.size_near",
    "'{text}' is no tyre size that can be read: write it like {forms}; nearest known sizes: {near}",
)
