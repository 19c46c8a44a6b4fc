"""The command line: turns words into questions and answers into text or JSON. Decides nothing.

Exit status: 0 done; 2 bad usage or configuration; 3 refused; 4 the fill ended stopped or aborted; 5 field not reached.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from rig.answers import job_json, job_text, machine_job
from rig.books.commands import add_book_commands
from rig.books.compare import matched
from rig.checking import add_check_options, check_command
from rig.control.loaded import as_json, inside_by_air, tank_rise
from rig.demo import run_demo
from rig.field.modbus import FieldError
from rig.fluid import FluidError
from rig.ledger.journal import JournalError
from rig.ledger.lock import LockedError
from rig.picture import drawing, svg
from rig.plan.target import Target, TargetError
from rig.provers import add_prove_options, meter_command, prove_command
from rig.questions import add_loaded_options, add_question_options, question_of, sealed_share, tank_air_of
from rig.removals import add_empty_options, add_rinse_options, empty_command, rinse_command
from rig.run.assembly import Question, answer, cavity_asked, cavity_facts, wheel_question
from rig.run.before import foreknown
from rig.run.loop import Impossible, Unreachable
from rig.run.person import Unattended
from rig.run.posting import journal_to_read
from rig.run.relays import NotAnswered
from rig.run.session import Errand, Refused, close_as_is, fill_wheel, go_on
from rig.run.settings import Settings, SettingsError, load_settings
from rig.run.taught import with_taught
from rig.serving import SERVING_ERRORS, add_people_options, add_serve_options, people_command, serve_command
from rig.shown import SURE_WAY, answer_text, loaded_text, ticket_text
from rig.terminal import ProgressPrinter, person_for
from rig.units import QuantityError
from rig.wheel import Caution, SizeError, ValveError

OK, USAGE, REFUSED, ENDED_EARLY, UNREACHABLE = 0, 2, 3, 4, 5
DATA = Path("rig-data")
DEMO_CONFIG = DATA / "rig.toml"

_STATUS: tuple[tuple[tuple[type[Exception], ...], int], ...] = (
    ((SettingsError, QuantityError, SizeError, ValveError, FluidError, TargetError, *SERVING_ERRORS), USAGE),
    ((Refused, NotAnswered, LockedError, JournalError), REFUSED),
    ((Unreachable, FieldError), UNREACHABLE),
    ((Impossible,), ENDED_EARLY),
)


def main(arguments: Sequence[str]) -> int:
    """Run one command; returns the exit status."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    known = tuple(kind for kinds, _ in _STATUS for kind in kinds)
    try:
        return command(options)
    except known as error:
        print(f"rig: {error}", file=sys.stderr)
        return next(status for kinds, status in _STATUS if isinstance(error, kinds))
    except KeyboardInterrupt:
        return ENDED_EARLY
    except BrokenPipeError:
        # Whoever read the answer has seen enough (a pager, `head`): that is no failure of the command.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="rig", description="Fill controller for a metered tyre-ballast rig.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def add(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=text, description=text)
        command.set_defaults(command=run)
        command.add_argument("--json", action="store_true", help="one JSON document on standard output")
        return command

    demo = add("demo", _demo, "One whole fill on a simulated rig in a process of its own.")
    demo.add_argument("--size", default="16.9-28", help="tyre size (default %(default)s)")
    demo.add_argument("--speed", type=float, default=30.0, help="times real time, 1 to 100 (default %(default)s)")
    demo.add_argument("--layout", choices=("vent", "draw-down"), default="vent", help="how the air gets out")

    target = add("target", _target, "What to put into a wheel: litres, weight, pressures, plan, cautions.")
    _add_target_options(target)

    add_check_options(add("check", check_command, "Read and explain a configuration."), DEMO_CONFIG)

    fill = add("fill", _fill, "Fill one wheel.")
    _add_wheel_options(fill)
    fill.add_argument("--match", metavar="ID", help="as much as that fill put into an equal wheel")

    loaded = add("loaded", _loaded, "Is there liquid inside? The sure way, and the air space that is left.")
    _add_wheel_options(loaded)
    add_loaded_options(loaded)

    prove = add("prove", prove_command, "Prove the meter with a known can, a wheeled prover or a scale.")
    add_prove_options(prove, DEMO_CONFIG)
    meter = add("meter", meter_command, "The meter: its factor, when it was proven, and whether it drifts.")
    meter.add_argument("--config", type=Path, default=DEMO_CONFIG)

    add_serve_options(add("serve", serve_command, "Controller and pump-side page."), DEMO_CONFIG)
    add_people_options(add("people", people_command, "Who may sign in at the page."), DEMO_CONFIG)
    add_empty_options(add("empty", empty_command, "Take liquid out of a wheel, counted."), DEMO_CONFIG)
    add_rinse_options(add("rinse", rinse_command, "Rinse pump and hose into a drain vessel."), DEMO_CONFIG)

    for name, run, text in (
        ("resume", _resume, "Go on with an interrupted fill."),
        ("close", _close, "Close an interrupted fill as it is."),
    ):
        command = add(name, run, text)
        command.add_argument("id")
        command.add_argument("--config", type=Path, help="default: the configuration that the fill was started with")
        command.add_argument("--unattended", action="store_true")
    command.add_argument("--supply-cut", action="store_true", help="the pump's supply is cut: it cannot run")

    add_book_commands(add)
    return parser


