"""Parsing of a person's request for a wheel, from text to a question: one parser for the terminal and the page.

Unreadable text raises a :class:`QuantityError` that states what to write instead. Computes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.control.words.checks import Support
from rig.field.points import Strict
from rig.fluid import content_names
from rig.plan.advice import Circumstances, Inside, Use
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.sentence import Wording
from rig.shop.ranges import parse_within
from rig.units import QuantityError, parse
from rig.wheel import Measured


class QuestionText(Strict):
    """A question as typed, each field named like its option; None leaves it to the rig."""

    valve_at: str = "12"
    fill: str | None = None
    volume: str | None = None
    mass: str | None = None
    holds: str | None = None
    holds_fluid: str | None = None
    drained: str | None = None
    fluid: str | None = None
    temp: str | None = None
    valve: str = "air-water"
    make: str = ""
    diameter: str | None = None
    section: str | None = None
    rim_width: str | None = None
    rim_hole: str | None = None
    start_pressure: str | None = None
    working_pressure: str | None = None
    margin: str | None = None
    coldest: str | None = None
    assay: str | None = None
    tube: bool = False
    tubeless: bool = False
    inside: Inside = "nothing"
    history: Literal["none", "chloride"] = "none"
    use: tuple[Use, ...] = ()
    support: Support = "jacked"


def question_of(text: QuestionText, size: str) -> Question:
    """The question about a wheel of ``size``; QuantityError for text that is no quantity."""
    return Question(
        size=size,
        wanted=Wanted(
            valve_at=_clock(text.valve_at),
            percent=None if text.fill is None else _percent(text.fill),
            volume_l=None if text.volume is None else parse(text.volume, "volume"),
            mass_kg=None if text.mass is None else parse(text.mass, "mass"),
            existing_l=_existing_l(text),
            drained_at=None if text.drained is None else _clock(text.drained),
            start_kpa=_pressure("start_pressure", text.start_pressure),
            working_kpa=_pressure("working_pressure", text.working_pressure),
            known=_circumstances(text),
            margin_m=_margin(text.margin),
        ),
        measured=Measured(_length(text.diameter), _length(text.section), _length(text.rim_width)),
        valve=text.valve,
        make=" ".join(text.make.split()),
        fluid=text.fluid,
        holds_fluid=text.holds_fluid,
        temp_c=None if text.temp is None else parse_within("temp", text.temp, "temperature"),
        support=text.support,
        assay=None if text.assay is None else share_of(text.assay),
    )


def _existing_l(text: QuestionText) -> float:
    """What is inside already; without a volume of its own the sum of the volumes of its liquids, if each has one."""
    if text.holds is not None:
        return parse_within("holds", text.holds, "volume")
    litres = [volume_l for volume_l, _ in content_names(text.holds_fluid or "")]
    known = [volume_l for volume_l in litres if volume_l is not None]
    return parse_within("holds", f"{sum(known)} L", "volume") if known and len(known) == len(litres) else 0.0


def _circumstances(text: QuestionText) -> Circumstances:
    """What is known of the wheel besides its size."""
    return Circumstances(
        tube=True if text.tube else False if text.tubeless else None,
        chloride_history=text.history == "chloride",
        inside=text.inside,
        coldest_c=None if text.coldest is None else parse_within("coldest", text.coldest, "temperature"),
        uses=frozenset(text.use),
        rim_hole_m=_length(text.rim_hole),
    )


_NO_PERCENT = Wording("question.percent", "'{text}' is no percentage: write for example {example}")


def _length(text: str | None) -> float | None:
    return None if text is None else parse(text, "length")


def _pressure(name: str, text: str | None) -> float | None:
    return None if text is None else parse_within(name, text, "pressure")


def _margin(text: str | None) -> float:
    margin_m = _length(text) or 0.0
    if not 0 <= margin_m <= 0.5:
        raise QuantityError(
            Wording("question.margin", "--margin {text}: write 0 to 0.5 m, the height of the level below the valve")(
                text=str(text)
            )
        )
    return margin_m


def sealed_share(text: str) -> float:
    """The share of the cavity to be sealed in; QuantityError outside 5 to 30 percent."""
    percent = _percent(text)
    if not 5 <= percent <= 30:
        raise QuantityError(f"--seal {text}: write 5 to 30, percent of the cavity")
    return percent / 100


@dataclass(frozen=True, slots=True)
class TankAir:
    """Air transferred from a tank, as read by a person: litres and gauge pressures before and after."""

    tyre_kpa: tuple[float, float]
    tank_l: float
    tank_kpa: tuple[float, float]
    gauge_u_kpa: float


def tank_air_of(air: str | None, tank: str | None, gauge: str) -> TankAir | None:
    """The transferred air, None without any; QuantityError if one half is missing or nothing moved."""
    if air is None and tank is None:
        return None
    if air is None or tank is None:
        raise QuantityError('write both --air "10 psi -> 18 psi" and --tank "11 gal: 100 psi -> 62 psi"')
    volume, colon, pressures = tank.partition(":")
    if not colon:
        raise QuantityError(f'--tank {tank!r}: write volume and pressures, as "11 gal: 100 psi -> 62 psi"')
    tyre_kpa, tank_kpa = _from_to(air, "pressure"), _from_to(pressures, "pressure")
    if tyre_kpa[1] <= tyre_kpa[0] or tank_kpa[1] >= tank_kpa[0]:
        raise QuantityError("the tyre's pressure must rise and the tank's fall")
    return TankAir(tyre_kpa, parse(volume, "volume"), tank_kpa, parse(gauge, "pressure"))


def widths_of(text: str) -> tuple[float, float]:
    """A section width before and after, metres; QuantityError for text that is none, or a tyre that shrank."""
    before, after = _from_to(text, "length")
    if not 0 < before <= after < 1.2 * before:
        raise QuantityError(_WIDTHS(text=text[:60]))
    return before, after


_WIDTHS = Wording(
    "question.widths", "'{text}': a tyre grows by a few per cent at most, and never shrinks: write 430 mm -> 434 mm"
)
_BEFORE_AFTER = Wording("question.before_after", "'{text}': write it before and after, as {example}")
_FROM_TO = {"pressure": "10 psi -> 18 psi", "length": "430 mm -> 434 mm"}


def _from_to(text: str, kind: Literal["pressure", "length"]) -> tuple[float, float]:
    before, arrow, after = text.replace("→", "->").partition("->")
    if not arrow:
        raise QuantityError(_BEFORE_AFTER(text=text[:60], example=_FROM_TO[kind]))
    return parse(before, kind), parse(after, kind)


def _clock(text: str) -> float:
    hours, _, minutes = text.partition(":")
    try:
        value = float(hours) + (float(minutes) / 60 if minutes else 0.0)
    except ValueError:
        value = -1.0
    if not 0 <= value < 13:
        words = Wording("question.clock", "'{text}' is no clock position: write 1 to 12, for example 12 or 4:30")
        raise QuantityError(words(text=text[:60]))
    return value


def _percent(text: str) -> float:
    try:
        value = float(text.rstrip("% "))
    except ValueError as error:
        raise QuantityError(_NO_PERCENT(text=text[:60], example="75")) from error
    if 0 < value < 1 and "%" not in text:
        words = Wording(
            "question.share", "{text} percent, or {whole:number} %? Write {whole:number}, or with its sign {text}%"
        )
        raise QuantityError(words(text=text, whole=round(100 * value, 6)))
    return value


def share_of(text: str) -> float:
    """A share in percent; QuantityError for text that is none."""
    try:
        return float(text.rstrip("% ")) / 100
    except ValueError as error:
        raise QuantityError(_NO_PERCENT(text=text[:60], example="83")) from error
