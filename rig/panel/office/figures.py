"""The figures of the office's page, each part as a document from the office's book: trucks, work, stock, meters, fills.

What is not known is None, never a nought. Litres; times are ISO 8601 in UTC. Money is in :mod:`rig.panel.office.money`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rig.books.bill import BILLED
from rig.books.explained import explained, refuse_without_scipy, sentence
from rig.books.month import whose_of
from rig.books.unbilled import unbilled
from rig.ledger.moment import UNBELIEVED
from rig.ledger.query import Place, newest_query
from rig.meter.health import advice, verdicts
from rig.meter_kind import KINDS
from rig.office.keys import for_truck, is_office
from rig.office.offers import Offers
from rig.panel.office.kept import View
from rig.record.base import Sealed
from rig.record.proving import Proving
from rig.record.work import PumpWork
from rig.run.refused import Refused
from rig.sentence import said_by
from rig.shop.fill_search import Wanted, fill_page
from rig.shop.filled import filled
from rig.shop.meter_page import comparisons_in
from rig.shop.posting import FILL, called, number_of
from rig.shop.stock_history import History, all_histories

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.office.contacts import Contact, Contacts
    from rig.office.register import KeyBook

_OF_A_JOB = ("day", "customer", "machine", "site", "site_number")
_FILLS_JUDGED = 200
"""Fills since its proving by which a meter is judged here, the latest. Assumed, no source."""


def trucks_of(book: Book) -> dict[str, str]:
    """The trucks whose records the office has, with their names; the office's own chains are left out."""
    own = book.truck
    return {chain: called(book, chain) for chain in book.heads() if not is_office(chain) and not chain.startswith(own)}


def trucks_view(book: KeyBook) -> View:
    """Each truck's last record; ``at`` is by the truck's clock, None where that was not believed."""
    names, heads, keys = trucks_of(book), book.heads(), book.last_keys()
    rows = []
    for chain in sorted({*names, *keys}, key=lambda each: names.get(each, each)):
        serial = heads.get(chain, (0, ""))[0]
        last = book.at_serial(serial, chain) if serial else None
        signed = book.last_signed(chain)
        rows.append({
            "truck": chain, "name": names.get(chain, chain), "serial": serial,
            "at": None if last is None or Sealed.of(last).clock == UNBELIEVED else last.at,
            "signed": None if signed is None else signed.serial,
            "key": "none" if chain not in keys else "valid" if keys[chain][1] else "revoked",
        })  # fmt: skip
    return {"trucks": rows}


def with_contacts(view: View, contacts: Contacts) -> View:
    """The trucks with when each was last heard, and how many records then waited; None where it was not heard."""
    rows = view["trucks"]
    assert isinstance(rows, list)
    return {**view, "trucks": [{**row, **_contact(contacts.last(row["truck"]))} for row in rows]}


def _contact(last: Contact | None) -> View:
    if last is None:
        return {"heard": None, "waiting": None}
    return {"heard": last.at.isoformat(timespec="seconds"), "waiting": last.waiting}


def work_view(book: Book, since: str, day: str = "") -> View:
    """Work since a time that no invoice has, by job, without money; and the jobs given that wait, or those of a day."""
    names = trucks_of(book)
    rows = [
        {
            "truck": names.get(each.truck, each.truck), "job": each.job, "customer": each.customer,
            "fills": sum(record.kind == FILL for record in each.work), "litres": round(each.litres, 1),
            "unknown": each.unknown, "last": each.work[-1].at, "before": each.before,
        }
        for each in unbilled(book, since)
    ]  # fmt: skip
    rows.sort(key=lambda row: str(row["last"]), reverse=True)
    return {"since": since, "given": _given(book, names, since, day), "work": rows}


def _given(book: Book, names: Mapping[str, str], since: str, day: str) -> list[View]:
    """Jobs that the office has given to a truck: those of a day, else since a time what its truck has not begun."""
    trucks = {for_truck(truck): truck for truck in names}
    given = []
    for record, offer in Offers.of(book, list(trucks)).each("job"):
        truck = trucks[record.truck]
        begun = any(each.truck == truck for each in book.valid(BILLED, job=offer.name))
        if offer.said.get("day") == day if day else record.at >= since and not begun:
            facts: View = {name: offer.said.get(name) for name in _OF_A_JOB}
            given.append({"truck": names[truck], "job": offer.name, "at": record.at, "begun": begun, **facts})
    return given


