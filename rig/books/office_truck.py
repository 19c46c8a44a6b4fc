"""`rig office join`, `sync` and `status`, `send` and `fetch` with an office that knows the truck's key."""

from __future__ import annotations

import argparse
import os
import random
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.office_desk import ANSWER, read_text
from rig.books.printing import write_file
from rig.books.where import folder_of, local, print_answer, settings_of
from rig.cli.table import OK
from rig.panel.people import PeopleError
from rig.run.clock_memory import records_of, utc_now
from rig.run.refused import Refused
from rig.shop.posting import keep_name, software

if TYPE_CHECKING:
    from rig.office.carrying import Carrier, Moved
    from rig.office.link import Link

_LOOK_EVERY_S = 2.0
"""How often a sync that belongs to a service looks whether that still runs."""


def add_truck_options(command: argparse.ArgumentParser) -> None:
    """The options of a truck."""
    command.add_argument("--file", type=Path, help="send, join: a file that a person carries; fetch, join: its answer")
    command.add_argument("--once", action="store_true", help="sync: once, instead of for as long as it runs")
    command.add_argument("--parent", type=int, help=argparse.SUPPRESS)


def office_address(options: argparse.Namespace) -> str:
    """The address of the office's service: of the command line, or of the configuration; empty without one."""
    if (options.url or "").startswith("https:"):
        return str(options.url)
    settings = settings_of(options)
    return settings.office.address if settings and not options.url else ""


def join(options: argparse.Namespace) -> int:
    """Join the office that made a code: over the network, or by two files."""
    from rig.office.carrying import ENROL
    from rig.office.enrolment import EnrolAnswer
    from rig.office.https import Https
    from rig.office.link import asking, joined

    folder, code, file = folder_of(options), options.what, options.file
    if not code:
        raise Refused("by which code? write `rig office join CODE`; `rig office enroll` at the office makes it")
    if file is not None and not file.name.endswith(ANSWER):
        write_file(file, asking(folder, code).model_dump_json().encode())
        text = (
            f"carry {file} to the office: `rig office receive {file.name}`; then here "
            f"`rig office join {code} --file {file.name}{ANSWER}`"
        )
        print_answer(options, {"file": str(file)}, text)
        return OK
    if file is not None:
        answer = read_text(file)
    else:
        answer = _reached(Https(_needed(options), None), ENROL, asking(folder, code).model_dump_json())
    link = joined(folder, code, EnrolAnswer.read(answer))
    moved = None if file is not None else exchanged_once(options)
    text = f"this computer signs for {link.truck} from now on, as its number {link.generation}"
    print_answer(
        options, {"truck": link.truck, "key": link.generation}, text if moved is None else f"{text}\n{_said(moved)}"
    )
    return OK


def _reached(ask: object, what: str, text: str) -> str:
    assert callable(ask)
    try:
        return str(ask(what, text))
    except OSError as error:
        raise Refused(f"the office is not reached ({error}); is there a network, is the address right?") from error


def _needed(options: argparse.Namespace) -> str:
    address = office_address(options)
    if not address:
        raise Refused(
            "which office? write office.address in the configuration, for example https://office.example:8443"
        )
    return address


def _link(options: argparse.Namespace) -> Link:
    from rig.office.link import link_in

    link = link_in(folder_of(options))
    if link is None:
        raise Refused("this truck has joined no office: `rig office enroll` there makes a code for `rig office join`")
    return link


def exchanged_once(options: argparse.Namespace) -> Moved:
    """One exchange with the office; OSError if it is not reached whole."""
    from rig.office.carrying import Carrier
    from rig.office.https import Https

    link = _link(options)
    return _exchanged(options, Carrier(folder_of(options), link, Https(_needed(options), link.office)))


def _exchanged(options: argparse.Namespace, carrier: Carrier) -> Moved:
    """Exchange; then enter what came, and the rig's name, and send that too."""
    from rig.office.carrying import Moved

    settings, moved = settings_of(options), carrier.run()
    new = 0
    with records_of(carrier.folder):
        at = utc_now()
        if moved.came:
            new = _entered(carrier.folder, None if settings is None else settings.rig.simulated)
        if settings is not None:
            new += _named(carrier.folder, settings.rig.name)
    if new:
        more = carrier.run()
        moved = Moved(moved.sent + more.sent, moved.came + more.came)
    follow_and_keep(carrier.folder, at, moved)
    return moved


def _entered(folder: Path, simulated: bool | None) -> int:
    """Enter what the office offers; the records of a job's work follow the job."""
    from rig.books.undo import tell_work
    from rig.ledger.keeping import book_of
    from rig.office.entering import entered_from_office, jobs_in

    new = entered_from_office(folder, utc_now(), simulated=simulated)
    with book_of(folder) as book:
        for job in jobs_in(new):
            tell_work(book, job)
    return len(new)


def follow_and_keep(folder: Path, at: str, moved: Moved) -> tuple[str, ...]:
    """After an exchange: follow the office's words on people, and keep when it was; returns what waits, in words."""
    from rig.office.last_exchange import LastExchange, keep_exchange
    from rig.panel.office_people import follow_office

    try:
        waiting = tuple(follow_office(folder))
    except PeopleError as error:
        waiting = (str(error),)
    keep_exchange(folder, LastExchange(str(at), moved.sent, moved.came, waiting))
    return waiting


