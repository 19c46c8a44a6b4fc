"""What the office does with a truck's message: believe it or not, take records in, and answer with what it lacks.

A request over the network signs a challenge that the office gave for it alone; nothing depends on a clock, since those
of trucks are wrong. A file that is carried has none: what it brings can only continue the chain, so a second time it
brings nothing. Knows books and keys; must not know connections.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterator
from itertools import islice

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from rig.ledger.chain import START, SignedHead
from rig.office.contacts import Contacts
from rig.office.keys import (
    ANSWER,
    COUNTERSIGNED,
    HANDED_OUT,
    HEAD,
    OFFICE,
    REQUEST,
    OfficeError,
    StaleError,
    for_truck,
    sign,
)
from rig.office.messages import (
    MOST_RECORDS,
    Answer,
    Envelope,
    Head,
    Piece,
    Request,
    checked,
    enveloped,
    opened,
    piece_of,
    portion,
    rows_of,
)
from rig.office.register import GENERATION, Register
from rig.office.sharing import share

_MOST_CHALLENGES = 10_000
_CHALLENGE_BYTES = 16


class Challenges:
    """Challenges that wait for their request; the oldest are dropped. Used by several threads."""

    def __init__(self) -> None:
        self._waiting: OrderedDict[str, None] = OrderedDict()
        self._lock = threading.Lock()

    def new(self) -> str:
        """A challenge for one request."""
        text = secrets.token_hex(_CHALLENGE_BYTES)
        with self._lock:
            self._waiting[text] = None
            if len(self._waiting) > _MOST_CHALLENGES:
                self._waiting.popitem(last=False)
        return text

    def take(self, text: str) -> None:
        """Use a challenge up; StaleError if it does not wait."""
        with self._lock:
            if text not in self._waiting:
                raise StaleError("this request was heard already, or is too old: ask anew")
            del self._waiting[text]


def exchanged(
    office: Register,
    key: Ed25519PrivateKey,
    envelope: Envelope,
    challenges: Challenges | None,
    contacts: Contacts | None = None,
) -> Envelope:
    """Take in what a truck sends and answer it; ``challenges`` is None for a file. OfficeError or BookError.

    That the truck was heard is kept in ``contacts``.
    """
    named = Request.read(envelope.text)
    request = opened(envelope, office.valid_key(named.truck, named.generation), REQUEST, Request)
    if challenges is not None:
        challenges.take(request.challenge)
    for piece in request.pieces:
        take_piece(office, key, request.truck, piece)
    share(office)
    answer = _answer(office, key, request, challenges)
    if contacts is not None:
        contacts.heard(request.truck, max(0, request.serial - answer.serial))
    return enveloped(answer, key, ANSWER)


def take_piece(office: Register, key: Ed25519PrivateKey, truck: str, piece: Piece) -> int:
    """Take in a piece of a truck's chain, countersigned in the same commit; returns how many records were new."""
    records = checked(piece, truck, office.valid_key(truck, piece.generation), HEAD)
    last = records[-1]
    said = (truck, piece.generation, last.serial, last.hash, piece.signature)
    signed = SignedHead(
        chain=truck,
        serial=last.serial,
        hash=last.hash,
        generation=piece.generation,
        signature=piece.signature,
        countersignature=sign(key, COUNTERSIGNED, *said),
    )
    return office.take_in(records, signed)


def _answer(office: Register, key: Ed25519PrivateKey, request: Request, challenges: Challenges | None) -> Answer:
    serial = office.heads().get(request.truck, (0, START))[0]
    _one_chain(office, request, serial)
    lacking = _lacking(office, key, request)
    # Over the network a piece in each answer; a file has all.
    down = tuple(lacking) if challenges is None else tuple(islice(lacking, 1))
    last = office.last_signed(request.truck)
    return Answer(
        truck=request.truck,
        challenge=request.challenge,
        next="" if challenges is None else challenges.new(),
        serial=serial,
        signed=None if last is None else Head.of(last),
        down=down,
        more=next(lacking, None) is not None,
    )


def _lacking(office: Register, key: Ed25519PrivateKey, request: Request) -> Iterator[Piece]:
    """Pieces of what a truck lacks: of its own chain as it has signed it itself, and of the office's."""
    after = request.serial
    for head in office.signed_heads(request.truck, since=request.serial + 1):
        records = list(office.every(request.truck, after=after, most=head.serial - after))
        if len(records) > MOST_RECORDS:
            raise OfficeError(
                f"records of {request.truck} behind {after} came here without its signature: fetch them with the "
                "database's address, by `rig office fetch --url`"
            )
        yield Piece(generation=head.generation, signature=head.signature, rows=rows_of(records))
        after = head.serial
    for chain in (OFFICE, for_truck(request.truck)):
        after = request.has.get(chain, 0)
        while records := portion(list(office.every(chain, after=after, most=MOST_RECORDS))):
            yield piece_of(records, GENERATION, key, HANDED_OUT)
            after = records[-1].serial


def _one_chain(office: Register, request: Request, serial: int) -> None:
    """Refuse a truck whose records are others than the office's, as after an old backup."""
    if not 0 < request.serial <= serial:
        return
    here = office.at_serial(request.serial, request.truck)
    if here is None or here.hash != request.hash:
        raise OfficeError(
            f"record {request.serial} of {request.truck} is another one at the office: two chains, nothing is moved. "
            "The office's stands: copy the truck's folder, put book.sqlite and book.sqlite.head aside, and join "
            "again. What the journal has is posted again behind it; notes since then are to be entered anew"
        )