def stock_view(book: Book, since: str, until: str) -> View:
    """Yard tanks and totes: what they hold by readings and bookings of the period, and what explains the difference."""
    histories, why = all_histories(book, since, until), ""
    try:
        refuse_without_scipy()
        said = {id(each): sentence(each, found) for each, found in explained(histories)}
    except Refused as error:
        said, why = {}, said_by(error)
    return {"since": since, "why": why, "vessels": [_vessel(each, said.get(id(each))) for each in histories]}


def _vessel(history: History, said: str | None) -> View:
    held, seen = history.held, history.held.seen
    return {
        "title": history.title, "truck": history.truck or None, "tote": history.tote,
        "holds": None if held.left_l is None else round(held.left_l, 1), "fluids": list(held.fluids),
        "dipped": None if seen is None else seen.at, "said": said,
    }  # fmt: skip


def meters_view(book: Book) -> View:
    """Each truck's meter: factor and proving as its last fill states them, and the verdicts of the fills since."""
    return {"meters": [{"truck": name, **_meter(book, chain)} for chain, name in trucks_of(book).items()]}


def _meter(book: Book, chain: str) -> View:
    latest = book.found(newest_query(FILL, _FILLS_JUDGED, truck=chain))
    if not latest:
        return {"meter": None}
    work = PumpWork.of(latest[0])
    since = _proven(book, chain)
    fills = [PumpWork.of(each) for each in reversed(latest) if each.at > since and not each.void_in_its_body]
    kind = work.measured_by
    doubts: dict[str, float] = {kind: row.u_percent / 100 for kind, row in KINDS.items()}
    alike = [each for each in fills if each.measured_by == kind]
    judged = verdicts((list(comparisons_in(each, KINDS[kind].repeat)) for each in alike), doubts=doubts)
    return {
        "meter": kind, "factor": work.meter_factor, "u_percent": work.meter_factor_u_percent,
        "proven": work.meter_factor_on, "fills": len(alike),
        "verdicts": [{"condition": each.condition, "text": each.text} for each in judged],
        "advice": advice(judged, proven=work.meter_factor_on is not None),
    }  # fmt: skip


def _proven(book: Book, chain: str) -> str:
    """Time of the last accepted proving of a truck that is not void; empty if there is none."""
    accepted = [each.at for each in book.valid("proving", truck=chain) if Proving.of(each).accepted]
    return accepted[-1] if accepted else ""


def fills_view(book: Book, customer: str, wanted: Wanted, before: Place | None) -> View:
    """A page of fills, newest first, and the place from which the next goes on."""
    names = whose_of(book, customer).names if customer.strip() else ()
    page = fill_page(book, Wanted(names, wanted.wheel, wanted.truck, wanted.since, wanted.until), before)
    called_ = trucks_of(book)
    return {
        "fills": [_fill(each, called_.get(each.truck, each.truck)) for each in page.fills],
        "rest": None if page.rest is None else list(page.rest),
        "trucks": [{"truck": truck, "name": name} for truck, name in called_.items()],
    }


def _fill(record: Record, truck: str) -> View:
    work = PumpWork.of(record)
    return {
        "truck": truck, "number": number_of(record), "customer": work.customer, "machine": work.machine,
        "position": work.position, "size": work.shown_size, "fluid": work.fluid, "job": work.job,
        "litres": round(work.net_l, 1), "u": work.net_u_l, "known": work.known_as, "outcome": work.outcome,
        "at": None if work.clock == UNBELIEVED else record.at,
    }  # fmt: skip


def wheels_view(book: Book, customer: str) -> View:
    """The wheels of a customer's machines, each with its last fill as far as a person's figures stand."""
    names = whose_of(book, customer).names
    records = book.in_order(each for name in names for each in book.valid(FILL, customer=name))
    last = {(work.machine or "", work.position or ""): each for each in records for work in [PumpWork.of(each)]}
    noted = [note for name in names for note in book.valid("figure", customer=name)]
    called_ = trucks_of(book)
    machines: dict[str, list[View]] = {}
    for each in filled(book, last.values(), noted):
        row = _fill(each.record, called_.get(each.record.truck, each.record.truck))
        litres = round(each.moved_l, 1) if each.known else None
        machines.setdefault(str(row["machine"] or ""), []).append(row | {"litres": litres})
    return {"customer": names[0], "machines": [{"machine": name, "wheels": rows} for name, rows in machines.items()]}
