"""`rig install` and `rig uninstall` on the command line. Decides nothing but whether it may begin."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

from rig.cli.table import OK, Add
from rig.install.doing import Doer, shipped_files
from rig.install.plan import (
    CONFIG,
    PREVIOUS,
    RECORDS,
    TRIAL,
    IsOffered,
    Step,
    going_back,
    installing,
    uninstalling,
    upgrading,
)  # fmt: skip
from rig.install.program import version_of
from rig.panel.own_certificate import FILE, fingerprint, own_address
from rig.panel.phone import address_of, code_of
from rig.run.refused import Refused
from rig.run.settings import load_settings


def add_install(add: Add) -> None:
    """The commands ``install`` and ``uninstall``."""
    command = add("install", install_command)
    command.add_argument("wheel", nargs="?", type=Path, help="the program's wheel; default: a copy of what runs now")
    how = command.add_mutually_exclusive_group()
    how.add_argument("--upgrade", action="store_true", help="another version beside the one that runs, on trial")
    how.add_argument("--back", action="store_true", help="from a version on trial to the one before")
    how.add_argument("--show", action="store_true", help="what is installed, and the page's address as a QR code")
    command.add_argument(
        "--decides-otherwise", action="store_true",
        help="with --upgrade: though the new version would have decided recorded fills otherwise",
    )  # fmt: skip
    command.add_argument(
        "--not-offered", action="store_true", help="with --upgrade: though the office does not offer this version"
    )
    _add_where(command)
    _add_where(add("uninstall", uninstall_command))


def _add_where(command: argparse.ArgumentParser) -> None:
    command.add_argument("--dry-run", action="store_true", help="say what would be done, and do nothing")
    command.add_argument("--root", type=Path, default=Path("/"), help="a folder in place of this computer's root")


def install_command(options: argparse.Namespace) -> int:
    """Install, upgrade, go back, or show what is installed."""
    doer = _doer(options)
    if not options.show:
        _carry_out(options, doer, _plan(options, doer))
    if not options.dry_run:
        _show(options, doer)
    return OK


def uninstall_command(options: argparse.Namespace) -> int:
    """Remove program and service; what the rig has recorded is kept."""
    doer = _doer(options)
    if not doer.version():
        raise Refused("nothing is installed here")
    _carry_out(options, doer, uninstalling(shipped_files()))
    if options.json and not options.dry_run:
        print(json.dumps({"kept": [CONFIG, RECORDS]}))
    elif not options.json:
        print(f"kept: {CONFIG}, the records in {RECORDS}, and their user; remove them by hand once you have a backup")
    return OK


def _doer(options: argparse.Namespace) -> Doer:
    doer = Doer(options.root.absolute())
    if not options.dry_run and doer.live and os.geteuid() != 0:
        raise Refused("this is about the whole system: run it as root (sudo); --dry-run says what it would do")
    return doer


def _plan(options: argparse.Namespace, doer: Doer) -> list[Step]:
    before, files = doer.version(), shipped_files()
    if options.back:
        if not doer.at(TRIAL).exists():
            raise Refused("no version is on trial: to change to another one, `rig install --upgrade` with its wheel")
        return going_back(doer.version(PREVIOUS), files)
    version, wheel = version_of(options.wheel), str(options.wheel.absolute()) if options.wheel else ""
    if options.upgrade:
        if not before:
            raise Refused("nothing is installed here that could be upgraded: `rig install` first")
        if before == version:
            raise Refused(f"version {version} is installed already")
        plan = upgrading(version, before, files, wheel, otherwise=options.decides_otherwise)
        return plan if options.not_offered else [IsOffered(version, before, wheel), *plan]
    if before not in ("", version):
        raise Refused(f"version {before} is installed: `rig install --upgrade` puts another one beside it")
    return installing(version, files, wheel, unpacked=bool(before))


def _carry_out(options: argparse.Namespace, doer: Doer, plan: list[Step]) -> None:
    for step in plan:
        if not options.json:
            print(step, flush=True)
        if not options.dry_run:
            try:
                doer.do(step)
            except OSError as error:
                raise Refused(
                    f"{step}: {error.strerror or error} ({error.filename}); nothing after it was done"
                ) from error
    if options.json and options.dry_run:
        print(json.dumps({"steps": [str(step) for step in plan]}))


def _show(options: argparse.Namespace, doer: Doer) -> None:
    """Which version runs, and how a phone finds the page."""
    found: dict[str, object] = {"version": doer.version() or None, "previous": doer.version(PREVIOUS) or None}
    found["on_trial"] = doer.at(TRIAL).exists()
    config, code = doer.at(CONFIG), ""
    if doer.live and config.exists():
        settings = load_settings(config)
        panel, made = settings.panel, Path(settings.rig.data) / FILE
        url = address_of(panel.host, panel.port, own=own_address(), https=True)
        found |= {"page": url, "fingerprint": fingerprint(made) if made.exists() else None}
        code = code_of(panel.host, url)
    if options.json:
        print(json.dumps(found))
        return
    print("\n".join(f"{name.replace('_', ' '):<12} {value}" for name, value in found.items() if value))
    if code:
        print(code)
    if "page" not in found:
        print(f"next: rig commission --config {CONFIG}", file=sys.stderr)
