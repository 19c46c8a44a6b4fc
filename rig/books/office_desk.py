"""`rig office serve`, `people` and `enroll`, and signed files at the office: what its people do about trucks' keys."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.printing import write_file
from rig.books.where import print_answer
from rig.cli.pins import new_pin
from rig.cli.table import OK, port_number
from rig.panel.people import OFFICE_FILE, OFFICE_ROLES, ROLES, People, PeopleError
from rig.run.refused import Refused
from rig.shop.posting import called

if TYPE_CHECKING:
    from rig.office.contacts import Contacts
    from rig.office.register import Register

PORT, PAGE_PORT = 8443, 8444
ANSWER = ".answer"
"""The end of the name of a file with the office's answer."""
_KEYS = Path("rig-office")


def add_desk_options(command: argparse.ArgumentParser) -> None:
    """The options of service and keys."""
    command.add_argument(
        "--keys", type=Path, metavar="FOLDER", help=f"the office's private key (default: beside its file, or {_KEYS})"
    )
    command.add_argument("--login", action="store_true", help="enroll: a login at the database instead of a code")
    command.add_argument("--host", default="0.0.0.0", help="serve: address to listen at (default: %(default)s)")
    command.add_argument(
        "--port", type=port_number, default=PORT, help="serve: default %(default)s; 0 takes a free one"
    )

    command.add_argument("--page", action="store_true", help="serve: also the page for the office's people")
    command.add_argument("--page-port", type=port_number, default=PAGE_PORT, help="serve: default %(default)s")
    command.add_argument("--page-name", action="append", default=[], metavar="HOST", help="serve: a name of the page")
    command.add_argument(
        "--role", choices=tuple(dict.fromkeys((*OFFICE_ROLES, *ROLES))),
        help="people, offer person: enter the person in that role, or anew",
    )  # fmt: skip
    command.add_argument("--remove", action="store_true", help="people, offer person or release: take it back")


def keys_folder(options: argparse.Namespace, office: Register) -> Path:
    """The folder of the office's private key."""
    return Path(options.keys or (_KEYS if office.file is None else office.file.parent))


def serve(options: argparse.Namespace, url: str) -> int:
    """Run the office's service until a stop signal."""
    import uvicorn

    from rig.office.contacts import Contacts
    from rig.office.https import certificate
    from rig.office.register import Register
    from rig.office.service import service
    from rig.panel.listening import listening

    contacts = Contacts()
    with Register(url) as office:
        folder = keys_folder(options, office)
        key = office.signing(folder)
        path = str(certificate(key, folder, datetime.now(UTC)))
        with listening(options.host, options.port) as bound, _page_beside(options, url, folder, contacts):
            config = uvicorn.Config(
                service(office, key, contacts), log_level="warning", access_log=False, server_header=False,
                proxy_headers=False, ws="none", ssl_certfile=path, ssl_keyfile=path, timeout_graceful_shutdown=5,
            )  # fmt: skip
            print(f"office {office.name}: https://{options.host}:{bound.getsockname()[1]}", flush=True)
            uvicorn.Server(config).run(sockets=[bound])
    return OK


@contextlib.contextmanager
def _page_beside(options: argparse.Namespace, url: str, folder: Path, contacts: Contacts) -> Iterator[None]:
    """Serve the page as well, if it is asked for, at a port and with a certificate of its own."""
    if not options.page:
        yield
        return
    from rig.panel.listening import listening
    from rig.panel.office.page import OfficePage
    from rig.panel.own_certificate import fingerprint, own_address, own_certificate, own_names
    from rig.panel.phone import address_of
    from rig.panel.server import served
    from rig.run.shop_panel import PanelTable

    names = [*own_names(), *options.page_name]
    path = own_certificate(folder, names, datetime.now(UTC))
    people = People(folder, OFFICE_FILE)
    app = OfficePage(url, people, contacts).app(names, https=True)
    panel = PanelTable(certificate=str(path), key=str(path))
    with listening(options.host, options.page_port) as bound, served(app, panel, bound):
        address, port = bound.getsockname()[:2]
        print(f"page: {address_of(address, port, own=own_address(), https=True)}", flush=True)
        print(f"its certificate, SHA-256: {fingerprint(path)}", flush=True)
        if not people.all():
            print("nobody can sign in yet: `rig office people NAME --role owner`", file=sys.stderr, flush=True)
        yield


