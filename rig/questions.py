"""The options that ask for a target, the same for every command: words to a question. Computes nothing."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

from rig.plan.advice import Circumstances, Use
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.ranges import parse_within
from rig.units import QuantityError, parse
from rig.wheel import Measured

USES: tuple[Use, ...] = ("field", "loader", "turf", "dual", "road", "slope", "front")
_INSIDE = ("nothing", "sealant", "foam", "liquid")


def add_question_options(command: argparse.ArgumentParser) -> None:
    """Options that ask for a target: level, volume or mass, fluid, valve, measurements, what is known of the wheel."""
    command.add_argument("--valve-at", default="12", help="clock position of the valve; 12 is the top")
    command.add_argument("--fill", metavar="PERCENT", help="true percent of the cavity instead of a level")
    command.add_argument("--volume", help='for example "69 gal"')
    command.add_argument("--mass", help='for example "738 lb"')
    command.add_argument("--holds", metavar="Q", help="liquid that is in the tyre already")
    command.add_argument("--fluid", help="water, beet, cacl2:20%%, cacl2:3.5lb/gal, methanol:33.6%%, pg:50%%vol …")
    command.add_argument("--temp", help='liquid temperature, for example "15 degC"')
    command.add_argument("--valve", default="air-water", help="type of valve")
    command.add_argument("--diameter", help="measured outside diameter")
    command.add_argument("--section", help="measured section width")
    command.add_argument("--rim-width", help="measured rim width")
    command.add_argument("--start-pressure", help="tyre pressure before the fill")
    command.add_argument("--working-pressure", help="pressure that the tyre is to stand at in the end")
    _add_circumstances(command)


def question_of(options: argparse.Namespace, size: str) -> Question:
    """The question that the options ask; :class:`QuantityError` for a text that is no quantity."""

    def length(text: str | None) -> float | None:
        return None if text is None else parse(text, "length")

    def pressure(option: str) -> float | None:
        text: str | None = getattr(options, option)
        return None if text is None else parse_within(option, text, "pressure")

    question = Question(
        size=size,
        wanted=Wanted(
            valve_at=_clock(options.valve_at),
            percent=None if options.fill is None else _percent(options.fill),
            volume_l=None if options.volume is None else parse(options.volume, "volume"),
            mass_kg=None if options.mass is None else parse(options.mass, "mass"),
            existing_l=0.0 if options.holds is None else parse_within("holds", options.holds, "volume"),
            start_kpa=pressure("start_pressure"),
            working_kpa=pressure("working_pressure"),
        ),
        measured=Measured(length(options.diameter), length(options.section), length(options.rim_width)),
        valve=options.valve,
        fluid=options.fluid,
        temp_c=None if options.temp is None else parse_within("temp", options.temp, "temperature"),
        support=getattr(options, "support", "jacked"),
    )
    return _with_circumstances(question, options)


def add_loaded_options(command: argparse.ArgumentParser) -> None:
    """Options of the question whether there is liquid inside."""
    command.add_argument("--seal", default="10", metavar="PERCENT", help="share of the cavity to seal in (default 10)")
    command.add_argument("--air", metavar="'P -> P'", help="tyre pressure at rest before and after air from a tank")
    command.add_argument("--tank", metavar="'V: P -> P'", help='that tank, for example "11 gal: 100 psi -> 62 psi"')
    command.add_argument(
        "--gauge", default="0.5 psi", help="how far a reading by hand may be off (default %(default)s)"
    )


def sealed_share(options: argparse.Namespace) -> float:
    """The share of the cavity that is to be sealed in; QuantityError outside 5 to 30 percent."""
    percent = _percent(options.seal)
    if not 5 <= percent <= 30:
        raise QuantityError(f"--seal {options.seal}: write 5 to 30, percent of the cavity")
    return percent / 100


@dataclass(frozen=True, slots=True)
class TankAir:
    """Air let over from a tank, as read off by a person: litres and gauge pressures before and after."""

    tyre_kpa: tuple[float, float]
    tank_l: float
    tank_kpa: tuple[float, float]
    gauge_u_kpa: float


def tank_air_of(options: argparse.Namespace) -> TankAir | None:
    """The air that the options tell of, None without; QuantityError where one half is missing or nothing moved."""
    if options.air is None and options.tank is None:
        return None
    if options.air is None or options.tank is None:
        raise QuantityError('write both --air "10 psi -> 18 psi" and --tank "11 gal: 100 psi -> 62 psi"')
    volume, colon, pressures = options.tank.partition(":")
    if not colon:
        raise QuantityError(f'--tank {options.tank!r}: write volume and pressures, as "11 gal: 100 psi -> 62 psi"')
    tyre, tank = _from_to(options.air), _from_to(pressures)
    if tyre[1] <= tyre[0] or tank[1] >= tank[0]:
        raise QuantityError("the tyre's pressure must rise and the tank's fall")
    return TankAir(tyre, parse(volume, "volume"), tank, parse(options.gauge, "pressure"))


def _from_to(text: str) -> tuple[float, float]:
    before, arrow, after = text.replace("→", "->").partition("->")
    if not arrow:
        raise QuantityError(f'{text!r}: write the pressure before and after, as "10 psi -> 18 psi"')
    return parse(before, "pressure"), parse(after, "pressure")


def _clock(text: str) -> float:
    hours, _, minutes = text.partition(":")
    try:
        value = float(hours) + (float(minutes) / 60 if minutes else 0.0)
    except ValueError:
        value = -1.0
    if not 0 <= value < 13:
        raise QuantityError(f"{text!r} is no clock position: write 1 to 12, for example 12 or 4:30")
    return value


def _percent(text: str) -> float:
    try:
        return float(text.rstrip("% "))
    except ValueError as error:
        raise QuantityError(f"{text!r} is no percentage: write for example --fill 75") from error


def _add_circumstances(command: argparse.ArgumentParser) -> None:
    """Options for what is known of the wheel besides its size."""
    kind = command.add_mutually_exclusive_group()
    kind.add_argument("--tube", action="store_true", help="there is a tube in it")
    kind.add_argument("--tubeless", action="store_true", help="there is none")
    command.add_argument("--holds-fluid", metavar="F", help="what is in the tyre already")
    command.add_argument("--inside", choices=_INSIDE, default="nothing", help="what else was found inside")
    command.add_argument("--history", choices=("none", "chloride"), default="none", help="calcium was in this wheel")
    command.add_argument("--coldest", metavar="Q", help='coldest day that it must stand, for example "-20 degC"')
    command.add_argument("--use", action="append", choices=USES, default=[], help="work of the machine; may repeat")
    command.add_argument("--rim-hole", metavar="Q", help="valve hole in the rim")
    command.add_argument("--margin", metavar="Q", help="keep the level this far below the valve")
    command.add_argument("--assay", metavar="PERCENT", help="calcium chloride in the flake (default 77 percent)")


def _with_circumstances(question: Question, options: argparse.Namespace) -> Question:
    """The question with those options in it."""
    known = Circumstances(
        tube=True if options.tube else False if options.tubeless else None,
        chloride_history=options.history == "chloride",
        inside=options.inside,
        coldest_c=None if options.coldest is None else parse_within("coldest", options.coldest, "temperature"),
        uses=frozenset(options.use),
        rim_hole_m=None if options.rim_hole is None else parse(options.rim_hole, "length"),
    )
    margin_m = 0.0 if options.margin is None else parse(options.margin, "length")
    if not 0 <= margin_m <= 0.5:
        raise QuantityError(f"--margin {options.margin}: write 0 to 0.5 m, the height of the level below the valve")
    question = replace(
        question,
        wanted=replace(question.wanted, known=known, margin_m=margin_m),
        holds_fluid=options.holds_fluid,
    )
    return question if options.assay is None else replace(question, assay=_share(options.assay))


def _share(text: str) -> float:
    try:
        return float(text.rstrip("% ")) / 100
    except ValueError as error:
        raise QuantityError(f"{text!r} is no percentage: write for example --assay 83") from error
