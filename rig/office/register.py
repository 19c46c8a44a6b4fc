"""The office's register: the public keys of its trucks, the codes by which they come in, and the office's own key.

Each chain has keys numbered from 1, of which only the last is valid: a new computer of the same truck gets the next
one and goes on in the chain. Knows the tables; must not know how a message travels.
"""

from __future__ import annotations

from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from sqlalchemy import Connection, delete, insert, inspect, select, text, update

from rig.ledger.book import Book
from rig.ledger.chain import Fault, SignedHead
from rig.ledger.tables import CODES, HEADS, KEYS, SHARED
from rig.office.enrolment import EnrolAnswer, EnrolRequest, has_mac, mac, new_code, read_code, shown
from rig.office.keys import (
    COUNTERSIGNED,
    HEAD,
    OFFICE,
    OfficeError,
    is_office,
    is_signed,
    kept_key,
    public_of,
    read_public,
)
from rig.office.logins import Office

KEY_NAME = "office.key"
"""The file of the office's private key, in the folder of its keys."""
GENERATION = 1
"""Of the office's key."""


_READ = text(
    "INSERT INTO shared (chain, serial) VALUES (:chain, :serial) "
    "ON CONFLICT (chain) DO UPDATE SET serial = excluded.serial WHERE shared.serial < excluded.serial"
)


class KeyBook(Book):
    """The office's book with the keys of its trucks, for reading."""

    def public_keys(self, chain: str) -> dict[int, str]:
        """All public keys of a chain by number, the revoked ones too."""
        query = select(KEYS.c.generation, KEYS.c.public).where(KEYS.c.chain == chain)
        with self._doing("read"), self._engine.connect() as db:
            if not inspect(db).has_table(KEYS.name):
                return {}
            return {int(generation): str(public) for generation, public in db.execute(query)}

    def last_keys(self) -> dict[str, tuple[int, bool]]:
        """The last key of each truck: its number, and whether it is valid."""
        query = select(KEYS.c.chain, KEYS.c.generation, KEYS.c.revoked).order_by(KEYS.c.chain, KEYS.c.generation)
        with self._doing("read"), self._engine.connect() as db:
            return {str(c): (int(g), not revoked) for c, g, revoked in db.execute(query) if c != OFFICE}

    def signature_faults(self) -> list[Fault]:
        """Signed heads that are not what they should be: of another record, or by another key."""
        found = []
        office = self.public_keys(OFFICE).get(GENERATION)
        for chain in self.heads():
            keys = self.public_keys(chain)
            found += [
                Fault(chain, head.serial, "its signature or the office's is false")
                for head in self.signed_heads(chain)
                if not self._is_true(head, keys.get(head.generation), office)
            ]
        return found

    def _is_true(self, head: SignedHead, truck: str | None, office: str | None) -> bool:
        record = self.at_serial(head.serial, head.chain)
        if record is None or record.hash != head.hash or truck is None or office is None:
            return False
        said = (head.chain, head.generation, head.serial, head.hash)
        return is_signed(read_public(truck), head.signature, HEAD, *said) and is_signed(
            read_public(office), head.countersignature, COUNTERSIGNED, *said, head.signature
        )


