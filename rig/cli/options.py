"""The options that ask for a target, common to all commands; their texts are parsed in `rig.shop.questions`."""

from __future__ import annotations

import argparse
from typing import get_args

from rig.plan.advice import Inside, Use
from rig.shop.questions import QuestionText


def add_question_options(command: argparse.ArgumentParser) -> None:
    """Options that ask for a target: level, volume or mass, fluid, valve, measurements, facts on the wheel."""
    command.add_argument("--valve-at", default="12", help="clock position of the valve; 12 is the top")
    command.add_argument("--fill", metavar="PERCENT", help="true percent of the cavity instead of a level")
    command.add_argument("--volume", help='for example "69 gal"')
    command.add_argument("--mass", help='for example "738 lb"')
    command.add_argument("--holds", metavar="Q", help="liquid that is in the tyre already")
    command.add_argument("--fluid", help="water, beet, cacl2:20%%, cacl2:3.5lb/gal, methanol:33.6%%, pg:50%%vol …")
    command.add_argument("--temp", help='liquid temperature, for example "15 degC"')
    command.add_argument("--valve", default="air-water", help="type of valve")
    command.add_argument("--make", help="maker and tread of the tyre, as on its sidewall")
    command.add_argument("--diameter", help="measured outside diameter")
    command.add_argument("--section", help="measured section width")
    command.add_argument("--rim-width", help="measured rim width")
    command.add_argument("--start-pressure", help="tyre pressure before the fill")
    command.add_argument("--working-pressure", help="pressure that the tyre is to stand at in the end")
    _add_circumstances(command)


def question_text(options: argparse.Namespace) -> QuestionText:
    """The options' texts, as typed."""
    given = {name: getattr(options, name, None) for name in QuestionText.model_fields}
    return QuestionText.model_validate({name: value for name, value in given.items() if value is not None})


def add_loaded_options(command: argparse.ArgumentParser) -> None:
    """Options of the check whether liquid is inside."""
    command.add_argument("--seal", default="10", metavar="PERCENT", help="share of the cavity to seal in (default 10)")
    add_tank_options(command)


def add_tank_options(command: argparse.ArgumentParser) -> None:
    """Options of air let over out of a tank, read by hand."""
    command.add_argument("--air", metavar="'P -> P'", help="tyre pressure at rest before and after air from a tank")
    command.add_argument("--tank", metavar="'V: P -> P'", help='that tank, for example "11 gal: 100 psi -> 62 psi"')
    command.add_argument(
        "--gauge", default="0.5 psi", help="how far a reading by hand may be off (default %(default)s)"
    )


def _add_circumstances(command: argparse.ArgumentParser) -> None:
    """Options for what is known of the wheel besides its size."""
    kind = command.add_mutually_exclusive_group()
    kind.add_argument("--tube", action="store_true", help="there is a tube in it")
    kind.add_argument("--tubeless", action="store_true", help="there is none")
    command.add_argument(
        "--holds-fluid", metavar="F", help="what is in the tyre already: water, or '20 gal water + 180 L cacl2:20%%'"
    )
    command.add_argument(
        "--drained", metavar="CLOCK", help="it was drawn off with the valve there: what is below stays"
    )
    command.add_argument("--inside", choices=get_args(Inside), default="nothing", help="what else was found inside")
    command.add_argument("--history", choices=("none", "chloride"), default="none", help="calcium was in this wheel")
    command.add_argument("--coldest", metavar="Q", help='coldest day that it must stand, for example "-20 degC"')
    command.add_argument(
        "--use", action="append", choices=get_args(Use), default=[], help="work of the machine; may repeat"
    )
    command.add_argument("--rim-hole", metavar="Q", help="valve hole in the rim")
    command.add_argument("--margin", metavar="Q", help="keep the level this far below the valve")
    command.add_argument(
        "--assay", metavar="PERCENT", help="calcium chloride in the flake by its bag, for cacl2:3.5lb/gal"
    )
