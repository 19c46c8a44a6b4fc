"""`rig fill`, `rig loaded`, `rig resume`, `rig close`, `rig demo`: one wheel at the terminal. Decides nothing."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

from rig.books.answer import answer_text
from rig.books.compare import matched
from rig.books.wording import SURE_WAY, loaded_text
from rig.cli.demo import run_demo
from rig.cli.face import face
from rig.cli.options import add_loaded_options, add_question_options, question_text
from rig.cli.table import DATA, DEMO_CONFIG, OK, Add
from rig.cli.target import foretold, of_wheel, settings_or_common
from rig.cli.terminal import carried_out, person_for, print_ended, say_cautions
from rig.control.belief.loaded import inside_by_air, loaded, tank_rise
from rig.plan.target import TargetError
from rig.record.work import Ended
from rig.run.assembly import Question, answer, cavity_asked, cavity_facts
from rig.run.person import Unattended
from rig.run.session import Errand, close_as_is, fill_wheel, go_on
from rig.run.settings import Settings, load_settings
from rig.shop.before import wiring_cautions
from rig.shop.posting import journal_to_read
from rig.shop.questions import question_of, sealed_share, tank_air_of


def add_filling(add: Add) -> None:
    """The commands ``demo``, ``fill``, ``loaded``, ``resume`` and ``close``."""
    demo = add("demo", demo_command)
    demo.add_argument("--size", default="16.9-28", help="tyre size (default %(default)s)")
    demo.add_argument("--speed", type=float, default=30.0, help="times real time, 1 to 100 (default %(default)s)")
    demo.add_argument("--layout", choices=("vent", "draw-down"), default="vent", help="how the air gets out")
    fill = add("fill", fill_command)
    _add_wheel_options(fill)
    fill.add_argument("--match", metavar="ID", help="as much as that fill put into an equal wheel")
    loaded = add("loaded", loaded_command)
    _add_wheel_options(loaded)
    add_loaded_options(loaded)
    for command in (add("resume", resume_command), closing := add("close", close_command)):
        command.add_argument("id")
        command.add_argument("--config", type=Path, help="default: the configuration that the fill was started with")
        command.add_argument("--unattended", action="store_true")
    closing.add_argument("--supply-cut", action="store_true", help="the pump's supply is cut: it cannot run")


def _add_wheel_options(command: argparse.ArgumentParser) -> None:
    """Options of a command that puts liquid into one wheel."""
    command.add_argument("--config", type=Path, default=DEMO_CONFIG)
    which = command.add_mutually_exclusive_group(required=True)
    which.add_argument("--size")
    which.add_argument("--wheel", metavar="W", help="a wheel of the shop: taught, or in the configuration")
    add_question_options(command)
    command.add_argument("--job", default="")
    command.add_argument("--position", default="", help="for example rear left")
    command.add_argument("--by", default="", help="who fills")
    command.add_argument("--other-fluid", action="store_true", help="it is known that the tote holds another liquid")
    command.add_argument("--support", choices=("jacked", "ground"), default="jacked")
    command.add_argument("--unattended", action="store_true", help="answer the prompts (simulated rigs)")


def demo_command(options: argparse.Namespace) -> int:
    """Fill once on a simulated rig in a separate process; returns the exit status."""

    def watch_and_fill(settings: Settings, config: Path) -> Ended:
        question = Question(size=options.size)
        _say(options, answer_text(answer(settings, question)))
        errand = Errand(question, by="demo", position="rear left", config=str(config))
        shows = face()
        with shows.shown():
            return asyncio.run(fill_wheel(settings, errand, Unattended("demo"), shows))

    ended = run_demo(DATA, options.size, options.speed, options.layout, watch_and_fill)
    return _finish(options, ended, print_ended(options, ended, simulated=True))


def fill_command(options: argparse.Namespace) -> int:
    """Fill one wheel; returns the exit status."""
    settings = load_settings(options.config)
    question = of_wheel(settings, options, question_of(question_text(options), ""), options.size)
    question = matched(settings, options.match, question)
    person = person_for(options, settings)
    _say(options, answer_text(foretold(settings, question, options)))
    errand = Errand(question, options.by, options.job, options.position, str(options.config), options.other_fluid)
    return _finish(
        options, *carried_out(options, settings, person, lambda *faces: fill_wheel(settings, errand, person, *faces))
    )


def loaded_command(options: argparse.Namespace) -> int:
    """Report whether liquid is inside; returns the exit status."""
    air = tank_air_of(options.air, options.tank, options.gauge)
    settings = load_settings(options.config) if air is None else settings_or_common(_existing(options.config))
    question = of_wheel(settings, options, question_of(question_text(options), ""), options.size)
    _say(options, SURE_WAY)
    cavity, wanted = cavity_asked(question), question.wanted
    if air is not None:
        stated_l = wanted.existing_l
        rise = tank_rise(settings.rig.atmosphere, stated_l, air.tyre_kpa, air.tank_l, air.tank_kpa, air.gauge_u_kpa)
        found = inside_by_air(cavity_facts(cavity, wanted.valve_at), rise, stated_l)
        answered = loaded(found)
        document = {"size": question.size, "cavity_l": round(cavity.volume_l, 1), **asdict(answered)}
        print(json.dumps(document) if options.json else loaded_text(answered))
        return OK
    if (wanted.volume_l, wanted.mass_kg, wanted.percent) != (None, None, None):
        raise TargetError("what is sealed in is a share of the cavity: --seal PERCENT in place of a target")
    share_l = sealed_share(options.seal) * cavity.volume_l
    say_cautions(wiring_cautions(settings), as_json=options.json)
    errand = Errand(
        replace(question, wanted=replace(wanted, volume_l=share_l)),
        options.by,
        options.job,
        options.position,
        str(options.config),
        options.other_fluid,
        asks_inside=True,
    )
    person = person_for(options, settings)
    return _finish(
        options, *carried_out(options, settings, person, lambda *faces: fill_wheel(settings, errand, person, *faces))
    )


def _existing(config: Path) -> Path | None:
    return config if config.exists() else None


def resume_command(options: argparse.Namespace) -> int:
    """Resume an interrupted fill; returns the exit status."""
    settings = load_settings(_config_of(options))
    person = person_for(options, settings, go_on=True)
    say_cautions(wiring_cautions(settings), as_json=options.json)
    return _finish(
        options, *carried_out(options, settings, person, lambda *faces: go_on(settings, options.id, person, *faces))
    )


def close_command(options: argparse.Namespace) -> int:
    """Close an interrupted fill as it is; returns the exit status."""
    config = _config_of(options)
    settings = load_settings(config) if config.exists() else None
    folder = Path(settings.rig.data) if settings else DATA
    ended = asyncio.run(close_as_is(settings, folder, options.id, supply_cut=options.supply_cut))
    simulated = settings is None or settings.rig.simulated
    return _finish(options, ended, print_ended(options, ended, simulated=simulated))


def _config_of(options: argparse.Namespace) -> Path:
    if options.config is not None:
        return Path(options.config)
    with contextlib.closing(journal_to_read(DATA)) as journal:
        stored = journal.fill(options.id)
    return Path(stored.task.config)


def _say(options: argparse.Namespace, text: str) -> None:
    print(text, file=sys.stderr if options.json else sys.stdout, flush=True)


def _finish(options: argparse.Namespace, ended: Ended, status: int) -> int:
    if ended.work.loaded is not None and not options.json:
        print(loaded_text(ended.work.loaded))
    if ended.order_again:
        _say(options, f"ORDER AGAIN: below the mark: {', '.join(ended.order_again)}")
    return status
