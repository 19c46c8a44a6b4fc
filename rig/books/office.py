"""`rig office`: send a truck's records to the office, take them in by hand, bill and keep yard tanks across trucks."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books import office_truck
from rig.books.month import month_bill, month_of
from rig.books.office_desk import add_desk_options, known_chain, new_code, office_people, serve, take_file
from rig.books.office_offers import add_offer_options, offer, show
from rig.books.stock import add_telling_options
from rig.books.where import add_config, book_written, now, print_answer
from rig.books.yard import EXPLAIN, TELLS, yard_command
from rig.cli.table import OK, REFUSED, Add
from rig.run.refused import Refused
from rig.run.settings import load_settings
from rig.shop.posting import FILL, called, keep_name
from rig.shop.yard import note_yard
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.office.register import Register

_ACTIONS = (
    "serve", "enroll", "revoke", "join", "send", "fetch", "sync", "status", "offer", "offered", "receive", "bill",
    "stock", "verify", "people",
)  # fmt: skip
_ON_THE_TRUCK = {
    "join": office_truck.join, "sync": office_truck.sync, "status": office_truck.status,
    "send": office_truck.send, "fetch": office_truck.fetch, "offered": office_truck.offered,
}  # fmt: skip
_NAMED = "RIG_OFFICE_URL"


def add_office(add: Add) -> None:
    """The command ``office``."""
    command = add("office", office_command)
    command.add_argument("action", choices=_ACTIONS)
    command.add_argument(
        "what", nargs="?", metavar="|".join(("FILE", "CUSTOMER", "TRUCK", "CODE", "NAME", *TELLS, EXPLAIN))
    )
    command.add_argument(
        "--url", help=f"the office's book, postgresql+psycopg://… or sqlite:///… (default: the variable {_NAMED})"
    )
    command.add_argument("--month", metavar="YYYY-MM", help="of the bill, or of the sums of the yard tanks")
    command.add_argument("--plan", action="store_true", help="show how the database finds the month")
    command.add_argument("--same-as", metavar="TRUCK", help="enroll --login: an older chain in this truck's book")
    add_desk_options(command)
    office_truck.add_truck_options(command)
    add_offer_options(command)
    add_telling_options(command)
    add_config(command)


def office_command(options: argparse.Namespace) -> int:
    """Run one action."""
    action = options.action
    by_key = action in ("join", "sync", "status") or options.file is not None
    if action in _ON_THE_TRUCK and (by_key or (office_truck.office_address(options) and not os.environ.get(_NAMED))):
        return _ON_THE_TRUCK[action](options)
    url = options.url or os.environ.get(_NAMED)
    if not url:
        raise Refused(f"which office? write --url postgresql+psycopg://HOST/NAME or sqlite:///FILE, or set {_NAMED}")
    actions = {
        "serve": serve, "offer": _offer, "offered": _offered,
        "send": _send, "fetch": _fetch, "receive": _receive, "bill": _bill, "stock": _stock,
        "verify": _verify, "enroll": _enroll, "revoke": _revoke, "people": _people,
    }  # fmt: skip
    return actions[options.action](options, url)


def _office(url: str) -> Register:
    from rig.office.register import Register

    return Register(url)


def _owned(office: Book) -> None:
    """Refuse a truck's login: what it sees of the office is only its own."""
    if office.granted is not None:
        raise Refused(f"{office.name}: a truck's login sees only its own records; this needs the login of the owner")


def _only_truck(office: Book, device: str) -> str:
    """The chain of the rig with this name; Refused if there is none, or several."""
    names = {truck: called(office, truck) for truck in office.heads()}
    found = [truck for truck, name in names.items() if name == device]
    if len(found) != 1:
        known = ", ".join(f"{truck} ({name})" for truck, name in names.items()) or "none"
        raise Refused(f"which truck? write `rig office fetch TRUCK`; the office has: {known}")
    return found[0]


def _send(options: argparse.Namespace, url: str) -> int:
    from rig.office.direct import send

    with book_written(options) as book, _office(url) as office:
        keep_name(book, load_settings(options.config).rig.name, now())
        count = send(book, office)
        # Only now does the office's account include what this truck took. A truck's login cannot add up the others'.
        news = note_yard(book, office, now()) if office.granted is None else []
    held_l = {tote.name: round(tote.content.left_l or 0.0, 1) for tote in news}
    lines = [f"{count} records sent to {office.name}"]
    lines += [f"yard tank {name} holds {show_volume(litres)} by the office" for name, litres in held_l.items()]
    print_answer(options, {"sent": count, **({"yard_l": held_l} if held_l else {})}, "\n".join(lines))
    return OK


def _stock(options: argparse.Namespace, url: str) -> int:
    from rig.ledger.book import Book

    with Book(url) if options.what in (None, EXPLAIN) else _office(url) as office:
        _owned(office)
        return yard_command(options, office, (None, None) if options.month is None else month_of(options.month))


def _fetch(options: argparse.Namespace, url: str) -> int:
    from rig.ledger.book import Book
    from rig.ledger.keeping import book_of
    from rig.office.direct import fetch

    # Without posting the journal: the lost records must come back first, in their own order.
    settings = load_settings(options.config)
    with book_of(Path(settings.rig.data)) as book, Book(url) as office:
        if book.truck not in office.heads():
            book.adopt(options.what or _only_truck(office, settings.rig.name))
        count = fetch(book, office)
    print_answer(options, {"fetched": count}, f"{count} records fetched from {office.name}")
    return OK


