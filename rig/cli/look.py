"""`rig look`: before a drop goes in, the room for air in a tyre by a tank of air, and which wheels have such a room."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from rig.cli.options import add_tank_options
from rig.cli.table import OK, Add
from rig.cli.target import settings_or_common
from rig.run.air_tank_table import PLATE_SHARE
from rig.run.refused import Refused
from rig.shop.questions import tank_air_of, widths_of
from rig.units import parse, show_pressure, show_volume
from rig.wheel import cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.room import Fit, Growth, Room, TwoVessels, fits, growth_by_lengths, growth_by_width, room_of

_SHOWN = 6
_LEAST = 0.005
"""Probability from which a fit is shown."""
CAUTIONS = (
    "Tank, hose and gun rated for the pressure, with a relief valve; the regulator below the tyre's rating.",
    "Stand aside of the tyre. At rest before each reading: air that has just moved is warm or cold.",
)


def add_look(add: Add) -> None:
    """The command ``look``."""
    command = add("look", look_command)
    command.add_argument("size", nargs="?", default="", metavar="SIZE", help="only this size; else all that are known")
    command.add_argument("--rim", type=float, metavar="INCHES", help="only sizes of this rim")
    add_tank_options(command)
    command.add_argument("--tank-gauge", metavar="Q", help="the same for the tank's gauge, where it is another")
    command.add_argument("--width", metavar="'W -> W'", help="section width at one place before and after")
    command.add_argument(
        "--girth", metavar="'G -> G'", help="girth around the tread before and after, with SIZE and --width"
    )
    command.add_argument("--config", type=Path, help="rig configuration (default: a common rig)")
    command.add_argument("--live", action="store_true", help="by the configured tank, its gauge and air valve")
    command.add_argument("--unattended", action="store_true", help="answer the prompts (simulated rigs)")


def look_command(options: argparse.Namespace) -> int:
    """Measure and compare; returns the exit status."""
    sizes = _sizes(options)
    room = _live(options) if options.live else _typed(options)
    found = [each for each in fits(room, sizes) if each.probability >= _LEAST][:_SHOWN]
    print(json.dumps(_document(room, found)) if options.json else _text(room, found))
    return OK


def _live(options: argparse.Namespace) -> Room:
    from rig.cli.look_live import live_room

    if options.config is None:
        raise Refused("--live: name the rig by --config FILE")
    if any((options.air, options.tank, options.width, options.girth)):
        raise Refused(
            "--live reads the wired gauges: leave out --air and --tank, and --width and --girth, which it asks for"
        )
    return live_room(options)


def _typed(options: argparse.Namespace) -> Room:
    """The room by two gauges that a person has read."""
    air = tank_air_of(options.air, options.tank, options.gauge)
    if air is None:
        raise Refused('write what was read: --air "0 psi -> 15 psi" and --tank "60 L: 100 psi -> 60 psi"')
    atmosphere = settings_or_common(options.config).rig.atmosphere
    tank_u_kpa = parse(options.tank_gauge, "pressure") if options.tank_gauge else air.gauge_u_kpa
    before, after = air.tyre_kpa
    growth = _growth(options, after - before)
    read = TwoVessels(
        air.tank_l, air.tank_kpa, air.tyre_kpa, atmosphere, PLATE_SHARE * air.tank_l, (tank_u_kpa, tank_u_kpa),
        (air.gauge_u_kpa, air.gauge_u_kpa), growth=growth,
    )  # fmt: skip
    try:
        return room_of(read)
    except ValueError as error:
        raise Refused(
            f"{error}: let more air over, or read a finer gauge (--gauge says what a reading is worth)"
        ) from error


def _growth(options: argparse.Namespace, rise_kpa: float) -> Growth:
    """The growth by the lengths that were measured."""
    if not options.width:
        if options.girth:
            raise Refused("--girth: measure the section width as well (--width)")
        return Growth()
    if not options.girth:
        return growth_by_width(*widths_of(options.width), rise_kpa)
    if not options.size:
        raise Refused("--girth: name the size; what a girth says of the volume depends on it")
    wheel = cavity_of(read_size(options.size))
    return growth_by_lengths(wheel, widths_of(options.width), widths_of(options.girth), rise_kpa)


def _sizes(options: argparse.Namespace) -> list[str]:
    if options.size:
        return [read_size(options.size).text]
    sizes = [size for size in KNOWN_SIZES if options.rim is None or read_size(size).rim_in == options.rim]
    if not sizes:
        raise Refused(f"--rim {options.rim:g}: no size of that rim is known; name the size")
    return sizes


def _document(room: Room, found: list[Fit]) -> dict[str, object]:
    return {
        "room_l": round(room.litres, 1), "room_u_l": round(room.u_l, 1), "room_at_kpa": round(room.at_kpa, 2),
        "fits": [
            {"size": each.size, "liquid_l": None if each.liquid_l is None else round(each.liquid_l, 1),
             "probability": round(each.probability, 4)} for each in found
        ],
    }  # fmt: skip


def _text(room: Room, found: list[Fit]) -> str:
    lines = [
        f"Room for air {show_volume(room.litres)}, ± {show_volume(room.u_l)}, at {show_pressure(room.at_kpa)}.",
        "It fits:",
    ]
    for each in found:
        holds = "nothing inside" if each.liquid_l is None else f"about {show_volume(each.liquid_l)} inside already"
        lines.append(f"  {each.probability:4.0%}  {each.size}, {holds}")
    return "\n".join([*lines, *CAUTIONS])
