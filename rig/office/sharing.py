"""The office reads what trucks have sent for what it offers to all: customers, sites, jobs, wheels taught and measured.

How far each chain was read is kept beside the records, and each truck's record makes one of the office's at most, by
its key: so an office that is killed in between reads on, and nothing is entered twice.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import cast

from rig.ledger.chain import VOID, Record, UnfitError
from rig.office.keys import OFFICE, for_truck, is_office
from rig.office.measuring import Measuring
from rig.office.merging import agree, merged
from rig.office.offers import NUMBERED, Offers, said_in, what_of
from rig.office.register import Register
from rig.record.base import Document, RecordError
from rig.record.kinds import read_kind
from rig.record.notes import SHARED, Offered, OtherWord, Shared, Source, Void
from rig.run.clock_memory import utc_now
from rig.shop.posting import FILL, place_of

_MOST_NEW = 200
"""New offers in one commit."""
_TAKEN = ("customer", "site", "job", "wheels of a job", "wheel", FILL, VOID)
"""Kinds of trucks' records of which something is offered."""
_LOCK = threading.Lock()


def share(office: Register) -> None:
    """Read what has arrived since, and change what is offered accordingly."""
    with _LOCK:
        done, taking = office.read_marks(), _Taking(office)
        for truck, (serial, _) in office.heads().items():
            after = done.get(truck, 0)
            if is_office(truck) or serial <= after:
                continue
            for record in office.every(truck, after=after):
                if record.kind in _TAKEN:
                    taking.take(record)
            taking.finish()
            office.keep_mark(truck, serial)


def offered(office: Register) -> Offers:
    """What the office offers now, to all or to any truck."""
    return Offers.of(office, [chain for chain in office.heads() if is_office(chain)])


