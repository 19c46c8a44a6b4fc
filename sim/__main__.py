"""Command line of the simulated rig: ``python -m sim`` serve, bench, campaign. It prints, exits and decides nothing."""

from __future__ import annotations

import argparse
import asyncio
import functools
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger.black_box import BoxError
from rig.run.refused import Refused
from rig.run.settings import Settings, SettingsError, load_settings
from sim.assembly import AssemblyError
from sim.bench import bench
from sim.campaign_options import add_campaign, add_splitting, run_campaign, run_splitting
from sim.cause_table import cause_table
from sim.chart_curve import chart_curve
from sim.compiled import CompileError, is_compiled, run_compiled
from sim.devices import ServeError, serve
from sim.faults import FAULTS, Event, FaultError, read_fault
from sim.heat_table import heat_table
from sim.look_table import WAYS, look_table
from sim.noise_table import noise_table
from sim.plant.sensors import SPLITS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

EXIT_USAGE = 2
EXIT_FIELD = 5


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    options = _parser().parse_args(given)
    if options.command == "bench":
        return bench(options.fills, options.seed, start=options.start, as_json=options.json)
    if options.command == "stock":
        # It needs numpy, which a rig does without.
        from sim.stock_table import stock_table

        stock_table(options.years, options.cases, options.seed, options.jobs, lambda line: print(line, flush=True))
        return 0
    if options.command == "chart":
        chart_curve(options.books, options.seed, options.spread / 100, lambda line: print(line, flush=True))
        return 0
    if options.command == "look":
        say = functools.partial(print, flush=True)
        look_table(options.looks, options.seed, options.jobs, say, options.way, options.split)
        return 0
    if options.command in ("campaign", "splitting"):
        return _judged(given, options)
    try:
        settings = load_settings(options.config)
        if options.as_recorded is not None:
            from sim.as_recorded import as_recorded

            settings, words = as_recorded(settings, options.as_recorded, options.records)
            print("\n".join(words), flush=True)
        faults = [read_fault(text) for text in options.fault]
        return asyncio.run(_serve(settings, faults, options))
    except (SettingsError, FaultError, AssemblyError, Refused, BoxError) as error:
        print(error, file=sys.stderr)
        return EXIT_USAGE
    except ServeError as error:
        print(error, file=sys.stderr)
        return EXIT_FIELD
    except OSError as error:
        print(f"{options.truth}: the truth cannot be written ({error.strerror or error})", file=sys.stderr)
        return EXIT_USAGE


def _table_of(options: argparse.Namespace) -> Callable[[Sequence[int], int, Callable[[str], None]], int] | None:
    """The table that is asked for instead of a campaign."""
    tables = {noise_table: options.noise_table, heat_table: options.heat_table, cause_table: options.cause_table}
    return next((table for table, asked in tables.items() if asked), None)


