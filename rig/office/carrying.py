"""A truck's exchange with its office: up what the office lacks, down what the truck lacks, from where the office is.

What was sent is known from the office's answer, never from a mark on the truck: either side may fail at any moment, and
the next exchange goes on from there. How a message travels is a function that is handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.ledger.book import Book, BookError
from rig.ledger.chain import START, SignedHead
from rig.ledger.keeping import book_of
from rig.ledger.writing import WritableBook
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
    is_signed,
)
from rig.office.link import Link, copy_of_office, put_copy_aside
from rig.office.messages import (
    MOST_RECORDS,
    Answer,
    Challenge,
    Envelope,
    Piece,
    Request,
    checked,
    enveloped,
    opened,
    piece_of,
    portion,
)

CHALLENGE, EXCHANGE, ENROL = "challenge", "exchange", "enrol"
"""What is asked of the office."""
Ask = Callable[[str, str], str]
"""Asks the office for one of these with a text, and returns its answer; OSError if it is not reached, OfficeError if it
refuses, StaleError if it wants another challenge."""


class CopyError(OfficeError):
    """What the office offers does not continue the copy of it here."""


@dataclass(slots=True)
class Moved:
    """Records that an exchange moved."""

    sent: int = 0
    came: int = 0
    """Of the office's chains, and of the truck's own what it had lost."""


@dataclass(slots=True)
class Carrier:
    """Exchanges with the office for one rig's folder."""

    folder: Path
    link: Link
    ask: Ask
    _challenge: str = ""

    def run(self) -> Moved:
        """Exchange until neither side lacks anything. OSError, OfficeError, BookError; what was moved remains."""
        try:
            return self._run()
        except CopyError:
            # An office that was restored from a backup says something else now; what it offers is only copied here.
            put_copy_aside(self.folder)
            return self._run()

    def _run(self) -> Moved:
        moved, there = Moved(), None
        while True:
            with book_of(self.folder) as book, copy_of_office(self.folder) as copy:
                pieces = () if there is None else _pieces(book, self.link, there, 1)
                answer = self._exchanged(request_of(book, copy, self.link, self._given(), pieces))
                came = accept(book, copy, self.link, answer)
                head = book.heads().get(self.link.truck, (0, START))[0]
            moved.came += came
            moved.sent += 0 if there is None else max(0, answer.serial - there)
            if answer.serial == head and not answer.more:
                return moved
            if there is not None and answer.serial <= there and not came:
                raise OfficeError(f"the office takes no records behind {there} of {self.link.truck}")
            there = answer.serial

    def _given(self) -> str:
        """A challenge for the next request: from the last answer, or asked for."""
        given, self._challenge = self._challenge, ""
        return given or Challenge.read(self.ask(CHALLENGE, "{}")).challenge

    def _exchanged(self, request: Request) -> Answer:
        try:
            text = self.ask(EXCHANGE, enveloped(request, self.link.key, REQUEST).model_dump_json())
        except StaleError:
            request = request.model_copy(update={"challenge": self._given()})
            text = self.ask(EXCHANGE, enveloped(request, self.link.key, REQUEST).model_dump_json())
        answer = opened(Envelope.read(text), self.link.office, ANSWER, Answer)
        if answer.challenge != request.challenge:
            raise OfficeError("the office's answer is to another request")
        self._challenge = answer.next
        return answer


def request_of(book: Book, copy: Book, link: Link, challenge: str, pieces: tuple[Piece, ...]) -> Request:
    """A truck's request; OfficeError if the book is not the one that was enrolled."""
    if book.truck != link.truck:
        raise OfficeError(f"{book.name}: is the book of {book.truck}, and {link.truck} was enrolled: join again")
    serial, last = book.heads().get(link.truck, (0, START))
    has = {chain: number for chain, (number, _) in copy.heads().items() if chain in _down(link.truck)}
    return Request(
        truck=link.truck,
        generation=link.generation,
        challenge=challenge,
        serial=serial,
        hash=last,
        has=has,
        pieces=pieces,
    )


def carried(folder: Path, link: Link, after: int = 0) -> tuple[Envelope, int]:
    """All records behind ``after`` as a message for a file, and their number."""
    with book_of(folder) as book, copy_of_office(folder) as copy:
        pieces = _pieces(book, link, after, None)
        request = request_of(book, copy, link, "", pieces)
    return enveloped(request, link.key, REQUEST), sum(len(piece.rows) for piece in pieces)


def accept(book: WritableBook, copy: WritableBook, link: Link, answer: Answer) -> int:
    """Keep what an answer brings; returns how many records were new. OfficeError if it is not for this truck."""
    if answer.truck != link.truck:
        raise OfficeError(f"the answer is for {answer.truck}, this truck is {link.truck}")
    came = 0
    for piece in answer.down:
        chain = piece.rows[0][0]
        if chain not in (link.truck, *_down(link.truck)):
            raise OfficeError(f"the office hands out {chain}, which is not for {link.truck}")
        if chain == link.truck:
            # What this computer has signed it knows again; what a former one did is the office's word.
            own = link.key.public_key() if piece.generation == link.generation else None
            came += book.take_in(checked(piece, chain, own, HEAD))
        else:
            records = checked(piece, chain, link.office, HANDED_OUT)
            try:
                came += copy.take_in(records)
            except BookError as error:
                raise CopyError(f"{error}; put {copy.name} aside, and fetch all of it again") from error
    if answer.signed is not None:
        _keep_signed(book, link, answer.signed.signed)
    return came


def is_countersigned(link: Link, signed: SignedHead) -> bool:
    """Whether the office has countersigned a head."""
    said = (signed.chain, signed.generation, signed.serial, signed.hash, signed.signature)
    return is_signed(link.office, signed.countersignature, COUNTERSIGNED, *said)


def _keep_signed(book: WritableBook, link: Link, signed: SignedHead) -> None:
    """Keep the office's countersignature, if it is one of this book's own record."""
    if signed.chain != link.truck or not is_countersigned(link, signed):
        raise OfficeError("the office's countersignature is not one of this truck's chain: nothing is kept of it")
    if book.last_signed(signed.chain) == signed:
        return
    own = book.at_serial(signed.serial)
    if own is not None and own.hash != signed.hash:
        raise OfficeError(f"record {signed.serial} is another one at the office: two chains")
    if own is not None:
        book.keep_signed(signed)


def _pieces(book: Book, link: Link, after: int, most: int | None) -> tuple[Piece, ...]:
    """Signed pieces of the truck's own chain behind a record."""
    made: list[Piece] = []
    while most is None or len(made) < most:
        records = portion(list(book.every(link.truck, after=after, most=MOST_RECORDS)))
        if not records:
            break
        made.append(piece_of(records, link.generation, link.key, HEAD))
        after = records[-1].serial
    return tuple(made)


def _down(truck: str) -> tuple[str, str]:
    """The office's chains that a truck has a copy of."""
    return OFFICE, for_truck(truck)
