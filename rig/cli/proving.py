"""`rig prove` and `rig meter`: options to a trial, a person's readings to numbers, the result to text or JSON.

Decides nothing: the verdict is the meter room's, the records are written in rig.run.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import get_args

from rig.books.clock import settle_clock
from rig.cli.face import Lines
from rig.cli.proving_text import history_text, meter_text, proving_text
from rig.cli.table import DEMO_CONFIG, OK, REFUSED, Add
from rig.cli.terminal import Terminal, say_cautions
from rig.meter.proving import Gate
from rig.meter.references import Can, Material, Scale
from rig.run.person import Person, Unattended
from rig.run.prover import Counted, Outcome, Read, Seen, Trial, count_runs, judge, keep
from rig.run.refused import Refused
from rig.run.settings import Settings, load_settings
from rig.run.stand_in import StandIn, stand_in_of
from rig.shop.before import wiring_cautions
from rig.shop.meter_page import meter_page
from rig.shop.posting import journal_to_read
from rig.shop.second_copy import COPY_FAULT
from rig.shop.trials import TrialText, listed, offline_runs, seen_of, trial_of
from rig.units import QuantityError

_MATERIALS: tuple[Material, ...] = get_args(Material)


def add_proving(add: Add) -> None:
    """The commands ``prove`` and ``meter``."""
    _add_prove_options(add("prove", prove_command))
    add("meter", meter_command).add_argument("--config", type=Path, default=DEMO_CONFIG)


def _add_prove_options(command: argparse.ArgumentParser) -> None:
    add = command.add_argument
    add("--config", type=Path, default=DEMO_CONFIG)
    add("--can", metavar="Q", help='a known can: what it holds up to its mark, for example "20 L"')
    add("--can-temp-ref", metavar="Q", default="60 degF", help="temperature that this volume is for (%(default)s)")
    add("--can-doubt", metavar="PERCENT", help="how well that volume is known, per cent")
    add("--material", choices=_MATERIALS, default="mild steel", help="what the can is made of (%(default)s)")
    add("--scale", metavar="Q", help='a scale under the vessel: how well it weighs, for example "0.05 kg"')
    add("--tare", metavar="Q", default="0 kg", help="the empty vessel, where the scale was not set to nought")
    add("--volume", metavar="Q", help="how much to deliver in one run on a scale")
    add("--density", metavar="Q", help="of the liquid by hydrometer, for a scale")
    add("--air-temp", metavar="Q", default="20 degC", help="of the air around the scale (%(default)s)")
    add("--humidity", type=float, default=50.0, metavar="PERCENT", help="of that air (%(default)s)")
    add("--fluid", help="what is pumped; without it, what is in the tote")
    add("--temp", metavar="Q", help="temperature of the liquid, where the rig has no thermometer")
    add("--vessel-temp", metavar="Q", help="temperature in the can, where it differs")
    add("--runs", type=int, default=3, help="how many to count, after one that only wets the can (%(default)s)")
    add("--readings", metavar="LIST", help='what the can showed: "20.03 L, 20.02 L" or from the mark "+0.03 L, -1 in3"')
    add("--pulses", metavar="LIST", help="runs made elsewhere or before: their pulses; nothing moves")
    add("--reference", metavar="Q", help='volume of the prover for --pulses, for example "100 gal"')
    add("--flows", metavar="LIST", help='flow of each run for --pulses, for example "40 L/min, 20 L/min"')
    add("--range", type=float, default=Gate().range_percent, metavar="PERCENT", help="allowed spread (%(default)s)")
    add("--by", default="", metavar="NAME", help="who proves")
    add("--accept", action="store_true", help="take the factor without asking, when the proving is good")
    add("--unattended", action="store_true", help="answer the prompts and read the can (simulated rigs)")
    add("--history", action="store_true", help="show the provings so far")


def trial_text(options: argparse.Namespace) -> TrialText:
    """The options of a proving, as typed."""
    given = {name: getattr(options, name) for name in TrialText.model_fields}
    return TrialText.model_validate(given | {"config": str(options.config)})


def prove_command(options: argparse.Namespace) -> int:
    """Prove the meter, or show earlier provings; returns the exit status."""
    settings = load_settings(options.config)
    if options.history:
        return _history(options, settings)
    typed = trial_text(options)
    trial = trial_of(typed, settings)
    if options.pulses is not None:
        outcome = judge(settings, trial, offline_runs(typed, settings, trial))
        return asyncio.run(_finish(options, settings, outcome, None))
    if settings.rig.by_hand:
        raise Refused("this rig is worked by hand: pump into the can, and give what the meter counted by --pulses")
    if options.unattended and not (settings.rig.simulated or settings.rig.unattended):
        raise Refused("--unattended moves a real pump with nobody there: allow it by rig.unattended = true, or answer")
    return asyncio.run(_live(options, settings, trial))


async def _live(options: argparse.Namespace, settings: Settings, trial: Trial) -> int:
    if not options.unattended:
        settle_clock(settings, options.by)
    say_cautions(wiring_cautions(settings), as_json=options.json)
    terminal = None if options.unattended else Terminal(options.by or "terminal", settings)
    person: Callable[[], Person] = (lambda: terminal) if terminal is not None else Unattended
    counted = await count_runs(settings, trial, person, _reader(options, settings, trial, terminal), Lines())
    return await _finish(options, settings, judge(settings, trial, counted), terminal)


async def _finish(options: argparse.Namespace, settings: Settings, outcome: Outcome, terminal: Terminal | None) -> int:
    text = proving_text(outcome, simulated=settings.rig.simulated)
    print(text, file=sys.stderr if options.json else sys.stdout, flush=True)
    accepted = outcome.proving.passed and (options.accept or await _asked(settings, terminal))
    found = keep(settings, outcome, accepted=accepted)
    if options.json:
        print(json.dumps(found))
    else:
        print(f"  Proving {found['number']} {'taken' if accepted else 'not taken'}; the factor in force is "
              f"{found['factor_in_force']:.5f}.")  # fmt: skip
    if COPY_FAULT in found:
        print(f"rig: {found[COPY_FAULT]}", file=sys.stderr)
    return OK if outcome.proving.passed else REFUSED


async def _asked(settings: Settings, terminal: Terminal | None) -> bool:
    question = "Take this factor from now on? [y = yes, Enter = no]"
    if terminal is None:
        if not sys.stdin.isatty():
            return False
        terminal = Terminal("terminal", settings)
    return (await terminal.ask(question) or "").lower() in ("y", "yes")


def _history(options: argparse.Namespace, settings: Settings) -> int:
    with contextlib.closing(journal_to_read(Path(settings.rig.data))) as journal:
        found = journal.provings()
    rows = [
        {"number": each.number, "at": each.at, **each.document, "accepted": each.accepted, "void": each.void}
        for each in found
    ]
    print(json.dumps(rows) if options.json else history_text(found))
    return OK


def _reader(options: argparse.Namespace, settings: Settings, trial: Trial, terminal: Terminal | None) -> Read:
    if options.readings is not None:
        readings = [seen_of(item, options.tare, trial.reference) for item in listed(options.readings)]
        if len(readings) != trial.runs:
            raise QuantityError(f"{len(readings)} readings for {trial.runs} runs")
        return lambda number, _counted: _at_once(readings[number - 1])
    if terminal is not None:
        return lambda number, counted: _typed(terminal, options, trial, number, counted)
    stand_in = stand_in_of(settings)
    if isinstance(trial.reference, Scale) or stand_in is None or not stand_in.reads(settings):
        raise Refused(
            "nobody reads the vessel: answer at a terminal, or give --readings (a simulated rig whose map has "
            "hand_in_vessel and vessel_level reads a can by itself)"
        )
    return lambda _number, _counted: _by_eye(stand_in, settings)


async def _by_eye(stand_in: StandIn, settings: Settings) -> Seen:
    return Seen(await stand_in.vessel_l(settings))


async def _at_once(seen: Seen) -> Seen:
    return seen


async def _typed(terminal: Terminal, options: argparse.Namespace, trial: Trial, number: int, counted: Counted) -> Seen:
    what = (
        'What does the can show? for example "20.03 L", or from the mark "+0.03 L" or "-2 in3"'
        if isinstance(trial.reference, Can)
        else 'What does the scale show? for example "20.01 kg"'
    )
    question = f"Run {number} of {trial.runs}: {counted.pulses} pulses. {what}; with a temperature: … @ 15.2 degC"
    while True:
        answer = await terminal.ask(question)
        if answer is None or answer == "n":
            raise Refused("the can was not read: nothing of this proving is kept")
        try:
            return seen_of(answer, options.tare, trial.reference)
        except QuantityError as error:
            print(f"  {error}", file=sys.stderr, flush=True)


# --- the meter's page -------------------------------------------------------------------------------------------------


def meter_command(options: argparse.Namespace) -> int:
    """Show the meter's page; returns the exit status."""
    settings = load_settings(options.config)
    with contextlib.closing(journal_to_read(Path(settings.rig.data))) as journal:
        page = meter_page(settings, journal)
    print(json.dumps(page.as_json()) if options.json else meter_text(page))
    return OK