def _judged(given: Sequence[str], options: argparse.Namespace) -> int:
    if not options.compiled or is_compiled():
        if options.command == "splitting":
            return run_splitting(options)
        made = _table_of(options)
        if made is None:
            return run_campaign(options)
        seeds = range(options.seed, options.seed + options.fills)
        return 1 if made(seeds, options.jobs, lambda line: print(line, flush=True)) else 0
    try:
        return run_compiled(given)
    except CompileError as error:
        print(error, file=sys.stderr)
        return EXIT_USAGE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m sim", description="A simulated ballast rig.")
    commands = parser.add_subparsers(dest="command", required=True)
    run = commands.add_parser(
        "serve",
        help="serve a rig's plant over its links",
        description="Serve the plant of a configuration over its links until SIGINT or SIGTERM. "
        "A serial port that does not exist becomes a link to a pseudo-terminal of that name.",
        epilog="faults: " + "; ".join(f"{name}: {fault.text}" for name, fault in FAULTS.items()),
    )
    run.add_argument("--config", type=Path, required=True, metavar="FILE", help="the rig's configuration")
    run.add_argument("--speed", type=_speed, metavar="N", help="plant seconds per second (default: clock.scale)")
    run.add_argument("--port", type=_port, metavar="P", help="listen here instead; 0 chooses a free port")
    run.add_argument("--size", metavar="S", help="tyre size instead of sim.size")
    run.add_argument(
        "--as-recorded", metavar="ID", help="a plant with what a recorded fill of this rig, and those before it, show"
    )
    run.add_argument("--records", type=Path, metavar="FOLDER", help="where it was recorded (default: rig.data)")
    run.add_argument("--fault", action="append", default=[], metavar="NAME@SECONDS[:DURATION]", help="may be repeated")
    run.add_argument("--with-parent", action="store_true", help="end when standard input closes, as when a parent dies")
    run.add_argument("--paced", action="store_true", help="answer on a serial bus no faster than its wire could")
    run.add_argument("--open-vessel", action="store_true", help="the hose's end hangs in an open vessel from the start")
    run.add_argument("--free", action="store_true", help="a fast plant waits for nobody, as a real one")
    run.add_argument("--truth", type=Path, metavar="FILE", help="write what really happened as JSON")
    figures = commands.add_parser("bench", help="the figures", description="Measure, and print ratios within one run.")
    figures.add_argument("--fills", type=int, default=500, help="simulated fills, 0 for none (default %(default)s)")
    figures.add_argument("--seed", type=int, default=1)
    figures.add_argument("--start", action="store_true", help="only how long commands take to start")
    figures.add_argument("--json", action="store_true", help="one JSON document")
    stock = commands.add_parser(
        "stock",
        help="stock that is explained",
        description="Simulate tanks, and count false alarms and what is found of leaks, meters and unbooked loads.",
    )
    stock.add_argument("--years", type=int, default=200, help="of each sound tank (default %(default)s)")
    stock.add_argument("--cases", type=int, default=200, help="of each other tank (default %(default)s)")
    stock.add_argument("--seed", type=int, default=1)
    stock.add_argument("--jobs", type=int, default=1)
    chart = commands.add_parser(
        "chart",
        help="what measured wheels are worth",
        description="Draw sizes, and print the error and coverage of a wheel's cavity by the count of measured wheels.",
    )
    chart.add_argument("--books", type=int, default=10, help="of 20 sizes each (default %(default)s)")
    chart.add_argument("--spread", type=_spread, default=5.0, metavar="PERCENT", help="1 s (default %(default)s)")
    chart.add_argument("--seed", type=int, default=1)
    look = commands.add_parser(
        "look",
        help="what a look with air is worth",
        description="Look into simulated wheels with air, and print what is stated against the truth.",
    )
    look.add_argument("--looks", type=int, default=200, help="in each cell (default %(default)s)")
    look.add_argument("--way", default="", choices=["", *(way.name for way in WAYS)], metavar="NAME", help="only one")
    look.add_argument("--split", default="each pressure", choices=list(SPLITS), help="how the gauges' errors go")
    look.add_argument("--seed", type=int, default=1)
    look.add_argument("--jobs", type=int, default=1)
    add_campaign(commands)
    add_splitting(commands)
    return parser


def _spread(text: str) -> float:
    value = float(text)
    if not 1.3 <= value <= 20.0:
        raise argparse.ArgumentTypeError(f"{text} is no spread: write 1.3 to 20, percent of the cavity")
    return value


def _speed(text: str) -> float:
    value = float(text)
    if not 0.1 <= value <= 1000.0:
        raise argparse.ArgumentTypeError(f"{text} is no speed: write a number from 0.1 to 1000, for example 30")
    return value


def _port(text: str) -> int:
    value = int(text)
    if not 0 <= value <= 65535:
        raise argparse.ArgumentTypeError(f"{text} is no port: write 0 to 65535")
    return value


async def _serve(settings: Settings, faults: list[Event], options: argparse.Namespace) -> int:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    if options.with_parent:
        # Nothing is ever written to this pipe: it becomes readable when the other end is closed.
        asyncio.get_running_loop().add_reader(sys.stdin, stop.set)

    def ready(places: list[str]) -> None:
        print(f"serving {settings.rig.name} on {', '.join(places)}", flush=True)

    rig = await serve(
        settings, speed=options.speed, port=options.port, size=options.size, faults=faults,
        truth_file=options.truth, ready=ready, paced=options.paced, open_vessel=options.open_vessel,
        free=options.free,
    )  # fmt: skip
    try:
        await rig.run_until(stop)
    finally:
        await rig.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
