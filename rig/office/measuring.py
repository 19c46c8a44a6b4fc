"""What fills measured of wheels, offered to all trucks: one measurement of each wheel, looked up by the wheel's name.

There may be as many as there are wheels: none is read but those of the fill at hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rig.ledger.chain import VOID, Record
from rig.office.keys import OFFICE
from rig.office.register import Register
from rig.record.notes import Shared, Source
from rig.record.work import PumpWork
from rig.run.clock_memory import utc_now
from rig.shop.cavities import KIND, counts_more, measured_by, wheel_name
from rig.shop.posting import FILL, called, place_of


@dataclass(frozen=True, slots=True)
class Measuring:
    """Takes fills, their corrections and declarations of void into what is offered of their wheels."""

    office: Register

    def take(self, record: Record, key: str) -> tuple[str, Shared] | None:
        """Take a fill in under the request ``key``; returns a wheel's first offer, by its key, for the caller to write.

        A fill that was corrected or declared void since is left to the record that did so.
        """
        if self.office.end(record) != record:
            return None
        found = measured_by(record, called(self.office, record.truck))
        wheel = None if found is None else place_of(found[0])
        former = list(self._former(record))
        for each in former:
            if _wheel_key(each) != wheel:
                self._withdraw(each, key)
        if found is None or wheel is None:
            return None
        name, said = found
        offer = Shared(name=name, said=said, sources=(Source(record.truck, str(said["fill_id"]), record.serial),))
        last = self.office.last(KIND, wheel)
        if last is None:
            return wheel, offer
        newest, known = Shared.of(last) if last.kind != VOID else None, self._is_known(last, record)
        corrected = bool(former) and newest is not None and _is_by(newest.sources[0], record) and newest.said != said
        if newest is None or corrected or (counts_more(said, newest.said) and not known):
            self._put(last, offer, key)
        return None

    def void(self, void: Record, key: str) -> None:
        """Withdraw what a fill measured that was declared void."""
        for each in self._former(void):
            self._withdraw(each, key)

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
        last = None if wheel is None else self.office.last(KIND, wheel)
        if last is None or last.kind == VOID or not _is_by(Shared.of(last).sources[0], fill):
            return
        for record in self._history(last):
            offer = Shared.of(record)
            measured = self.office.at_serial(offer.sources[0].serial, offer.sources[0].truck)
            if not _is_by(offer.sources[0], fill) and measured is not None and self.office.end(measured) == measured:
                self._put(last, offer, f"{key} withdraws")
                return
        self.office.void(last, utc_now(), "the fill that measured it was corrected or is void", once=key)

    def _put(self, standing: Record, offer: Shared, key: str) -> None:
        again = Shared(name=offer.name, said=offer.said, sources=offer.sources)
        self.office.replace(standing, again.sealed(), utc_now(), once=key)

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