def _add_target_options(target: argparse.ArgumentParser) -> None:
    """Options of the answer without a fill."""
    target.add_argument("size", nargs="*", metavar="SIZE")
    target.add_argument("--wheel", metavar="W", help="a wheel of the shop: taught, or in the configuration")
    add_question_options(target)
    target.add_argument("--machine", type=Path, metavar="FILE", help="a whole machine: config/machines/example.toml")
    target.add_argument("--svg", type=Path, metavar="FILE", help="write the picture of the wheel there")
    target.add_argument("--config", type=Path, help="rig configuration (default: a common rig)")
    target.add_argument("--job", default="", help="whose work it is: then the book tells what the wheel holds")
    target.add_argument("--position", default="", help="for example rear left")


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


def _target(options: argparse.Namespace) -> int:
    settings, question = _settings_or_common(options.config), question_of(options, "")
    if sum((bool(options.size), options.machine is not None, options.wheel is not None)) != 1:
        raise TargetError("name one or more sizes, or a machine by --machine FILE, or a wheel by --wheel W")
    if options.machine is not None:
        job = machine_job(settings, question, options.machine)
        print(json.dumps(job_json(job)) if options.json else job_text(job))
        return OK
    sizes = options.size if options.wheel is None else [options.wheel]
    found = [_foretold(settings, _of_wheel(settings, options, question, size), options) for size in sizes]
    if options.svg is not None:
        options.svg.write_text(svg(found[0]), encoding="utf-8")
    if options.json:
        documents = [target.as_json() for target in found]
        print(json.dumps(documents[0] if len(documents) == 1 else documents))
    else:
        texts = [answer_text(target) for target in found]
        print("\n\n".join(texts if len(texts) > 1 else [*texts, drawing(found[0])]))
    return OK


def _of_wheel(settings: Settings, options: argparse.Namespace, question: Question, size: str) -> Question:
    """The question about a size, or about the wheel of the shop that is named, as it was taught last."""
    if options.wheel is None:
        return replace(question, size=size)
    return wheel_question(with_taught(settings), options.wheel, question)


def _foretold(settings: Settings, question: Question, options: argparse.Namespace) -> Target:
    """The answer with what the book has to say, another liquid in the tote among it."""
    known = foreknown(settings, question, options.job, options.position)
    if not known.refusal:
        return known.target
    refused = Caution("danger", known.refusal, "the shop's own book")
    return replace(known.target, cautions=(refused, *known.target.cautions))


def _settings_or_common(config: Path | None) -> Settings:
    """The named configuration, or the demonstration rig's pump and limits where there is none yet."""
    from rig.demo import demo_config

    return load_settings(config if config is not None else demo_config("vent"))