def office_people(options: argparse.Namespace, office: Register) -> int:
    """List the people of the office's page, enter one with a PIN, or remove one."""
    people = People(keys_folder(options, office), OFFICE_FILE)
    if (options.role or options.remove) and not options.what:
        raise PeopleError("rig office people NAME --role ROLE, or NAME --remove: whom?")
    if options.remove:
        people.remove(options.what)
    elif options.role in OFFICE_ROLES:
        people.add(options.what, options.role, new_pin())
    elif options.what:
        raise PeopleError(f"in which role is {options.what!r}? write --role {'|'.join(OFFICE_ROLES)}, or --remove")
    listed = [{"name": each.name, "role": each.role} for each in people.all()]
    print_answer(options, listed, "\n".join(f"{each['name']:<40} {each['role']}" for each in listed) or "nobody yet")
    return OK


def new_code(options: argparse.Namespace, office: Register) -> int:
    """Make a code for a new truck, or for a computer that goes on in a truck's chain."""
    office.signing(keys_folder(options, office))
    chain = known_chain(office, options.what) if options.what else ""
    code = office.new_code(chain)
    whose = f"the computer that goes on in {chain}; its key before is revoked then" if chain else "a new truck"
    text = f"a code for {whose}; it is used once:\n  {code}\non the truck: rig office join {code}"
    print_answer(options, {"code": code, "truck": chain or None}, text)
    return OK


def known_chain(office: Register, what: str) -> str:
    """The truck with an id, or the only one that is called so; Refused if there is none."""
    from rig.office.keys import is_office

    trucks = sorted(chain for chain in {*office.heads(), *office.last_keys()} if not is_office(chain))
    named = [chain for chain in trucks if called(office, chain) == what]
    if what in trucks or len(named) == 1:
        return what if what in trucks else named[0]
    known = ", ".join(f"{chain} ({called(office, chain)})" for chain in trucks) or "no truck yet"
    raise Refused(f"{what!r}: the office knows {known}; for a new truck write `rig office enroll` alone")


def take_file(options: argparse.Namespace, office: Register, path: Path) -> bool:
    """Take in a file of a truck that signs, and write the answer beside it; False for a file of another kind."""
    from rig.office.enrolment import EnrolRequest
    from rig.office.intake import exchanged
    from rig.office.messages import Envelope, Request

    text = read_text(path)
    if text.startswith('{"code":'):
        key = office.signing(keys_folder(options, office))
        enrolled = office.enrolled(EnrolRequest.read(text), key)
        answer, said = enrolled.model_dump_json(), f"{enrolled.truck} is enrolled"
        document: dict[str, object] = {"enrolled": enrolled.truck}
    elif text.startswith('{"text":'):
        key = office.signing(keys_folder(options, office))
        envelope = Envelope.read(text)
        truck = Request.read(envelope.text).truck
        before = office.heads().get(truck, (0, ""))[0]
        answer = exchanged(office, key, envelope, None).model_dump_json()
        new = office.heads().get(truck, (0, ""))[0] - before
        said, document = f"{new} records of {truck} were new", {"received": new}
    else:
        return False
    into = path.with_name(path.name + ANSWER)
    write_file(into, answer.encode())
    print_answer(options, document | {"answer": str(into)}, f"{said}; carry the answer back to the truck: {into}")
    return True


def read_text(path: Path) -> str:
    """The text of a carried file; Refused if it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{path}: cannot be read ({error})") from error
