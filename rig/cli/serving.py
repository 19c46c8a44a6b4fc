"""`rig serve` and `rig people`: the pump-side page on the command line. Decides nothing."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from socket import socket
from typing import TYPE_CHECKING

from rig.cli.pins import new_pin
from rig.cli.table import DEMO_CONFIG, OK, Add, port_number
from rig.panel.people import ROLES, People, PeopleError
from rig.run.settings import Settings, SettingsError, load_settings
from rig.run.shop_panel import loopback
from rig.shop.second_copy import after_record

if TYPE_CHECKING:
    from rig.run.facade import Facade


def add_serving(add: Add) -> None:
    """The commands ``serve`` and ``people``."""
    command = add("serve", serve_command)
    command.add_argument("--config", type=Path, default=DEMO_CONFIG)
    command.add_argument("--host", help="default: the configuration's panel.host, or this computer alone")
    command.add_argument("--port", type=port_number, help="default: the configuration's panel.port; 0 takes a free one")
    command.add_argument(
        "--https", action=argparse.BooleanOptionalAction,
        help="over https, with the rig's own certificate; the default where others reach the page",
    )  # fmt: skip
    command = add("people", people_command)
    command.add_argument("action", choices=("list", "add", "remove"))
    command.add_argument("name", nargs="?", default="")
    command.add_argument("--role", choices=ROLES, default="technician")
    command.add_argument("--config", type=Path, default=DEMO_CONFIG)


def serve_command(options: argparse.Namespace) -> int:
    """Run controller and page until a stop signal."""
    from rig.panel.listening import listening
    from rig.panel.sessions import new_code
    from rig.run.facade import Facade
    from rig.run.notify import scanned

    settings = load_settings(options.config)
    host = options.host or settings.panel.host
    if host != settings.panel.host and not loopback(host):
        raise SettingsError(
            f'--host {host}: the page is for this computer alone; write panel.host = "{host}" to open it'
        )
    https = not loopback(host) if options.https is None else options.https
    if https and not settings.panel.certificate:
        settings = _with_own_certificate(settings)
    panel = settings.panel
    code = "" if People(Path(settings.rig.data)).all() else new_code()
    with contextlib.closing(listening(host, panel.port if options.port is None else options.port)) as bound:
        asyncio.run(_serve(settings, options.config, Facade(settings, scanned), bound, code))
    return OK


async def _serve(settings: Settings, config: Path, facade: Facade, bound: socket, code: str) -> None:
    """Run the controller here and the page in a process of its own."""
    from rig.panel.process import page_process
    from rig.run.desk import attended
    from rig.run.service import Service
    from rig.run.sockets import bound_at, place_in

    place = place_in(Path(settings.rig.data))
    with bound_at(place) as local:
        async with attended(facade, local), page_process(settings, str(config), code, place, bound):
            _say_where(settings, bound, code)
            with speaking_with_the_office(settings, config):
                await Service(settings, facade).run()


def _say_where(settings: Settings, bound: socket, code: str) -> None:
    from rig.office.releases import newer_release
    from rig.panel.own_certificate import own_address
    from rig.panel.phone import address_of, code_of
    from rig.shop.posting import software

    address, port = bound.getsockname()[:2]
    url = address_of(address, port, own=own_address(), https=bool(settings.panel.certificate))
    print(f"{settings.rig.name}: {url}", flush=True)
    if sys.stdout.isatty():
        print(code_of(address, url), flush=True)
    release = newer_release(Path(settings.rig.data), software().version)
    if release is not None:
        print(release.line, flush=True)
    if code:
        print(f"nobody can sign in yet; the first enters themself with the code {code}", flush=True)


@contextlib.contextmanager
def speaking_with_the_office(settings: Settings, config: Path) -> Iterator[None]:
    """Exchange records with the office, if there is one, in a process of its own, so that no scan waits for it."""
    words = [sys.executable, "-m", "rig.cli", "office", "sync", "--config", str(config), "--parent", str(os.getpid())]
    with contextlib.ExitStack() as running:
        if settings.office.address:
            try:
                process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
                # It may be ended at any moment: what it has not sent is sent next time.
                running.enter_context(process)
                running.callback(process.terminate)
            except OSError as error:
                print(f"rig: nothing travels to the office: no process for it ({error})", file=sys.stderr)
        yield


def _with_own_certificate(settings: Settings) -> Settings:
    from rig.panel.own_certificate import own_certificate, own_names

    names = [*own_names(), *settings.panel.names]
    made = str(own_certificate(Path(settings.rig.data), names, datetime.now(UTC)))
    return settings.model_copy(update={"panel": settings.panel.model_copy(update={"certificate": made, "key": made})})


def people_command(options: argparse.Namespace) -> int:
    """List, add or remove people; a PIN is asked for twice, or read from standard input if that is no terminal."""
    settings = load_settings(options.config)
    people = People(Path(settings.rig.data))
    if options.action != "list" and not options.name:
        raise PeopleError(f"rig people {options.action} NAME: whom?")
    if options.action == "add":
        people.add(options.name, options.role, new_pin())
    elif options.action == "remove":
        people.remove(options.name)
    if options.action != "list" and (fault := after_record(settings)):
        print(f"rig: {fault}", file=sys.stderr)
    listed = [{"name": each.name, "role": each.role} for each in people.all()]
    print(json.dumps(listed) if options.json else "\n".join(f"{each['name']:<40} {each['role']}" for each in listed))
    return OK
