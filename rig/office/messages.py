"""What travels between a truck and the office: pieces of chains, requests and answers, each signed as a whole.

The same over the network and in a file that a person carries. Pure but for the keys; decides nothing about a book.
"""

from __future__ import annotations

import json
from itertools import accumulate
from typing import Self, TypeVar

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from rig.ledger.chain import Record, SignedHead, canonical, faults_of
from rig.office.keys import OfficeError, is_signed, sign

MOST_RECORDS = 500
"""In one piece of a chain: one commit."""
_MOST_CHARACTERS = 4_000_000
"""Of the records in one piece, unless a single one has more. Assumed, no source."""
_LONGEST_ID = 200
_LARGEST_SERIAL = 2**53
"""Above that a number is not the same in every reader of JSON (RFC 8259, section 6)."""
Row = tuple[str, int, str, str, str, str, str, str]
"""A record's fields, in their order."""


class Message(BaseModel):
    """Something that is sent, checked when it is read."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @classmethod
    def read(cls, text: str | bytes) -> Self:
        """Read its JSON; OfficeError for anything else."""
        try:
            return cls.model_validate_json(text)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            place = ".".join(map(str, first["loc"])) or "it"
            raise OfficeError(f"this is no message of a truck or an office: {place}: {first['msg']}") from error


class Piece(Message):
    """Consecutive records of one chain, and a signature up to the last of them."""

    generation: int = Field(ge=1, le=_LARGEST_SERIAL)
    """Number of the key that signed."""
    signature: str = Field(max_length=_LONGEST_ID)
    rows: tuple[Row, ...] = Field(min_length=1, max_length=MOST_RECORDS)

    @property
    def records(self) -> tuple[Record, ...]:
        """Its records."""
        return tuple(Record(*row) for row in self.rows)


def piece_of(records: list[Record], generation: int, key: Ed25519PrivateKey, what: str) -> Piece:
    """Sign consecutive records of a chain, at least one."""
    last = records[-1]
    signature = sign(key, what, last.truck, generation, last.serial, last.hash)
    return Piece(generation=generation, signature=signature, rows=rows_of(records))


def portion(records: list[Record]) -> list[Record]:
    """The first of these records, as many as go into one piece."""
    sizes = accumulate(len(record.body) for record in records)
    return [record for record, size in zip(records, sizes, strict=True) if size <= _MOST_CHARACTERS] or records[:1]


def rows_of(records: list[Record]) -> tuple[Row, ...]:
    """Records as they are sent."""
    return tuple((r.truck, r.serial, r.kind, r.key, r.at, r.body, r.previous, r.hash) for r in records)


def checked(piece: Piece, chain: str, public: Ed25519PublicKey | None, what: str) -> tuple[Record, ...]:
    """The records of a piece; OfficeError if any is not as it was sealed, or the whole not as it was signed.

    Without ``public``, as for a key of a former computer, only the seals are checked.
    """
    records, last = piece.records, piece.rows[-1]
    if public and not is_signed(public, piece.signature, what, chain, piece.generation, last[1], last[7]):
        raise OfficeError(f"records of {chain} up to {last[1]} are not signed by its key: nothing is taken in")
    head = {chain: (records[-1].serial, records[-1].hash)}
    if (fault := next(faults_of(records, head, whole=False), None)) is not None:
        raise OfficeError(f"refused at arrival: {fault}")
    for record in records:
        if record.truck != chain or not 0 < record.serial < _LARGEST_SERIAL:
            raise OfficeError(f"record {record.serial} of {record.truck} is none of {chain}: nothing is taken in")
        if not all(text and text.isprintable() for text in (record.truck, record.kind, record.key, record.at)):
            raise OfficeError(f"record {record.serial} of {chain} has fields of more than one line")
        _refuse_body(record)
    return records


def _refuse_body(record: Record) -> None:
    """Refuse what no reader of the book could read."""
    try:
        found = json.loads(record.body)
        # No number that JSON does not know, no half of a character, no NUL.
        canonical(found)
    except (ValueError, RecursionError) as error:
        raise OfficeError(f"record {record.serial} of {record.truck} is no record ({error})") from error
    if not isinstance(found, dict) or not isinstance(found.get("corrects"), int | None):
        raise OfficeError(f"record {record.serial} of {record.truck} is no record")


class Head(Message):
    """A signed head, as :class:`SignedHead`."""

    chain: str
    serial: int
    hash: str
    generation: int
    signature: str
    countersignature: str

    @classmethod
    def of(cls, head: SignedHead) -> Self:
        """The message of a signed head."""
        return cls(
            chain=head.chain,
            serial=head.serial,
            hash=head.hash,
            generation=head.generation,
            signature=head.signature,
            countersignature=head.countersignature,
        )

    @property
    def signed(self) -> SignedHead:
        """The signed head."""
        return SignedHead(**self.model_dump())


class Request(Message):
    """What a truck says to the office."""

    truck: str = Field(max_length=_LONGEST_ID)
    generation: int = Field(ge=1, le=_LARGEST_SERIAL)
    challenge: str = Field(max_length=_LONGEST_ID)
    """What the office gave for this one request; empty in a file."""
    serial: int = Field(ge=0, le=_LARGEST_SERIAL)
    """The end of the truck's chain, and ``hash``."""
    hash: str = Field(max_length=_LONGEST_ID)
    has: dict[str, int] = Field(max_length=2)
    """Of the office's chains, how many records the truck has."""
    pieces: tuple[Piece, ...] = ()


class Answer(Message):
    """What the office says to that."""

    truck: str
    challenge: str
    """The one of the request."""
    next: str
    """For the next request."""
    serial: int
    """The end of the truck's chain at the office."""
    signed: Head | None
    """Its last signed head."""
    down: tuple[Piece, ...]
    """Of the office's chains what the truck lacks, and of its own what it has lost."""
    more: bool
    """Whether there is more of that."""


class Challenge(Message):
    """What a truck signs with its next request, so that no request is heard twice."""

    challenge: str


class Envelope(Message):
    """A message as text, and its signature."""

    text: str
    signature: str = Field(max_length=_LONGEST_ID)


def enveloped(message: Request | Answer, key: Ed25519PrivateKey, what: str) -> Envelope:
    """Sign a message."""
    text = message.model_dump_json()
    return Envelope(text=text, signature=sign(key, what, text))


Opened = TypeVar("Opened", Request, Answer)


def opened(envelope: Envelope, public: Ed25519PublicKey, what: str, kind: type[Opened]) -> Opened:
    """The message in an envelope; OfficeError if it is not signed by the key."""
    if not is_signed(public, envelope.signature, what, envelope.text):
        raise OfficeError("the message is not signed by the key that it names: nothing is taken in")
    return kind.read(envelope.text)