class Register(KeyBook, Office):
    """The same for writing; opened by the office's owner."""

    @property
    def file(self) -> Path | None:
        """The office's file; None on a server."""
        return self._path

    def signing(self, folder: Path) -> Ed25519PrivateKey:
        """The office's private key in a folder, made when the office has none yet.

        OfficeError if the office has another one: then what it signs would be refused by its trucks.
        """
        known = self.public_keys(OFFICE).get(GENERATION)
        if known is not None and not (folder / KEY_NAME).exists():
            raise OfficeError(
                f"{folder / KEY_NAME}: is not there, and this office has a key: say where by --keys FOLDER, or put it "
                "back from where it is kept. Without it the office cannot countersign"
            )
        try:
            key = kept_key(folder / KEY_NAME)
        except OSError as error:
            raise OfficeError(f"{folder / KEY_NAME}: cannot be read or made ({error.strerror or error})") from error
        if known is None:
            with self._doing("written"), self._engine.begin() as db:
                _add_key(db, OFFICE, GENERATION, public_of(key))
        elif known != public_of(key):
            raise OfficeError(f"{folder / KEY_NAME}: is the key of another office than {self.name}")
        return key

    def valid_key(self, chain: str, generation: int) -> Ed25519PublicKey:
        """The public key with which a truck signs now; OfficeError if that one is unknown or revoked."""
        query = select(KEYS.c.public, KEYS.c.revoked).where(KEYS.c.chain == chain, KEYS.c.generation == generation)
        with self._doing("read"), self._engine.connect() as db:
            row = db.execute(query).first()
        if row is None or is_office(chain):
            raise OfficeError(f"{chain} is not enrolled here with key {generation}: `rig office enroll` makes a code")
        if row[1]:
            raise OfficeError(
                f"key {generation} of {chain} is revoked: `rig office enroll {chain}` at the office makes a code "
                "for the computer that goes on"
            )
        return read_public(str(row[0]))

    def read_marks(self) -> dict[str, int]:
        """How far each chain was read for what the office offers."""
        with self._doing("read"), self._engine.connect() as db:
            return {str(chain): int(serial) for chain, serial in db.execute(select(SHARED))}

    def keep_mark(self, chain: str, serial: int) -> None:
        """Keep that a chain was read up to a record."""
        with self._doing("written"), self._engine.begin() as db:
            db.execute(_READ, {"chain": chain, "serial": serial})

    def end_keys(self, chain: str) -> int:
        """Revoke the keys of a truck; returns how many were valid."""
        with self._doing("written"), self._engine.begin() as db:
            return _end_keys(db, chain)

    def new_code(self, chain: str = "") -> str:
        """A code for a new truck, or for a computer that goes on in a ``chain``; shown once. Replaces none."""
        number, secret = new_code()
        row = {"code": number, "secret": secret, "chain": chain, "used_by": "", "generation": 0}
        with self._doing("written"), self._engine.begin() as db:
            db.execute(insert(CODES), row)
        return shown(number, secret)

    def cancel(self, code: str) -> bool:
        """Cancel a code that was not used; False for what is none, or was used."""
        try:
            number, secret = read_code(code)
        except OfficeError:
            return False
        unused = delete(CODES).where(CODES.c.code == number, CODES.c.secret == secret, CODES.c.used_by == "")
        with self._doing("written"), self._engine.begin() as db:
            return db.execute(unused).rowcount == 1

    def enrolled(self, asked: EnrolRequest, office: Ed25519PrivateKey) -> EnrolAnswer:
        """Enrol the truck that has a code, once; the same request again gets the same answer. OfficeError if not."""
        read_public(asked.public)
        with self._doing("written"), self._engine.begin() as db:
            row = db.execute(select(CODES).where(CODES.c.code == asked.code)).first()
            if row is None or not has_mac(asked, row.secret):
                raise OfficeError("no such code: type it again as the office printed it")
            if row.used_by not in ("", asked.public):
                raise OfficeError("this code was used by another computer: `rig office enroll` makes a new one")
            chain, generation = row.chain or asked.truck, row.generation
            if not row.used_by:
                _refuse_other(db, asked, row.chain)
                known = db.execute(select(KEYS.c.generation).where(KEYS.c.chain == chain)).scalars()
                generation = 1 + max(known, default=0)
                taken = update(CODES).where(CODES.c.code == asked.code, CODES.c.used_by == "")
                if db.execute(taken.values(used_by=asked.public, generation=generation)).rowcount != 1:
                    raise OfficeError("this code is being used by another computer: try again")
                _end_keys(db, chain)
                _add_key(db, chain, generation, asked.public)
        parts = {"truck": chain, "generation": generation, "public": asked.public, "office": public_of(office)}
        unsigned = EnrolAnswer.model_validate({**parts, "mac": ""})
        return unsigned.model_copy(update={"mac": mac(row.secret, unsigned.parts)})


def _refuse_other(db: Connection, asked: EnrolRequest, chain: str) -> None:
    """Refuse a computer whose book does not fit the code."""
    if chain and asked.truck != chain and asked.serial:
        raise OfficeError(f"the code is for {chain}; this computer's book is of {asked.truck} and holds records")
    if chain:
        return
    if is_office(asked.truck) or not asked.truck.isprintable():
        raise OfficeError(f"{asked.truck!r} is no truck's id: `rig ledger verify` on the truck shows it")
    known = (
        select(KEYS.c.chain)
        .where(KEYS.c.chain == asked.truck)
        .union(select(HEADS.c.truck).where(HEADS.c.truck == asked.truck))
    )
    if db.execute(known).first() is not None:
        raise OfficeError(f"the office knows {asked.truck} already: `rig office enroll {asked.truck}` makes its code")


def _add_key(db: Connection, chain: str, generation: int, public: str) -> None:
    db.execute(insert(KEYS), {"chain": chain, "generation": generation, "public": public, "revoked": 0})


def _end_keys(db: Connection, chain: str) -> int:
    return db.execute(update(KEYS).where(KEYS.c.chain == chain, KEYS.c.revoked == 0).values(revoked=1)).rowcount
