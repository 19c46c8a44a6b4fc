"""The chain of records: sealing of each to the one before, and detection of a change, a gap or a lost tail.

Pure: knows texts and hashes, no database, no files, no clock. A record is sealed by SHA-256 (FIPS 180-4) over its
fields, one a line, the body last; a body is JSON with sorted keys and no blanks, in the manner of RFC 8785.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rig.record.base import Document, Sealed
from rig.sentence import Wording

VOID = "void"
"""Kind of the record that declares void the one that it corrects."""
_VOID_IN_THE_BODY = ("fill", "vessel", "return", "rinse")
"""Kinds that earlier versions declared void by a correction with ``"void": true``."""
START = "0" * 64
"""The hash before the first record of a truck."""
Body = Mapping[str, object]
Head = tuple[int, str]
"""Serial number and hash of a truck's last record."""


class UnfitError(ValueError):
    """A record cannot be sealed; the text states which part of it and why."""


@dataclass(frozen=True, slots=True)
class Record:
    """One record of one truck; ``key`` identifies it within its kind, ``at`` is ISO 8601 in UTC."""

    truck: str
    serial: int
    kind: str
    key: str
    at: str
    body: str
    previous: str
    hash: str

    @property
    def document(self) -> Document:
        """The parsed body."""
        found = json.loads(self.body)
        assert isinstance(found, dict)
        return found

    @property
    def corrects(self) -> int | None:
        """Serial number of the record that this one replaces."""
        return Sealed.of(self).corrects

    @property
    def void_in_its_body(self) -> bool:
        """Whether it is a correction by an earlier program version that declares void what it corrects."""
        # Test the text first: parsing each record would slow down a month's bill.
        likely = self.kind in _VOID_IN_THE_BODY and '"void":true' in self.body
        return likely and Sealed.of(self).void is True


@dataclass(frozen=True, slots=True)
class SignedHead:
    """A truck's signature that its chain up to a record is its own, and the office's, which covers the truck's.

    Signatures are base64; ``generation`` is the number of the truck's key.
    """

    chain: str
    serial: int
    hash: str
    generation: int
    signature: str
    countersignature: str


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of a chain, and its place."""

    truck: str
    serial: int
    text: str

    def __str__(self) -> str:
        return f"{self.truck}, record {self.serial}: {self.text}"


def canonical(body: Body) -> str:
    """The canonical text of a body, which is hashed; UnfitError for what JSON or a database cannot hold."""
    try:
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        text.encode()
    except (TypeError, ValueError) as error:
        raise UnfitError(Wording("book.unfit", "a record cannot hold this: {error}")(error=str(error))) from error
    if r"\u0000" in text:
        raise UnfitError(Wording("book.nul", "a record cannot hold a NUL character: leave it out")())
    return text


def content_key(at: str, body: Body) -> str:
    """The key of a record identified only by its content and time."""
    return f"{at} {hashlib.sha256(canonical(body).encode()).hexdigest()[:16]}"


def digest(truck: str, serial: int, kind: str, key: str, at: str, previous: str, body: str) -> str:
    """The hash of a record, hex."""
    return hashlib.sha256("\n".join((truck, str(serial), kind, key, at, previous, body)).encode()).hexdigest()


def seal(truck: str, head: Head, kind: str, key: str, at: str, body: str) -> Record:
    """Seal the record that follows ``head``; UnfitError if a field would break the hashed lines."""
    for name, value in (("truck", truck), ("kind", kind), ("key", key), ("at", at)):
        if not value or not value.isprintable():
            raise UnfitError(
                Wording("book.one_line", "{name} '{value}': write one line of plain characters, at least one")(
                    name=name, value=value
                )
            )
    serial, previous = head[0] + 1, head[1]
    return Record(truck, serial, kind, key, at, body, previous, digest(truck, serial, kind, key, at, previous, body))


def is_whole(record: Record) -> bool:
    """Whether the record is unchanged since it was sealed."""
    made = digest(
        record.truck, record.serial, record.kind, record.key, record.at, record.previous, record.body
    )  # fmt: skip
    return made == record.hash


def faults_of(records: Iterable[Record], heads: Mapping[str, Head], *, whole: bool = True) -> Iterator[Fault]:
    """All faults in ``records``, sorted by truck and serial number.

    ``heads`` gives the end of each truck's chain; with ``whole`` each chain must begin at 1, otherwise anywhere.
    """
    ends: dict[str, Head] = {}
    for record in records:
        last = ends.get(record.truck)
        if last is None and not whole:
            last = (record.serial - 1, record.previous)
        yield from _faults_between(last or (0, START), record)
        ends[record.truck] = (record.serial, record.hash)
    for truck in sorted({*heads, *ends}):
        yield from _faults_of_end(truck, ends.get(truck, (0, START)), heads.get(truck))


def _faults_between(last: Head, record: Record) -> Iterator[Fault]:
    serial, previous = last
    if record.serial != serial + 1:
        missing = f"{serial + 1}" if record.serial == serial + 2 else f"{serial + 1} to {record.serial - 1}"
        yield Fault(record.truck, record.serial, f"a gap before it: {missing} missing")
    elif record.previous != previous:
        yield Fault(record.truck, record.serial, f"is not sealed to record {serial}, which was changed or exchanged")
    if not is_whole(record):
        yield Fault(record.truck, record.serial, f"was changed after it was sealed ({record.kind} {record.key})")


def _faults_of_end(truck: str, end: Head, head: Head | None) -> Iterator[Fault]:
    if head is None:
        yield Fault(truck, end[0], "the head of this chain is missing")
    elif head[0] > end[0]:
        yield Fault(truck, end[0] + 1, f"the tail is torn off: records up to {head[0]} were written")
    elif head != end:
        yield Fault(truck, end[0], f"the head of the chain says {head[0]} {head[1][:12]}, not this record")
