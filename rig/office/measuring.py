"""What fills measured of wheels, offered to all trucks: one measurement of each wheel, looked up by the wheel's name.

There may be as many as there are wheels: none is read but those of the fill at hand.
"""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from rig.ledger.chain import VOID, Record
from rig.office.keys import OFFICE
from rig.office.register import Register
from rig.record.base import RecordError
from rig.record.notes import Shared, Source
from rig.record.work import PumpWork
from rig.run.clock_memory import utc_now
from rig.shop.cavities import KIND, counts_more, measured_by, wheel_name
from rig.shop.posting import FILL, called, place_of

_MANY = 50
"""Fills of one reading from which on the wheels that are offered are looked up in one query. Assumed, no source."""
_MOST_NEW = 200
"""First offers of wheels in one commit."""


@dataclass(slots=True)
class Measuring:
    """Takes fills, their corrections and declarations of void into what is offered of their wheels.

    Fills wait until the chain was read to its end: one that was corrected or declared void since is then left to the
    record that did so, and first offers are written many at a time.
    """

    office: Register
    _fills: list[tuple[Record, str]] = field(default_factory=list)
    _superseded: set[int] = field(default_factory=set)
    _new: dict[str, Shared] = field(default_factory=dict)
    _last: dict[str, Record | None] = field(default_factory=dict)
    """The last record of each wheel that was looked up, as it is now."""

    def take(self, record: Record, key: str) -> None:
        """Keep a fill for the end of its chain, to be taken in under the request ``key``."""
        if record.corrects is not None:
            self._superseded.add(record.corrects)
        self._fills.append((record, key))

    def void(self, void: Record, key: str) -> None:
        """Withdraw what a fill measured that was declared void."""
        if void.corrects is not None:
            self._superseded.add(void.corrects)
        for each in self._former(void):
            self._withdraw(each, key)

    def finish(self) -> None:
        """The chain was read to its end: take its fills in."""
        fills = [(record, key) for record, key in self._fills if record.serial not in self._superseded]
        known = self.office.keys(KIND) if len(fills) > _MANY else None
        name = called(self.office, fills[0][0].truck) if fills else ""
        for record, key in fills:
            # One that this version cannot read is left as it is.
            with contextlib.suppress(RecordError):
                self._taken(record, key, name, known)
            if len(self._new) >= _MOST_NEW:
                self._write()
        self._write()
        self._fills.clear()
        self._superseded.clear()

    def _write(self) -> None:
        """Write the first offers of wheels, in one commit."""
        at = utc_now()
        for record in self.office.append_all([(KIND, wheel, at, offer.sealed()) for wheel, offer in self._new.items()]):
            self._last[record.key] = record
        self._new.clear()

    def _taken(self, record: Record, key: str, name: str, known: Collection[str] | None) -> None:
        """Take a fill in; ``name`` is its rig's, ``known`` the keys of all offered wheels, if they were read."""
        found = measured_by(record, name)
        wheel = None if found is None else place_of(found[0])
        former = list(self._former(record))
        if former or wheel in self._new:
            self._write()
        for each in former:
            if _wheel_key(each) != wheel:
                self._withdraw(each, key)
        if found is None or wheel is None:
            return
        called_, said = found
        offer = Shared(name=called_, said=said, sources=(Source(record.truck, str(said["fill_id"]), record.serial),))
        new = known is not None and wheel not in known and wheel not in self._last
        last = None if new else self._of_wheel(wheel)
        if last is None:
            self._new[wheel] = offer
            return
        newest = Shared.of(last) if last.kind != VOID else None
        corrected = bool(former) and newest is not None and _is_by(newest.sources[0], record) and newest.said != said
        if newest is None or corrected or (counts_more(said, newest.said) and not self._is_known(last, record)):
            self._put(wheel, last, offer, key)

    def _of_wheel(self, wheel: str) -> Record | None:
        if wheel not in self._last:
            self._last[wheel] = self.office.last(KIND, wheel)
        return self._last[wheel]

    def _former(self, record: Record) -> Iterator[Record]:
        """The fills that a record stands in for, the latest first."""
        while record.corrects is not None:
            before = self.office.at_serial(record.corrects, record.truck)
            if before is None:
                return
            record = before
            if record.kind == FILL:
                yield record

    def _withdraw(self, fill: Record, key: str) -> None:
        """Withdraw what is offered by a fill; what was offered of its wheel before is again, if that fill stands."""
        wheel = _wheel_key(fill)
        last = None if wheel is None else self._of_wheel(wheel)
        if wheel is None or last is None or last.kind == VOID or not _is_by(Shared.of(last).sources[0], fill):
            return
        for record in self._history(last):
            offer = Shared.of(record)
            measured = self.office.at_serial(offer.sources[0].serial, offer.sources[0].truck)
            if not _is_by(offer.sources[0], fill) and measured is not None and self.office.end(measured) == measured:
                self._put(wheel, last, offer, f"{key} withdraws")
                return
        self._last[wheel] = self.office.void(
            last, utc_now(), "the fill that measured it was corrected or is void", once=key
        )

    def _put(self, wheel: str, standing: Record, offer: Shared, key: str) -> None:
        again = Shared(name=offer.name, said=offer.said, sources=offer.sources)
        self._last[wheel] = self.office.replace(standing, again.sealed(), utc_now(), once=key)

    def _is_known(self, last: Record, fill: Record) -> bool:
        """Whether a fill was offered before, so that it is being read again."""
        return any(_is_by(Shared.of(each).sources[0], fill) for each in self._history(last))

    def _history(self, record: Record) -> Iterator[Record]:
        """What was offered of a wheel, the latest first."""
        here: Record | None = record
        while here is not None:
            if here.kind != VOID:
                yield here
            here = None if here.corrects is None else self.office.at_serial(here.corrects, OFFICE)


def _is_by(source: Source, fill: Record) -> bool:
    return (source.truck, source.name) == (fill.truck, PumpWork.of(fill).fill_id)


def _wheel_key(fill: Record) -> str | None:
    work = PumpWork.of(fill)
    return None if work.wheel is None else place_of(wheel_name(work.customer, work.wheel))
