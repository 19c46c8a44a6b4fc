"""The command line: the module of each command, and its exit status. Decides nothing.

A command's module is imported only when needed, so that no command waits for what it does not use. Exit
status: 0 done; 2 bad usage or configuration; 3 refused; 4 the fill ended stopped or aborted; 5 field not reached.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module

from rig.cli.table import ENDED_EARLY, OK, REFUSED, UNREACHABLE, USAGE

COMMANDS: dict[str, dict[str, str]] = {
    "rig.cli.filling:add_filling": {
        "demo": "One whole fill on a simulated rig in a process of its own.",
        "fill": "Fill one wheel.",
        "loaded": "Is there liquid inside? The sure way, and the air space that is left.",
        "resume": "Go on with an interrupted fill.",
        "close": "Close an interrupted fill as it is.",
    },
    "rig.cli.look:add_look": {"look": "Before the first drop: the room for air by a tank of air, and what fits it."},
    "rig.cli.target:add_target": {"target": "What to put into a wheel: litres, weight, pressures, plan, cautions."},
    "rig.cli.fluid:add_fluid": {"fluid": "A liquid: weight, first ice, the heat of mixing it; cutting it with water."},
    "rig.cli.checking:add_checking": {"check": "Read and explain a configuration."},
    "rig.cli.commissioning:add_commissioning": {
        "commission": "From wired parts to a proven rig, step by step, without writing its configuration by hand."
    },
    "rig.cli.proving:add_proving": {
        "prove": "Prove the meter with a known can, a wheeled prover or a scale.",
        "meter": "The meter: its factor, when it was proven, and whether it drifts.",
    },
    "rig.cli.serving:add_serving": {
        "serve": "Controller and pump-side page.",
        "people": "Who may sign in at the page.",
    },
    "rig.cli.removing:add_removing": {
        "empty": "Take liquid out of a wheel, counted.",
        "rinse": "Rinse pump and hose into a drain vessel.",
    },
    "rig.cli.replaying:add_replaying": {
        "replay": "Run the recorded scans of a fill through the program again: the same to the bit, or what differs.",
        "shadow": "Replay every recorded fill of a folder: what this program would have done otherwise.",
    },
    "rig.cli.fitting:add_fitting": {
        "fit": "Learn pump, line loss, lags and gauge from recorded fills, and propose configuration values."
    },
    "rig.cli.supporting:add_support": {
        "support": "One file for whoever helps: configuration without secrets, versions, checks, recordings."
    },
    "rig.books.ledger:add_ledger": {"ledger": "What happened: list, show, verify, repair, export, back up, restore."},
    "rig.books.backing:add_backing": {
        "backup": "Everything that the rig would miss, in one new file; while it works, too.",
        "restore": "Put a backup in the place of what was lost.",
        "drill": "Restore a backup into an empty folder, and compare what it holds.",
    },
    "rig.books.notes:add_notes": {
        "job": "Whose job it is; without options, what is known of it and done on each wheel.",
        "convert": "Wheels that are to hold another liquid: the steps, and which are done.",
        "note": "Tell the book: return, rinse, spill, charge, step, holds, finish, figure; correct, void, take-back.",
    },
    "rig.books.customers:add_customer": {"customer": "Customers by number: add, show, correct; a job refers to one."},
    "rig.books.sites:add_site": {"site": "Sites of customers by number: add, show, correct; a job names one."},
    "rig.books.ticket:add_ticket": {"ticket": "Print the ticket of a fill, or of all fills of a job."},
    "rig.books.prices:add_prices": {"prices": "Hand in a price file, or show the one in force."},
    "rig.books.billing:add_billing": {
        "bill": "What a job costs, from its records: a draft, until it is issued.",
        "credit": "Cancel an invoice by a credit note; then its job can be billed anew.",
        "invoice": "What was issued: all of it, or one invoice or credit note again.",
    },
    "rig.books.quote:add_quote": {"quote": "What a job would cost, its acceptance, and beside it what was done."},
    "rig.books.compare:add_compare": {
        "compare": "Left against right, and identical wheels: mean, spread, worst, Cpk.",
        "teach": "Take a fill as what a wheel of the shop holds; earlier values are kept.",
    },
    "rig.books.chart:add_chart": {
        "chart": "What the shop's fills measured of each size: list, show, void, undo; exchange with other shops."
    },
    "rig.books.stock:add_stock": {
        "stock": "What is in the totes; enter what was loaded, dipped, connected, and their sizes.",
        "balance": "One line: tote drop = tickets + rinse + spills - returns, and the rest.",
    },
    "rig.books.tag:add_tag": {"tag": "A label for a wheel: a QR code, readable without a network, and its words."},
    "rig.books.office:add_office": {
        "office": "Many trucks in one book: serve, enroll, join, send, fetch, offer, bill, yard stock, verify."
    },
    "rig.install.command:add_install": {
        "install": "Set this computer up to run the rig from power-on; or put another version beside the one it runs.",
        "uninstall": "Remove program and service; configuration and records are kept.",
    },
    "rig.cli.guiding:add_guide": {"guide": "The guide: how to do it, every alarm, key, command and record; offline."},
    "rig.books.clock:add_clock": {"clock": "How far the clock is believed; confirm it, or say what time it is."},
}
"""Commands and their help, by the function that adds their options: ``module:function``."""


def main(arguments: Sequence[str]) -> int:
    """Run one command; returns the exit status."""
    options = parser_for(arguments[0] if arguments else "").parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except KeyboardInterrupt:
        return ENDED_EARLY
    except BrokenPipeError:
        # The reader closed the pipe early (a pager, `head`): that is no failure of the command.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        status = _status_of(error)
        if status is None:
            raise
        print(f"rig: {error}", file=sys.stderr)
        return status


def parser_for(asked: str) -> argparse.ArgumentParser:
    """The command line with the command ``asked``; if that is none, with the names and the help of all."""
    return _parsers(asked)[0]


def parser_of(command: str) -> argparse.ArgumentParser:
    """The options of one command."""
    return _parsers(command)[1][command]


def _parsers(asked: str) -> tuple[argparse.ArgumentParser, dict[str, argparse.ArgumentParser]]:
    parser = argparse.ArgumentParser(prog="rig", description="Fill controller for a metered tyre-ballast rig.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    made: dict[str, argparse.ArgumentParser] = {}
    adders = {adder: texts for adder, texts in COMMANDS.items() if asked in texts}
    for texts in (adders or COMMANDS).values():
        made |= {name: commands.add_parser(name, help=text, description=text) for name, text in texts.items()}

    def add(name: str, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
        command = made[name]
        command.set_defaults(command=run)
        command.add_argument("--json", action="store_true", help="one JSON document on standard output")
        return command

    for adder in adders:
        module, _, function = adder.partition(":")
        getattr(import_module(module), function)(add)
    return parser, made


def _status_of(error: Exception) -> int | None:
    """The exit status of an error; None for a defect."""
    from rig.field.modbus import FieldError
    from rig.fluid import FluidError
    from rig.ledger.lock import LockedError
    from rig.panel.listening import PageError
    from rig.panel.people import PeopleError
    from rig.plan.target import TargetError
    from rig.record.base import RecordError
    from rig.run.loop import Impossible, Unreachable
    from rig.run.refused import Refused
    from rig.run.relays import NotAnswered
    from rig.run.settings import SettingsError
    from rig.units import QuantityError
    from rig.wheel import SizeError, ValveError

    usage = (SettingsError, QuantityError, SizeError, ValveError, FluidError, TargetError, PageError, PeopleError)
    statuses: dict[tuple[type[Exception], ...], int] = {
        usage: USAGE,
        (Refused, NotAnswered, LockedError, RecordError): REFUSED,
        (Unreachable, FieldError): UNREACHABLE,
        (Impossible,): ENDED_EARLY,
    }
    return next((status for kinds, status in statuses.items() if isinstance(error, kinds)), None)