def _named(folder: Path, name: str) -> int:
    from rig.ledger.keeping import book_of

    with book_of(folder) as book:
        before = book.heads().get(book.truck)
        # Only behind what came back of a lost book.
        keep_name(book, name, utc_now())
        return int(book.heads().get(book.truck) != before)


def _said(moved: Moved) -> str:
    return f"{moved.sent} records sent to the office, {moved.came} came from it"


def send(options: argparse.Namespace) -> int:
    """Send to the office: over the network, or as a file to carry."""
    from rig.office.carrying import carried

    if options.file is None:
        moved = _once(options)
        print_answer(options, {"sent": moved.sent, "came": moved.came}, _said(moved))
        return OK
    envelope, count = carried(folder_of(options), _link(options))
    write_file(options.file, envelope.model_dump_json().encode())
    text = (
        f"{count} records in {options.file}: `rig office receive {options.file.name}` at the office, then here "
        f"`rig office fetch --file {options.file.name}{ANSWER}`"
    )
    print_answer(options, {"records": count, "file": str(options.file)}, text)
    return OK


def fetch(options: argparse.Namespace) -> int:
    """Take what the office hands out: over the network, or out of an answer that was carried."""
    from rig.ledger.keeping import book_of
    from rig.office.carrying import Moved, accept
    from rig.office.keys import ANSWER as SIGNED_ANSWER
    from rig.office.link import copy_of_office
    from rig.office.messages import Answer, Envelope, opened

    if options.file is None:
        moved = _once(options)
        print_answer(options, {"fetched": moved.came, "sent": moved.sent}, _said(moved))
        return OK
    link, folder, settings = _link(options), folder_of(options), settings_of(options)
    answer = opened(Envelope.read(read_text(options.file)), link.office, SIGNED_ANSWER, Answer)
    with book_of(folder) as book, copy_of_office(folder) as copy:
        came = accept(book, copy, link, answer)
    with records_of(folder):
        _entered(folder, None if settings is None else settings.rig.simulated)
        waiting = follow_and_keep(folder, str(utc_now()), Moved(0, came))
    text = f"{came} records came from the office, which has {answer.serial} of this truck"
    print_answer(options, {"fetched": came, "waiting": list(waiting)}, "\n".join([text, *waiting]))
    return OK


def _once(options: argparse.Namespace) -> Moved:
    try:
        return exchanged_once(options)
    except OSError as error:
        raise Refused(
            f"the office is not reached ({error}); it is tried again by itself while `rig serve` runs"
        ) from error


def sync(options: argparse.Namespace) -> int:
    """Exchange once, or again and again until it is ended, or its service is."""
    from rig.office.carrying import Carrier
    from rig.office.https import Https
    from rig.office.pace import keep_exchanging

    if options.once:
        return send(options)
    carriers: dict[bytes, Carrier] = {}

    def exchange() -> Moved:
        link = _link(options)
        mark = link.key.public_key().public_bytes_raw()
        if mark not in carriers:
            carriers.clear()
            carriers[mark] = Carrier(folder_of(options), link, Https(_needed(options), link.office))
        return _exchanged(options, carriers[mark])

    def ended(wait_s: float) -> bool:
        until = time.monotonic() + wait_s
        while (left_s := until - time.monotonic()) > 0:
            if options.parent and os.getppid() != options.parent:
                return True
            time.sleep(min(left_s, _LOOK_EVERY_S))
        return False

    keep_exchanging(exchange, ended, random.random, lambda text: print(text, file=sys.stderr, flush=True))
    return OK


def status(options: argparse.Namespace) -> int:
    """Whose office this truck has joined, and up to which record the office has countersigned."""
    from rig.ledger.keeping import book_or_empty
    from rig.office.carrying import is_countersigned
    from rig.office.last_exchange import last_exchange
    from rig.office.releases import newer_release

    link, folder = _link(options), folder_of(options)
    last, release = last_exchange(folder), newer_release(folder, software().version)
    with book_or_empty(folder) as book:
        serial, signed = book.heads().get(link.truck, (0, ""))[0], book.last_signed(link.truck)
        own = None if signed is None else book.at_serial(signed.serial, link.truck)
    if signed is not None and (own is None or own.hash != signed.hash or not is_countersigned(link, signed)):
        raise Refused(
            f"record {signed.serial} is not the one that the office has countersigned: keep the folder as it is"
        )
    to = signed.serial if signed else 0
    document: dict[str, object] = {
        "truck": link.truck, "key": link.generation, "records": serial, "countersigned": to,
        "exchanged": last.at if last else None, "waiting": list(last.waiting) if last else [],
        "release": release.version if release else None,
    }  # fmt: skip
    lines = [
        f"{link.truck}, key {link.generation}, office {office_address(options) or '(no address)'}: {serial} records, "
        f"countersigned up to {to}" + (f", seal {signed.hash[:8]}" if signed else ""),
        *([f"last exchange {local(last.at)}", *last.waiting] if last else []),
        *([release.line] if release else []),
    ]
    print_answer(options, document, "\n".join(lines))
    return OK


def offered(options: argparse.Namespace) -> int:
    """What the office offers, as this truck has it."""
    from rig.books.office_offers import show
    from rig.office.keys import OFFICE, for_truck
    from rig.office.link import copy_of_office
    from rig.office.offers import Offers

    link = _link(options)
    with copy_of_office(folder_of(options)) as copy:
        return show(options, copy, Offers.of(copy, (OFFICE, for_truck(link.truck))))
