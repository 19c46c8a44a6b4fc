"""`rig target`: the target for a wheel, or for every wheel of a machine. Options to questions; decides nothing."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

from rig.books.answer import answer_text, why_text
from rig.caution import THE_BOOK, Caution
from rig.cli.load import add_load_options, loads_of, price_by_weight, price_json, price_line
from rig.cli.options import add_question_options, question_text
from rig.cli.picture import drawing, svg
from rig.cli.table import OK, Add
from rig.plan.target import Target, TargetError
from rig.run.assembly import Question, wheel_question
from rig.run.settings import Settings, load_settings
from rig.shop.before import foreknown
from rig.shop.questions import question_of
from rig.shop.taught import with_wheel


def add_target(add: Add) -> None:
    """The command ``target``."""
    target = add("target", target_command)
    target.add_argument("size", nargs="*", metavar="SIZE")
    target.add_argument("--wheel", metavar="W", help="a wheel of the shop: taught, or in the configuration")
    add_question_options(target)
    add_load_options(target)
    target.add_argument("--machine", type=Path, metavar="FILE", help="a whole machine: config/machines/example.toml")
    target.add_argument(
        "--why", action="store_true", help="sources, bounds, the plan by strokes, all cautions, a picture"
    )
    target.add_argument("--svg", type=Path, metavar="FILE", help="write the picture of the wheel there")
    target.add_argument("--config", type=Path, help="rig configuration (default: a common rig)")
    target.add_argument("--job", default="", help="whose work it is: then the book shows what the wheel holds")
    target.add_argument("--position", default="", help="for example rear left")


def target_command(options: argparse.Namespace) -> int:
    """Answer without moving anything; returns the exit status."""
    settings, question = settings_or_common(options.config), question_of(question_text(options), "")
    if sum((bool(options.size), options.machine is not None, options.wheel is not None)) != 1:
        raise TargetError("name one or more sizes, or a machine by --machine FILE, or a wheel by --wheel W")
    if options.machine is not None:
        from rig.cli.machine import job_json, job_text, machine_job

        job = machine_job(settings, question, options.machine)
        print(json.dumps(job_json(job)) if options.json else job_text(job))
        return OK
    sizes = options.size if options.wheel is None else [options.wheel]
    found = [foretold(settings, of_wheel(settings, options, question, size), options) for size in sizes]
    if options.svg is not None:
        from rig.books.printing import write_file

        write_file(options.svg, svg(found[0]).encode())
    loads = loads_of(options, sizes[0], found[0]) if len(found) == 1 else None
    price = None if loads is None else price_by_weight(settings, found[0])
    if options.json:
        documents = [target.as_json() for target in found]
        if loads is not None:
            documents[0]["load"] = loads.as_json() | price_json(price)
        print(json.dumps(documents[0] if len(documents) == 1 else documents))
    else:
        more = [] if loads is None else [*loads.lines(), *([] if price is None else [price_line(price)])]
        texts = [_text(target, more, why=options.why) for target in found]
        print("\n\n".join(texts if len(texts) > 1 or not options.why else [*texts, drawing(found[0])]))
    return OK


def _text(target: Target, more: list[str], *, why: bool) -> str:
    """The answer on one screen, or with all that it rests on."""
    if why:
        return why_text(target, more)
    return answer_text(target, [line for line in more if not line.lstrip().startswith("note:")])


def of_wheel(settings: Settings, options: argparse.Namespace, question: Question, size: str) -> Question:
    """The question about a size, or about the named wheel of the shop, as last taught."""
    if options.wheel is None:
        return replace(question, size=size)
    return wheel_question(with_wheel(settings, options.wheel), options.wheel, question)


def foretold(settings: Settings, question: Question, options: argparse.Namespace) -> Target:
    """The answer with the book's cautions, including another liquid in the tote."""
    known = foreknown(settings, question, options.job, options.position)
    if not known.refusal:
        return known.target
    refused = Caution("danger", known.refusal, THE_BOOK)
    return replace(known.target, cautions=(refused, *known.target.cautions))


def settings_or_common(config: Path | None) -> Settings:
    """The named configuration, or the demonstration rig's pump and limits if there is none."""
    from rig.cli.demo import demo_config

    return load_settings(config if config is not None else demo_config("vent"))
