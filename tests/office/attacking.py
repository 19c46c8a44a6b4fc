"""Drawn attacks on the office's intake by somebody who heard all messages, and has a truck of his own enrolled.

What he lacks are the other truck's key and the office's.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from offices import AT, Desk, truck, write

from rig.ledger.book import BookError
from rig.ledger.chain import START, Record, SignedHead, canonical, seal
from rig.ledger.keeping import book_of, book_read
from rig.office.carrying import EXCHANGE, Carrier
from rig.office.intake import take_piece
from rig.office.keys import COUNTERSIGNED, HANDED_OUT, HEAD, REQUEST, sign
from rig.office.link import Link
from rig.office.messages import Envelope, Piece, Request, enveloped, piece_of, rows_of

MOST = 6


@dataclass
class Attacker:
    """What somebody knows who has heard everything and may write one chain."""

    chance: random.Random
    desk: Desk
    mine: Link
    other: str
    heard: list[Envelope] = field(default_factory=list)
    """Every message of the honest truck, one of them never delivered."""
    stolen: Ed25519PrivateKey = field(default_factory=Ed25519PrivateKey.generate)
    """A key that was revoked, or never enrolled."""

    def head(self, chain: str) -> tuple[int, str]:
        return self.desk.register.heads().get(chain, (0, START))

    def waiting(self) -> Piece:
        """The honest truck's piece that the office has not had."""
        return Request.read(self.heard[-1].text).pieces[0]

    def had(self) -> list[Piece]:
        return [piece for each in self.heard[:-1] for piece in Request.read(each.text).pieces]

    def records(self, chain: str, at: tuple[int, str], count: int | None = None) -> list[Record]:
        made: list[Record] = []
        for _ in range(count or self.chance.randint(1, MOST)):
            made.append(seal(chain, at, "fill", f"f{self.chance.random()}", AT, canonical({"net_l": 999})))
            at = (made[-1].serial, made[-1].hash)
        return made

    def key(self) -> Ed25519PrivateKey:
        return self.chance.choice((self.mine.key, self.stolen))


def forged(a: Attacker) -> Piece:
    """New records of the other truck, signed by a key that is not its own."""
    return piece_of(a.records(a.other, a.head(a.other)), 1, a.key(), HEAD)


def borrowed(a: Attacker) -> Piece:
    """New records under a signature that was made for something else."""
    made, signed = a.records(a.other, a.head(a.other)), a.desk.register.last_signed(a.other)
    assert isinstance(signed, SignedHead)
    last = made[-1]
    others = (
        signed.signature,
        signed.countersignature,
        a.waiting().signature,
        a.heard[-1].signature,
        sign(a.mine.key, COUNTERSIGNED, a.other, 1, last.serial, last.hash),
        sign(a.mine.key, HANDED_OUT, a.other, 1, last.serial, last.hash),
    )
    return Piece(generation=1, signature=a.chance.choice(others), rows=rows_of(made))


def changed(a: Attacker) -> Piece:
    """A heard piece, one field of one record changed, sealed again or not."""
    piece, rows = a.waiting(), [list(row) for row in a.waiting().rows]
    row = a.chance.randrange(len(rows))
    place = a.chance.randrange(7)
    rows[row][place] = rows[row][place] + 1 if place == 1 else f"{rows[row][place]}x"  # type: ignore[operator]
    if a.chance.random() < 0.5:
        serial, kind, key, at, body, previous = rows[row][1:7]
        again = seal(str(rows[row][0]), (int(serial) - 1, str(previous)), str(kind), str(key), str(at), str(body))
        rows[row] = list(rows_of([again])[0])
    return Piece(generation=1, signature=piece.signature, rows=tuple(tuple(each) for each in rows))  # type: ignore[misc]


def reordered(a: Attacker) -> Piece:
    """A heard piece in another order, or two records exchanged."""
    rows = list(a.waiting().rows)
    while tuple(rows) == a.waiting().rows:
        a.chance.shuffle(rows)
    return Piece(generation=1, signature=a.waiting().signature, rows=tuple(rows))


def cut(a: Attacker) -> Piece:
    """A heard piece without some of its records."""
    rows = list(a.waiting().rows)
    for _ in range(a.chance.randint(1, len(rows) - 1)):
        rows.pop(a.chance.randrange(len(rows)))
    return Piece(generation=1, signature=a.waiting().signature, rows=tuple(rows))


def stretched(a: Attacker) -> Piece:
    """A heard piece with records of the attacker's behind it."""
    last = a.waiting().records[-1]
    rows = (*a.waiting().rows, *rows_of(a.records(a.other, (last.serial, last.hash))))
    return Piece(generation=1, signature=a.waiting().signature, rows=rows)


def replayed(a: Attacker) -> Piece:
    """A piece that the office has had."""
    return a.chance.choice(a.had())