def _demo(options: argparse.Namespace) -> int:
    def watch_and_fill(settings: Settings, config: Path) -> dict[str, object]:
        question = Question(size=options.size)
        _say(options, answer_text(answer(settings, question)))
        errand = Errand(question, by="demo", position="rear left", config=str(config))
        return asyncio.run(fill_wheel(settings, errand, Unattended("demo"), ProgressPrinter()))

    return _finish(options, run_demo(DATA, options.size, options.speed, options.layout, watch_and_fill), simulated=True)


def _fill(options: argparse.Namespace) -> int:
    settings = load_settings(options.config)
    question = _of_wheel(settings, options, question_of(options, ""), options.size)
    question = matched(settings, options.match, question)
    person = person_for(options, settings)
    _say(options, answer_text(_foretold(settings, question, options)))
    errand = Errand(question, options.by, options.job, options.position, str(options.config), options.other_fluid)
    record = asyncio.run(fill_wheel(settings, errand, person, ProgressPrinter()))
    return _finish(options, record, simulated=settings.rig.simulated)


def _loaded(options: argparse.Namespace) -> int:
    air = tank_air_of(options)
    settings = load_settings(options.config) if air is None else _settings_or_common(_existing(options.config))
    question = _of_wheel(settings, options, question_of(options, ""), options.size)
    _say(options, SURE_WAY)
    cavity, wanted = cavity_asked(question), question.wanted
    if air is not None:
        told_l = wanted.existing_l
        rise = tank_rise(settings.rig.atmosphere, told_l, air.tyre_kpa, air.tank_l, air.tank_kpa, air.gauge_u_kpa)
        found = inside_by_air(cavity_facts(cavity, wanted.valve_at), rise, told_l)
        document = {"size": question.size, "cavity_l": round(cavity.volume_l, 1), **as_json(found)}
        print(json.dumps(document) if options.json else loaded_text(document))
        return OK
    if (wanted.volume_l, wanted.mass_kg, wanted.percent) != (None, None, None):
        raise TargetError("what is sealed in is a share of the cavity: --seal PERCENT in place of a target")
    share_l = sealed_share(options) * cavity.volume_l
    errand = Errand(
        replace(question, wanted=replace(wanted, volume_l=share_l)),
        options.by,
        options.job,
        options.position,
        str(options.config),
        options.other_fluid,
        asks_inside=True,
    )
    record = asyncio.run(fill_wheel(settings, errand, person_for(options, settings), ProgressPrinter()))
    return _finish(options, record, simulated=settings.rig.simulated)


def _existing(config: Path) -> Path | None:
    return config if config.exists() else None


def _resume(options: argparse.Namespace) -> int:
    settings = load_settings(_config_of(options))
    person = person_for(options, settings, go_on=True)
    record = asyncio.run(go_on(settings, options.id, person, ProgressPrinter()))
    return _finish(options, record, simulated=settings.rig.simulated)


def _close(options: argparse.Namespace) -> int:
    config = _config_of(options)
    settings = load_settings(config) if config.exists() else None
    folder = Path(settings.rig.data) if settings else DATA
    record = asyncio.run(close_as_is(settings, folder, options.id, supply_cut=options.supply_cut))
    return _finish(options, record, simulated=settings is None or settings.rig.simulated)


def _config_of(options: argparse.Namespace) -> Path:
    if options.config is not None:
        return Path(options.config)
    with contextlib.closing(journal_to_read(DATA)) as journal:
        stored = journal.fill(options.id)
    return Path(str(stored.about["config"]))


def _say(options: argparse.Namespace, text: str) -> None:
    print(text, file=sys.stderr if options.json else sys.stdout, flush=True)


def _finish(options: argparse.Namespace, record: dict[str, object], *, simulated: bool) -> int:
    print(json.dumps(record) if options.json else ticket_text(record, simulated=simulated))
    if "loaded_verdict" in record and not options.json:
        print(loaded_text(record))
    low = record.get("order_again")
    if isinstance(low, list) and low:
        _say(options, f"ORDER AGAIN: below the mark: {', '.join(low)}")
    return OK if record["outcome"] == "complete" else ENDED_EARLY
