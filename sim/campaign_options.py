"""Options of the commands that run judged fills: ``python -m sim campaign`` and ``splitting``."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING

from sim.campaign import campaign
from sim.fault_table import table
from sim.faults import FAULTS
from sim.scenarios import ALWAYS, PAIRS, PARTS, Case, Pair
from sim.seen import MEASURED
from sim.splitting import splitting

if TYPE_CHECKING:
    from collections.abc import Sequence

    _Commands = argparse._SubParsersAction[argparse.ArgumentParser]

_TABLES = {
    "table": "every fault in every phase", "noise-table": "sound fills at each step of gauge noise",
    "heat-table": "sound fills by heat transfer and temperature",
    "cause-table": "single faults and the causes that are named",
}  # fmt: skip


def add_campaign(commands: _Commands) -> None:
    """Add the subcommand and its options."""
    run = commands.add_parser(
        "campaign",
        help="many fills in virtual time under a judge",
        description="Run fills drawn from seeds, judge every tick, and print what rerun a seed with a breach.",
    )
    run.add_argument("--fills", type=_above_zero, default=100, metavar="N", help="how many (default %(default)s)")
    run.add_argument("--seed", type=int, default=1, metavar="S", help="the first seed (default %(default)s)")
    run.add_argument("--minutes", type=float, metavar="M", help="begin no fill after so long")
    faults = _add_kind(run)
    faults.add_argument(
        "--pair", type=_pair, metavar="A,B", help="in every fill these two faults, B on top of A or after it"
    )
    faults.add_argument(
        "--pairs", action="store_true", help="instead of --fills: every ordered pair of faults, a seed each"
    )
    run.add_argument("--replayed", action="store_true", help="record every fill and replay it: the same to the bit")
    run.add_argument(
        "--redraw", type=_redrawn, default=(), metavar="PART=SEED,…", help="draw these parts from other seeds"
    )
    for name, what in _TABLES.items():
        run.add_argument(f"--{name}", action="store_true", help=f"instead: {what}, as a table")


def add_splitting(commands: _Commands) -> None:
    """Add the subcommand and its options."""
    run = commands.add_parser(
        "splitting",
        help="a guided search for fills that break one requirement, and how rare they are",
        description="Subset simulation: of each level's fills, those that come nearest to breaking the requirement are "
        "varied into the next level's. Prints the levels, the probability of a breach, and the nearest fills.",
        epilog="requirements: " + ", ".join(sorted(MEASURED)),
    )
    run.add_argument("--requirement", choices=sorted(MEASURED), required=True, metavar="NAME", help="which is searched")
    run.add_argument(
        "--fills", type=_above_zero, default=200, metavar="N", help="fills of each level (default %(default)s)"
    )
    run.add_argument("--levels", type=_above_zero, default=8, metavar="L", help="at most (default %(default)s)")
    run.add_argument("--share", type=_share, default=0.2, metavar="P", help="kept of each level (default %(default)s)")
    run.add_argument("--seed", type=int, default=1, metavar="S", help="of the first fill (default %(default)s)")
    _add_kind(run)


def _add_kind(run: argparse.ArgumentParser) -> argparse._MutuallyExclusiveGroup:
    """Add what kind of fills are drawn and how they are run; returns the group of choices of faults."""
    faults = run.add_mutually_exclusive_group()
    faults.add_argument(
        "--single",
        action="store_true",
        help="exactly one fault in each, in any kind of phase, and people and power cuts more often",
    )
    run.add_argument("--wide", action="store_true", help="rigs, wheels and plants unlike the demonstration's")
    run.add_argument(
        "--thermal", action="store_true", help="plants unlike the demonstration's: heat, viscosity, losses and more"
    )
    run.add_argument("--drop", type=_parts, default=(), metavar="PARTS", help=f"leave out, of {','.join(PARTS)}")
    run.add_argument("--jobs", type=_above_zero, default=os.cpu_count() or 1, metavar="J", help="processes")
    run.add_argument("--json", action="store_true", help="one JSON document")
    run.add_argument(
        "--compiled", action="store_true", help="compile the code first, for twice the speed (needs a C compiler)"
    )
    return faults


def run_campaign(options: argparse.Namespace) -> int:
    """Run the command line's campaign; returns the exit status."""
    if options.table:
        return 1 if table(options.jobs, lambda line: print(line, flush=True)) else 0
    pairs = PAIRS if options.pairs else (options.pair,) * options.fills
    kind = _kind(options)._replace(replayed=options.replayed, redrawn=options.redraw)
    return campaign(
        [kind._replace(seed=seed, pair=pair) for seed, pair in enumerate(pairs, options.seed)],
        jobs=options.jobs,
        minutes=options.minutes,
        as_json=options.json,
    )


def run_splitting(options: argparse.Namespace) -> int:
    """Run the command line's search; returns the exit status."""
    return splitting(
        _kind(options), options.requirement, fills=options.fills, levels=options.levels, share=options.share,
        jobs=options.jobs, as_json=options.json,
    )  # fmt: skip


def _kind(options: argparse.Namespace) -> Case:
    """The kind of fill that is asked for, from the first seed."""
    return Case(options.seed, options.drop, wide=options.wide, single=options.single, thermal=options.thermal)


def _pair(text: str) -> Pair:
    first, _, second = text.partition(",")
    if (first, second) not in PAIRS:
        raise argparse.ArgumentTypeError(
            f"{text}: write two of {', '.join(sorted(FAULTS))}, for example leak,meter_dead"
        )
    return first, second


def _above_zero(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text}: write 1 or more")
    return value


def _share(text: str) -> float:
    value = float(text)
    if not 0.05 <= value <= 0.5:
        raise argparse.ArgumentTypeError(f"{text}: write 0.05 to 0.5")
    return value


def _parts(text: str) -> tuple[str, ...]:
    parts = tuple(filter(None, text.split(",")))
    _known(parts, PARTS)
    return parts


def _redrawn(text: str) -> tuple[tuple[str, int], ...]:
    pairs = [each.partition("=") for each in text.split(",")]
    _known([part for part, _, _ in pairs], (*PARTS, *ALWAYS))
    return tuple((part, int(seed)) for part, _, seed in pairs)


def _known(parts: Sequence[str], known: Sequence[str]) -> None:
    unknown = sorted(set(parts) - set(known))
    if unknown:
        raise argparse.ArgumentTypeError(f"{', '.join(unknown)}: write some of {','.join(known)}")