def _receive(options: argparse.Namespace, url: str) -> int:
    from rig.office.direct import receive

    if options.what is None:
        raise Refused("which file? write `rig office receive FILE`, one that `rig office send --file FILE` wrote")
    with _office(url) as office:
        _owned(office)
        if take_file(options, office, Path(options.what)):
            return OK
        count = receive(Path(options.what), office, frozenset(office.last_keys()))
    print_answer(options, {"received": count}, f"{count} records of {options.what} were new")
    return OK


def _offer(options: argparse.Namespace, url: str) -> int:
    with _office(url) as office:
        _owned(office)
        return offer(options, office)


def _offered(options: argparse.Namespace, url: str) -> int:
    from rig.office.sharing import offered

    with _office(url) as office:
        _owned(office)
        return show(options, office, offered(office))


def _enroll(options: argparse.Namespace, url: str) -> int:
    with _office(url) as office:
        _owned(office)
        if not options.login:
            return new_code(options, office)
        address = office.enroll(_truck_asked(options), options.same_as).render_as_string(hide_password=False)
    text = (
        f"{options.what} is enrolled. Its address, shown this once; a former password is no longer valid:\n"
        f"  {address}\non the truck: the variable {_NAMED}, readable for the controller's user alone, "
        "with the server's name as that truck reaches it"
    )
    print_answer(options, {"truck": options.what, "url": address}, text)
    return OK


def _revoke(options: argparse.Namespace, url: str) -> int:
    """Revoke a truck's key, and its login if it has one; or a code that was not used."""
    with _office(url) as office:
        _owned(office)
        truck = _truck_asked(options)
        if office.cancel(truck):
            print_answer(options, {"code": truck}, "the code is cancelled: nobody joins by it any more")
            return OK
        truck = truck if truck in (office.logins() or {}) else known_chain(office, truck)
        keys = office.end_keys(truck)
        login = office.revoke(truck) if truck in (office.logins() or {}) or not keys else None
    ended = [f"key of {truck}"] * bool(keys) + [f"login {login}"] * (login is not None)
    text = f"ended: {', '.join(ended)}; its records stay; `rig office enroll {truck}` makes a code for another computer"
    print_answer(options, {"truck": truck, "login": login, "keys": keys}, text)
    return OK


def _people(options: argparse.Namespace, url: str) -> int:
    with _office(url) as office:
        _owned(office)
        return office_people(options, office)


def _truck_asked(options: argparse.Namespace) -> str:
    if not options.what:
        raise Refused(
            f"which truck? write `rig office {options.action} TRUCK`; `rig ledger verify` on the truck shows its id"
        )
    return str(options.what)


def _verify(options: argparse.Namespace, url: str) -> int:
    from rig.office.register import KeyBook

    with KeyBook(url) as office:
        _owned(office)
        found = [*office.faults(), *office.signature_faults()]
        ends, logins = office.heads(), office.logins()
        signed = {truck: head.serial for truck in ends if (head := office.last_signed(truck)) is not None}
        names, own = {truck: called(office, truck) for truck in ends}, office.truck
    faults = [{"truck": each.truck, "serial": each.serial, "text": each.text} for each in found]
    heads = {truck: serial for truck, (serial, _) in ends.items()}
    lines = [
        f"  {names[truck]}{f' ({truck})' if names[truck] != truck else ''}: {serial} records"
        f"{_login_text(truck, own, logins, signed=truck in signed)}{_signed_text(signed.get(truck))}"
        for truck, serial in heads.items()
    ]
    text = "\n".join(["NOT SOUND" if found else "SOUND", *lines, *(f"  ! {each}" for each in found)])
    document = {
        "sound": not found,
        "heads": heads,
        "names": names,
        "faults": faults,
        "logins": logins,
        "signed": signed,
    }
    print_answer(options, document, text)
    return REFUSED if found else OK


def _signed_text(serial: int | None) -> str:
    return "" if serial is None else f", signed and countersigned up to {serial}"


def _login_text(truck: str, own: str, logins: dict[str, bool] | None, *, signed: bool) -> str:
    if logins is None or truck.startswith(own) or (signed and truck not in logins):
        return ""
    return {None: ", no login of its own", True: ", its own login", False: ", its login is ended"}[logins.get(truck)]


def _bill(options: argparse.Namespace, url: str) -> int:
    from rig.ledger.book import Book
    from rig.ledger.query import valid_query

    if options.what is None or options.month is None:
        raise Refused("whose bill of which month? write `rig office bill CUSTOMER --month 2026-11`")
    since, until = month_of(options.month)
    with Book(url) as office:
        _owned(office)
        if options.plan:
            plan = office.plan_of(valid_query(FILL, customer=options.what, since=since, until=until))
            print_answer(options, {"plan": plan.splitlines()}, plan)
            return OK
        bill = month_bill(office, options.what, since, until)
    text = "\n".join(
        f"  {line['text']:<40} {line['quantity']:>9} {line['unit']:<6} {line['price']:>9} {line['amount']:>11}"
        for line in _lines(bill)
    )
    head = f"{options.what}, {options.month}: {bill['fills']} fills in {bill['jobs']} jobs"
    if bill["undated"]:
        head += f"\n  of {bill['undated']} record(s) the date is not known: billed in the month of those before"
    print_answer(options, bill, f"{head}\n{text}\n  before tax {bill['net']}, tax {bill['tax']}, total {bill['total']}")
    return OK


def _lines(bill: dict[str, object]) -> list[dict[str, str]]:
    lines = bill["lines"]
    assert isinstance(lines, list)
    return lines
