"""`rig check` at the terminal: a summary of the configuration, its points live, its relays and steps one by one."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import sys
from dataclasses import asdict
from pathlib import Path

from rig.cli.table import DEMO_CONFIG, OK, REFUSED, Add
from rig.cli.terminal import Questions
from rig.field.points import TcpLink
from rig.office.releases import newer_release
from rig.run.alone import controlling, looking
from rig.run.check import check_text
from rig.run.live import Picture, pictures, snapshot
from rig.run.loop import Unreachable
from rig.run.relays import click_relays, relays_text
from rig.run.settings import Settings, load_settings
from rig.run.steps import steps_text, take_steps
from rig.shop.posting import software

_CLEAR = "\x1b[H\x1b[J"
"""Cursor home, and erase below (ECMA-48)."""


def add_checking(add: Add) -> None:
    """The command ``check``."""
    check = add("check", check_command)
    check.add_argument("--config", type=Path, default=DEMO_CONFIG)
    check.add_argument("--live", action="store_true", help="read every point; on a terminal again and again")
    check.add_argument("--relays", action="store_true", help="click each relay, with the pump isolated")
    check.add_argument("--steps", action="store_true", help="try meter, stop, gauge and pump one by one, with water")


def check_command(options: argparse.Namespace) -> int:
    """Run the check; returns the exit status."""
    settings = load_settings(options.config)
    if options.relays or options.steps:
        with controlling(settings):
            found, text = asyncio.run(_tried(settings, relays=options.relays))
        print(json.dumps(found) if options.json else text)
        return OK if found and all(each["good"] for each in found) else REFUSED
    if not options.live:
        document, text = check_text(settings)
        release = newer_release(Path(settings.rig.data), software().version)
        document["release"] = release.version if release else None
        print(json.dumps(document) if options.json else "\n".join([text, *([release.line] if release else [])]))
        return OK
    lasting = sys.stdout.isatty() and not options.json
    alone = all(isinstance(link, TcpLink) for link in settings.links.values()) and not lasting
    with contextlib.nullcontext() if alone else looking(settings):
        picture = _watched(settings) if lasting else asyncio.run(snapshot(settings))
    if picture is not None and not lasting:
        print(json.dumps(picture.document) if options.json else picture.text)
    if picture is not None and picture.failing:
        raise Unreachable("; ".join(dict.fromkeys(picture.failing.values())))
    return OK


async def _tried(settings: Settings, *, relays: bool) -> tuple[list[dict[str, object]], str]:
    if relays:
        clicks = await click_relays(settings, Questions())
        return [asdict(click) | {"good": click.good} for click in clicks], relays_text(clicks)
    trials = await take_steps(settings, Questions())
    return [asdict(trial) for trial in trials], steps_text(trials)


def _watched(settings: Settings) -> Picture | None:
    """Show the field until the person ends it; returns the last picture."""
    last: list[Picture] = []

    async def show() -> None:
        async for picture in pictures(settings):
            last[:] = [picture]
            print(f"{_CLEAR}{picture.text}\n  Ctrl-C ends it.", flush=True)
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                # Before Python 3.12 asyncio.wait_for, which the Modbus client uses, loses a cancellation that comes
                # together with the answer.
                return

    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(show())
    return last[0] if last else None
