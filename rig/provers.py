"""`rig prove` and `rig meter`: options to a trial, a person's readings to numbers, the answer to text or JSON.

Decides nothing: the verdict is the meter room's, the books are kept in rig.run.
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
from rig.meter.proving import MOST_RUNS, Gate
from rig.meter.references import CAN_DOUBT, Air, Can, Material, Scale
from rig.proofs import history_text, meter_text, proving_text
from rig.run.assembly import fluid_of
from rig.run.meter_page import meter_page
from rig.run.person import Person, Unattended
from rig.run.posting import journal_to_read
from rig.run.prover import Counted, Outcome, Read, Seen, Trial, count_runs, judge, keep, liquid_c, simulated_eyes
from rig.run.second_copy import COPY_FAULT
from rig.run.session import Refused
from rig.run.settings import Settings, load_settings
from rig.terminal import ProgressPrinter, Terminal
from rig.units import Kind, QuantityError, parse

OK, REFUSED = 0, 3
_WIDEST_RANGE = 0.5
"""Per cent; maintenance tolerance for such meters (NIST Handbook 44, 3.30, from memory)."""
_MATERIALS: tuple[Material, ...] = get_args(Material)
_WATER_DENSITY_DOUBT, _HYDROMETER_DOUBT, _RECIPE_DOUBT = 2e-4, 1e-3, 5e-3
"""Of the density for a proving by weight. Water is what it is; a hydrometer is read to a unit in the third place; a
recipe is half a per cent. Assumed, no source."""


def add_prove_options(command: argparse.ArgumentParser, default_config: Path) -> None:
    """The options of ``rig prove``."""
    add = command.add_argument
    add("--config", type=Path, default=default_config)
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


def prove_command(options: argparse.Namespace) -> int:
    """Prove the meter, or show what was proven; returns the exit status."""
    settings = load_settings(options.config)
    if options.history:
        return _history(options, settings)
    trial = trial_of(options, settings)
    if options.pulses is not None:
        outcome = judge(settings, trial, offline_runs(options, settings, trial))
        return asyncio.run(_finish(options, settings, outcome, None))
    if settings.rig.by_hand:
        raise Refused("this rig is worked by hand: pump into the can, and give what the meter counted by --pulses")
    if options.unattended and not (settings.rig.simulated or settings.rig.unattended):
        raise Refused("--unattended moves a real pump with nobody there: allow it by rig.unattended = true, or answer")
    return asyncio.run(_live(options, settings, trial))


async def _live(options: argparse.Namespace, settings: Settings, trial: Trial) -> int:
    if not options.unattended:
        settle_clock(settings, options.by)
    terminal = None if options.unattended else Terminal(options.by or "terminal", settings)
    person: Callable[[], Person] = (lambda: terminal) if terminal is not None else Unattended
    counted = await count_runs(settings, trial, person, _reader(options, settings, trial, terminal), ProgressPrinter())
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


# --- options to a trial -----------------------------------------------------------------------------------------------


def trial_of(options: argparse.Namespace, settings: Settings) -> Trial:
    """The trial that the options describe; QuantityError where they do not go together."""
    text = options.fluid or settings.tote.fluid
    fluid = fluid_of(settings, text)
    if (options.can is not None) + (options.scale is not None) + (options.reference is not None) != 1:
        raise QuantityError(
            'what is the meter compared with? write one of --can "20 L", --scale "0.05 kg", or --reference "100 gal" '
            "with --pulses"
        )
    if not 1 <= options.runs <= MOST_RUNS:
        raise QuantityError(f"--runs {options.runs}: write 3 to {MOST_RUNS}")
    if not 0 < options.range <= _WIDEST_RANGE:
        raise QuantityError(f"--range {options.range:g}: write at most {_WIDEST_RANGE:g}, the tolerance itself")
    reference: Can | Scale
    if options.scale is None:
        reference = _can(options)
        volume_l = reference.volume_l
    else:
        reference = _scale(options, settings, water=fluid.kind == "water")
        volume_l = 0.0 if options.volume is None else parse(options.volume, "volume")
    if volume_l <= 0 and options.pulses is None:
        raise QuantityError('--volume: how much to deliver in one run? for example --volume "40 L"')
    return Trial(
        reference=reference,
        volume_l=volume_l,
        runs=options.runs,
        fluid=fluid,
        fluid_text=text,
        density_kg_m3=_maybe(options.density, "density"),
        temp_c=_maybe(options.temp, "temperature"),
        vessel_c=_maybe(options.vessel_temp, "temperature"),
        gate=Gate(range_percent=options.range),
        by=options.by,
        config=str(options.config),
    )


def _maybe(text: str | None, kind: Kind) -> float | None:
    return None if text is None else parse(text, kind)


def _can(options: argparse.Namespace) -> Can:
    material: Material = options.material
    doubt = CAN_DOUBT[material] if options.can_doubt is None else _percent(options.can_doubt)
    volume_l = parse(options.can if options.can is not None else options.reference, "volume")
    if volume_l <= 0:
        raise QuantityError("a can of nothing proves nothing: write what it holds up to its mark")
    return Can(volume_l, material, parse(options.can_temp_ref, "temperature"), doubt)


def _scale(options: argparse.Namespace, settings: Settings, *, water: bool) -> Scale:
    density_doubt = _HYDROMETER_DOUBT if options.density else _WATER_DENSITY_DOUBT if water else _RECIPE_DOUBT
    air = Air(settings.rig.atmosphere, parse(options.air_temp, "temperature"), options.humidity)
    return Scale(parse(options.scale, "mass"), density_doubt, air)


def _percent(text: str) -> float:
    try:
        share = float(text.rstrip("% ")) / 100
    except ValueError:
        share = -1.0
    if not 0 <= share < 1:
        raise QuantityError(f"{text!r} is no percentage: write for example --can-doubt 0.05")
    return share


# --- readings ---------------------------------------------------------------------------------------------------------


def seen_of(text: str, options: argparse.Namespace, trial: Trial) -> Seen:
    """One reading as it is written: ``20.03 L``, from the mark ``+0.03 L``, by weight ``20.01 kg``, with a temperature
    behind ``@`` where it was taken. QuantityError with what to write instead.
    """
    amount, _, temp = (part.strip() for part in text.partition("@"))
    vessel_c = parse(temp, "temperature") if temp else None
    if isinstance(trial.reference, Scale):
        found = parse(amount, "mass") - parse(options.tare, "mass")
    elif amount[:1] in "+-":
        found = trial.reference.volume_l + parse(amount, "volume")
    else:
        found = parse(amount, "volume")
    if found <= 0:
        raise QuantityError(f"{text!r}: nothing in the vessel? write what it shows")
    return Seen(found, vessel_c)


def _listed(text: str) -> list[str]:
    """Items apart by semicolons, or by commas where there are none."""
    return [item.strip() for item in text.split(";" if ";" in text else ",") if item.strip()]


def offline_runs(options: argparse.Namespace, settings: Settings, trial: Trial) -> list[tuple[Counted, Seen]]:
    """Runs as typed: pulses, and what the reference showed in each (its volume, where nothing else is said)."""
    try:
        pulses = [int(item) for item in _listed(options.pulses)]
    except ValueError as error:
        raise QuantityError(
            f"--pulses {options.pulses!r}: write whole numbers, for example 25010,25015,25012"
        ) from error
    if not pulses or min(pulses) <= 0 or len(pulses) > MOST_RUNS:
        raise QuantityError(f"--pulses: write the pulses of 3 to {MOST_RUNS} runs, each above zero")
    if options.readings is not None:
        seen = [seen_of(item, options, trial) for item in _listed(options.readings)]
    elif isinstance(trial.reference, Can):
        seen = [Seen(trial.reference.volume_l)] * len(pulses)
    else:
        raise QuantityError("--readings: what did the scale show in each run?")
    flows: list[float | None] = [None] * len(pulses)
    if options.flows is not None:
        flows = [parse(item, "flow") for item in _listed(options.flows)]
    if not len(pulses) == len(seen) == len(flows):
        raise QuantityError(
            f"{len(pulses)} runs by --pulses, {len(seen)} readings, {len(flows)} flows: one of each a run"
        )
    meter_c = liquid_c(settings, trial)
    return [(Counted(count, meter_c, flow), each) for count, flow, each in zip(pulses, flows, seen, strict=True)]


def _reader(options: argparse.Namespace, settings: Settings, trial: Trial, terminal: Terminal | None) -> Read:
    if options.readings is not None:
        listed = [seen_of(item, options, trial) for item in _listed(options.readings)]
        if len(listed) != trial.runs:
            raise QuantityError(f"{len(listed)} readings for {trial.runs} runs")
        return lambda number, _counted: _at_once(listed[number - 1])
    if terminal is not None:
        return lambda number, counted: _typed(terminal, options, trial, number, counted)
    if isinstance(trial.reference, Scale) or "vessel_level" not in settings.points:
        raise Refused(
            "nobody reads the vessel: answer at a terminal, or give --readings (a simulated rig whose map has "
            "hand_in_vessel and vessel_level reads a can by itself)"
        )
    return lambda _number, _counted: simulated_eyes(settings)


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
            return seen_of(answer, options, trial)
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
