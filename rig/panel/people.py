"""The people of a rig, or of an office, and their PINs: argon2 hashes in a file that only its own user can read.

There is no default PIN: a rig without people can only be viewed and stopped. It must not know sessions.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from rig.ledger.files import write_private
from rig.ledger.lock import alone
from rig.sentence import Wording

Role = Literal["technician", "supervisor"]
ROLES: tuple[Role, ...] = ("technician", "supervisor")
OfficeRole = Literal["owner", "bookkeeper", "dispatcher", "technician"]
OFFICE_ROLES: tuple[OfficeRole, ...] = ("owner", "bookkeeper", "dispatcher", "technician")
OFFICE_FILE = "office-people.json"
"""Where an office keeps its people, beside its key."""
_NAME_LENGTH = 40
_SHORTEST, _LONGEST = 4, 12


class PeopleError(ValueError):
    """A name, a PIN or a file that cannot be used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Someone:
    """A person who may sign in."""

    name: str
    role: Role | OfficeRole
    pin: str
    """argon2 hash."""


class People:
    """The people file in a rig's folder, or in an office's."""

    def __init__(self, folder: Path, name: str = "people.json") -> None:
        self.path = folder / name
        # About 20 ms and 8 MB on a small computer; the rate limit adds to it. RFC 9106 defines the parameters.
        self._hasher = PasswordHasher(time_cost=3, memory_cost=8192, parallelism=1)
        self._nobody = self._hasher.hash("nobody")

    def all(self) -> list[Someone]:
        """Everyone, by name."""
        try:
            listed = json.loads(self.path.read_text(encoding="utf-8"))
            return [Someone(each["name"], each["role"], each["pin"]) for each in listed]
        except FileNotFoundError:
            return []
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise PeopleError(
                Wording("refused.people_file", "{path}: cannot be read ({error}); mend or remove it, then add people")(
                    path=str(self.path), error=str(error)
                )
            ) from error

    def stamp(self) -> tuple[int, int] | None:
        """What differs after the file was written again; None without a file."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def add(self, name: str, role: Role | OfficeRole, pin: str) -> None:
        """Add a person, or replace a person's PIN and role."""
        new = self.entry(name, role, pin)
        self.change(lambda people: [*(each for each in people if not _same_name(each, new.name)), new])

    def entry(self, name: str, role: Role | OfficeRole, pin: str) -> Someone:
        """A person with the hash of a PIN; PeopleError for a name or a PIN that cannot be used."""
        name = " ".join(name.split())
        if not 0 < len(name) <= _NAME_LENGTH or not name.isprintable():
            raise PeopleError(Wording("refused.name", "a name has 1 to {most:number} letters")(most=_NAME_LENGTH))
        fault = pin_fault(pin)
        if fault:
            raise PeopleError(fault)
        return Someone(name, role, self._hasher.hash(pin))

    def remove(self, name: str) -> None:
        """Remove a person."""

        def without(people: list[Someone]) -> list[Someone]:
            left = [each for each in people if not _same_name(each, name)]
            if len(left) == len(people):
                raise PeopleError(Wording("refused.nobody", "nobody is called '{name}'")(name=name))
            return left

        self.change(without)

    def change(self, made: Callable[[list[Someone]], list[Someone]]) -> None:
        """Write the people as ``made`` of those who are entered, while no other program changes them."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with alone(self.path):
            before = self.all()
            listed = sorted(made(before), key=lambda each: each.name.casefold())
            if listed != before:
                write_private(self.path, json.dumps([asdict(each) for each in listed], indent=1))

    def known(self, name: str, pin: str) -> Someone | None:
        """The person with this name and PIN, or None. Takes as long for a wrong name as for a wrong PIN."""
        found = next((each for each in self.all() if _same_name(each, name)), None)
        try:
            self._hasher.verify(found.pin if found else self._nobody, pin)
        except (VerificationError, InvalidHashError):
            return None
        return found


def _same_name(someone: Someone, name: str) -> bool:
    return someone.name.casefold() == name.casefold()


def pin_fault(pin: str) -> str:
    """The fault of a PIN; empty when it is acceptable."""
    if not (pin.isascii() and pin.isdigit() and _SHORTEST <= len(pin) <= _LONGEST):
        return Wording("refused.pin_length", "a PIN has {least:number} to {most:number} digits")(
            least=_SHORTEST, most=_LONGEST
        )
    steps = {(int(b) - int(a)) % 10 for a, b in itertools.pairwise(pin)}
    if len(steps) == 1 and steps <= {0, 1, 9}:
        return Wording(
            "refused.pin_easy",
            "a PIN of equal digits or of digits in a row is the first that anybody tries: take another",
        )()
    return ""