def renamed(a: Attacker) -> Piece:
    """Records of the other truck as the attacker's own, or the other way round, signed by him."""
    chain = a.chance.choice((a.other, a.mine.truck))
    records = [replace(each, truck=chain) for each in a.waiting().records]
    return piece_of(records, 1, a.key(), HEAD)


def grafted(a: Attacker) -> Piece:
    """The attacker's own chain, properly signed, from a record in the past, from none, or with a gap."""
    serial, last = a.head(a.mine.truck)
    earlier = a.chance.randint(1, serial - 1)
    record = a.desk.register.at_serial(earlier, a.mine.truck)
    assert record is not None
    at = a.chance.choice(((earlier, record.hash), (0, START), (serial + 1, last), (serial, record.hash)))
    return piece_of(a.records(a.mine.truck, at), 1, a.mine.key, HEAD)


def unreadable(a: Attacker) -> Piece:
    """The attacker's own chain, properly signed, with a record that no reader could read."""
    serial, last = a.head(a.mine.truck)
    body = a.chance.choice(
        (
            "[1]",
            "7",
            "null",
            "{",
            '{"corrects":"x"}',
            '{"n":NaN}',
            '{"n":"\\ud800"}',
            '{"n":"\\u0000"}',
            "[" * 100_000,
            '"text"',
        )
    )
    return piece_of([seal(a.mine.truck, (serial, last), "fill", "k", AT, body)], 1, a.mine.key, HEAD)


ATTACKS: tuple[Callable[[Attacker], Piece], ...] = (
    forged, borrowed, changed, reordered, cut, stretched, replayed, renamed, grafted, unreadable,
)  # fmt: skip


def sent(a: Attacker, piece: Piece) -> Envelope:
    """The piece in a request: of the attacker's own truck, or of the other one's in his own hand."""
    truck = a.chance.choice((a.mine.truck, a.other, a.other, a.other))
    key = a.mine.key if truck == a.mine.truck else a.key()
    challenge = a.chance.choice((a.desk.challenges.new(), "", "0" * 32))
    asked = Request(truck=truck, generation=1, challenge=challenge, serial=0, hash=START, has={}, pieces=(piece,))
    honest = enveloped(asked, key, REQUEST)
    return honest if a.chance.random() < 0.8 else Envelope(text=honest.text, signature=a.heard[0].signature)


def attacked(a: Attacker, count: int) -> Counter[str]:
    """Try ``count`` drawn attacks, on the intake itself and in requests; returns how many changed the office."""
    register, accepted, before = a.desk.register, Counter[str](), _state(a)
    for n in range(count):
        attack = ATTACKS[n % len(ATTACKS)]
        piece = attack(a)
        try:
            match a.chance.randrange(3):
                case 0:
                    # As if the request around it had been believed.
                    take = a.other if piece.rows[0][0] == a.other else a.mine.truck
                    take_piece(register, a.desk.key, take, piece)
                case 1:
                    a.desk.ask(EXCHANGE, sent(a, piece).model_dump_json())
                case _:
                    # A whole message that was heard; the last of them the office has never had.
                    heard = a.chance.choice(a.heard)
                    text = heard.text if a.chance.random() < 0.5 else heard.text.replace('"serial":', '"serial":1', 1)
                    a.desk.ask(EXCHANGE, Envelope(text=text, signature=heard.signature).model_dump_json())
        except BookError:
            pass
        if (now := _state(a)) != before:
            accepted[attack.__name__] += 1
            before = now
    return accepted


def _state(a: Attacker) -> object:
    return a.desk.register.heads()


def prepared(folder: Path, desk: Desk, seed: int) -> Attacker:
    """Two trucks with records at the office; of the other one a message is under way that never arrives."""
    heard: list[Envelope] = []

    def hearing(what: str, text: str) -> str:
        if what == EXCHANGE:
            heard.append(Envelope.read(text))
        return desk.ask(what, text)

    mine, other = (desk.enrol(truck(folder, name, 12)) for name in ("mine", "other"))
    Carrier(folder / "mine", mine, desk.ask).run()
    for word in ("a", "b"):
        Carrier(folder / "other", other, hearing).run()
        with book_of(folder / "other") as book:
            write(book, 4, word)
    with book_read(folder / "other") as book:
        after = desk.register.heads()[other.truck][0]
        piece = piece_of(list(book.every(other.truck, after=after)), 1, other.key, HEAD)
    # Its challenge went with the office's restart: what it says is true, and it comes too late.
    asked = Request(truck=other.truck, generation=1, challenge="f" * 32, serial=20, hash=START, has={}, pieces=(piece,))
    heard.append(enveloped(asked, other.key, REQUEST))
    return Attacker(random.Random(seed), desk, mine, other.truck, heard)
