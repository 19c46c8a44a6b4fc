"""`rig empty`, `rig rinse`: removal from a wheel, and rinsing. Options to work, records to text; decides nothing."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli.options import add_question_options, question_text
from rig.cli.table import DEMO_CONFIG, Add
from rig.cli.terminal import carried_out, person_for, say_cautions
from rig.run.removal import Removal, Rinse, empty_wheel, rinse
from rig.run.settings import load_settings
from rig.shop.before import wiring_cautions
from rig.shop.before_drawing import foredrawn
from rig.shop.questions import question_of
from rig.units import parse


def add_removing(add: Add) -> None:
    """The commands ``empty`` and ``rinse``."""
    _add_empty_options(add("empty", empty_command))
    _add_rinse_options(add("rinse", rinse_command))


def _add_empty_options(command: argparse.ArgumentParser) -> None:
    command.add_argument("--config", type=Path, default=DEMO_CONFIG)
    command.add_argument("--size", required=True)
    add_question_options(command)
    command.set_defaults(valve_at="6")
    command.add_argument("--through-meter", action="store_true", help="clean liquid: no bypass, the meter counts")
    command.add_argument("--to", default="", help="where it goes: tote, drum, who disposes of it")
    command.add_argument("--other-fluid", action="store_true", help="the book names another liquid: it is known")
    _add_who(command)
    command.add_argument("--job", default="")
    command.add_argument("--position", default="", help="for example rear left")
    command.add_argument("--support", choices=("jacked", "ground"), default="jacked")


def _add_rinse_options(command: argparse.ArgumentParser) -> None:
    command.add_argument("--config", type=Path, default=DEMO_CONFIG)
    command.add_argument("--volume", default="10 L", help="water to rinse with (default %(default)s)")
    command.add_argument("--divert", action="store_true", help="after a rinse: the first liquid goes to the drain")
    _add_who(command)


def _add_who(command: argparse.ArgumentParser) -> None:
    command.add_argument("--by", default="", help="who does it")
    command.add_argument("--unattended", action="store_true", help="answer the prompts (simulated rigs)")


def empty_command(options: argparse.Namespace) -> int:
    """Take liquid out of a wheel; returns the exit status."""
    settings, question = load_settings(options.config), question_of(question_text(options), options.size)
    removal = Removal(
        question=question,
        holds_l=None if options.holds is None else question.wanted.existing_l,
        fluid=options.holds_fluid,
        volume_l=question.wanted.volume_l,
        through_meter=options.through_meter,
        to=options.to,
        by=options.by,
        job=options.job,
        position=options.position,
        config=str(options.config),
        other_fluid=options.other_fluid,
    )
    say_cautions(foredrawn(settings, removal).cautions, as_json=options.json)
    person = person_for(options, settings)
    return carried_out(options, settings, person, lambda *faces: empty_wheel(settings, removal, person, *faces))[1]


def rinse_command(options: argparse.Namespace) -> int:
    """Rinse, or divert the first liquid after a rinse; returns the exit status."""
    settings = load_settings(options.config)
    wanted = Rinse(parse(options.volume, "volume"), options.divert, options.by, str(options.config))
    say_cautions(wiring_cautions(settings), as_json=options.json)
    person = person_for(options, settings)
    return carried_out(options, settings, person, lambda *faces: rinse(settings, wanted, person, *faces))[1]
