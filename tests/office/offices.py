"""An office and its trucks in one process: enrolled by a code, and asked directly or past a fault that is drawn."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from rig.ledger.chain import Record
from rig.ledger.keeping import book_of, book_read
from rig.ledger.writing import WritableBook
from rig.office.carrying import CHALLENGE, EXCHANGE, Carrier, Moved
from rig.office.enrolment import EnrolAnswer
from rig.office.intake import Challenges, exchanged
from rig.office.link import Link, asking, joined
from rig.office.messages import Challenge, Envelope
from rig.office.register import Register

CONFIG = Path(__file__).parents[2] / "config"
Run = Callable[..., dict[str, object]]
"""A command at a place of the shop; returns its document."""
AT = "2026-11-01T08:00:00.000+00:00"


@dataclass
class Desk:
    """An office, asked without a network."""

    register: Register
    key: Ed25519PrivateKey
    challenges: Challenges = field(default_factory=Challenges)

    def ask(self, what: str, text: str) -> str:
        """Answer as the service does."""
        if what == CHALLENGE:
            return Challenge(challenge=self.challenges.new()).model_dump_json()
        assert what == EXCHANGE
        return exchanged(self.register, self.key, Envelope.read(text), self.challenges).model_dump_json()

    def enrol(self, folder: Path, chain: str = "") -> Link:
        """Enrol the truck of a folder by a code."""
        code = self.register.new_code(chain)
        answer = self.register.enrolled(asking(folder, code), self.key)
        return joined(folder, code, EnrolAnswer.read(answer.model_dump_json()))

    def sync(self, folder: Path, link: Link) -> Moved:
        """One exchange."""
        return Carrier(folder, link, self.ask).run()

    def chain(self, truck: str) -> list[Record]:
        """A chain as the office has it, which is sound."""
        assert self.register.faults() == []
        return list(self.register.every(truck))


@contextmanager
def desk(url: str, folder: Path) -> Iterator[Desk]:
    """An office at a URL."""
    with Register(url) as register:
        yield Desk(register, register.signing(folder))


def truck(folder: Path, name: str, count: int) -> Path:
    """A truck's folder with some invented records in its book."""
    with book_of(folder / name, f"truck-{name}") as book:
        write(book, count)
    return folder / name


def write(book: WritableBook, count: int, word: str = "n") -> None:
    """Append invented events."""
    book.append_all([("event", f"{book.truck} {word}{n}", AT, {"event": "test", word: n}) for n in range(count)])


def chain_in(folder: Path) -> list[Record]:
    """The chain of a truck's own book, which is sound."""
    with book_read(folder) as book:
        assert book.faults() == []
        return list(book.every(book.truck))