@dataclass(slots=True)
class _Taking:
    """Takes trucks' records into what is offered. New offers are written many at a time: a commit takes long."""

    office: Register
    _measuring: Measuring = field(init=False)
    _offers: Offers | None = None
    _new: list[tuple[Offered, str, Shared]] = field(default_factory=list)
    _names: set[tuple[Offered, str]] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._measuring = Measuring(self.office)

    @property
    def offers(self) -> Offers:
        """What is offered now; read when it is needed first."""
        if self._offers is None:
            self._offers = offered(self.office)
        return self._offers

    def take(self, record: Record) -> None:
        """Take in one record; one that this version cannot read is left as it is."""
        with contextlib.suppress(RecordError, UnfitError):
            read_kind(record.kind, record.body)
            document = record.document
            name = place_of(str(document.get("name") or document.get("wheel")))
            # A site's customer may be among the new ones.
            first = record.kind == "site" or record.corrects is not None or (record.kind, name) in self._names
            if first or len(self._new) >= _MOST_NEW:
                self.write_new()
            match record.kind:
                case "void":
                    self._withdraw(record)
                case "fill":
                    self._measuring.take(record, _key(record))
                case "wheel":
                    self._wheel(record, document)
                case "customer" | "site":
                    self._numbered(record, document)
                case "job" | "wheels of a job":
                    self._job(record, document)

    def _withdraw(self, record: Record) -> None:
        """A taught wheel that was declared void is offered no more, nor what a void fill measured."""
        voids = Void.of(record).voids
        if voids == FILL:
            self._measuring.void(record, _key(record))
        if voids != "wheel":
            return
        for standing, offer in self.offers.each("wheel"):
            if any((each.truck, each.serial) == (record.truck, record.corrects) for each in offer.sources):
                self.office.void(standing, utc_now(), f"void on {record.truck}", once=_key(record))
                self.offers.drop(standing)

    def _wheel(self, record: Record, document: Document) -> None:
        name = str(document["wheel"])
        offer = Shared(
            name=name,
            said=said_in("wheel", document),
            sources=(Source(record.truck, name, record.serial),),
        )
        if (standing := self.offers.one("wheel", name).get(OFFICE)) is None:
            self._add("wheel", name, offer, record)
        else:
            self._write(standing, offer, record)

    def _numbered(self, record: Record, document: Document) -> None:
        """A customer, or a site of one that the office knows."""
        what = cast("Offered", record.kind)
        local = str(document[f"{what}_number"])
        new = self.offers.with_office_numbers(record.truck, said_in(what, document))
        if what == "site" and not self.offers.one("customer", str(new["customer_number"])):
            return
        number = self.offers.number_of(what, record.truck, local)
        standing = self.offers.one(what, number).get(OFFICE) if number else self._same(what, record, new)
        if standing is None:
            offer = Shared(name=self.offers.new_number(what), said=new)
            self._add(what, str(new["name"]), _with_source(offer, record, local), record)
            return
        # What the office knows already by its name gets what the truck's own record adds.
        given: Document = {name: new[name] for name in ("name", "customer_number") if name in new}
        self._merge(record, standing, self._base(record, document, what) if number else given, new, local)

    def _same(self, what: Offered, record: Record, new: Document) -> Record | None:
        """The offered one of the same name, if nothing contradicts, and the truck has no other number for it."""
        for standing, offer in self.offers.called(what, str(new["name"])):
            if agree(offer.said, new) and all(each.truck != record.truck for each in offer.sources):
                return standing
        return None

    def _job(self, record: Record, document: Document) -> None:
        """A job that the office has given out; another is its truck's own affair."""
        what, name = cast("Offered", record.kind), str(document["job"])
        if for_truck(record.truck) not in self.offers.one(what, name):
            return
        base = self._base(record, document, what)
        new = self.offers.with_office_numbers(record.truck, said_in(what, document))
        for standing in [*self.offers.one(what, name).values()]:
            self._merge(record, standing, base, new, name)

    def _base(self, record: Record, document: Document, what: Offered) -> Document:
        """What the person saw who wrote the record: the office's, if it was entered from that, or the one before.

        Numbers of customer and site are the office's.
        """
        serial = document.get("from_office")
        chain = OFFICE if f"{what}_number" in NUMBERED else for_truck(record.truck)
        before = self.office.at_serial(int(str(serial)), chain) if serial is not None else None
        if before is not None and before.kind == f"{SHARED}{what}":
            return said_in(what, Shared.of(before).said)
        if record.corrects is None:
            return {}
        corrected = self.office.at_serial(record.corrects, record.truck)
        if corrected is None or corrected.kind != what:
            return {}
        return self.offers.with_office_numbers(record.truck, said_in(what, corrected.document))

    def _merge(self, record: Record, standing: Record, base: Document, new: Document, local: str) -> None:
        offer = Shared.of(standing)
        known = any(
            (each.truck, each.name) == (record.truck, local) and each.serial >= record.serial for each in offer.sources
        )
        if known or (new == base and "from_office" in record.document):
            # Read before the office was killed; or the truck has entered what the office offers: nobody's word.
            return
        said, displaced = merged(offer.said, base, new)
        settled = {field for field in {*base, *new} if base.get(field) != new.get(field)} - displaced.keys()
        others = tuple(each for each in offer.others or () if each.field not in settled)
        others += tuple(
            OtherWord(field, value, offer.by or "", standing.truck, standing.serial)
            for field, value in displaced.items()
        )
        offer = replace(offer, said=said, others=others or None, by=str(record.document.get("by") or "") or None)
        self._write(standing, _with_source(offer, record, local), record)

    def _add(self, what: Offered, name: str, offer: Shared, record: Record) -> None:
        self._new.append((what, _key(record), offer))
        self._names.add((what, place_of(name)))

    def finish(self) -> None:
        """A chain was read to its end."""
        self.write_new()
        self._measuring.finish()

    def write_new(self) -> None:
        """Write the new offers in one commit."""
        if not self._new:
            return
        at = utc_now()
        for record in self.office.append_all(
            [(f"{SHARED}{what}", key, at, said.sealed()) for what, key, said in self._new]
        ):
            self.offers.put(record)
        self._new.clear()
        self._names.clear()

    def _write(self, standing: Record, offer: Shared, record: Record) -> None:
        made = write_offer(self.office, what_of(standing), standing.truck, standing, offer, _key(record))
        # An earlier one was written before the office was killed.
        if made.serial > standing.serial:
            self.offers.put(made)


def write_offer(
    office: Register, what: Offered, chain: str, standing: Record | None, offer: Shared, key: str
) -> Record:
    """Write an offer into one of the office's chains, in place of the one that stands; once for each ``key``."""
    body = replace(offer, sealed_as=None, corrects=None, origin=None, revision=None, record_version=None).sealed()
    if standing is None:
        return office.append_all([(f"{SHARED}{what}", key, utc_now(), body)], chain)[0]
    return office.replace(standing, body, utc_now(), once=key)


def _key(record: Record) -> str:
    return f"{record.truck} {record.serial}"


def _with_source(offer: Shared, record: Record, local: str) -> Shared:
    sources: Mapping[str, Source] = {each.truck: each for each in offer.sources}
    mine = Source(record.truck, local, record.serial)
    return replace(offer, sources=(*(each for truck, each in sources.items() if truck != record.truck), mine))
