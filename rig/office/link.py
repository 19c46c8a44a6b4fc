"""A truck's link to its office, in the rig's folder: its private key, whose chain it signs, the office's public key.

One file, readable by its user alone and in no backup; a key that waits for the office's answer is a second one.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from rig.ledger import COPY_NAME
from rig.ledger.book import witness_of
from rig.ledger.files import write_private
from rig.ledger.keeping import book_of
from rig.ledger.writing import WritableBook
from rig.office.enrolment import EnrolAnswer, EnrolRequest, has_mac, mac, read_code
from rig.office.keys import OFFICE, OfficeError, kept_key, key_of, pem_of, public_of, read_public

LINK_NAME, NEXT_NAME = "truck.key", "truck-next.key"


@dataclass(frozen=True, slots=True)
class Link:
    """What a truck needs to sign, and to believe its office."""

    truck: str
    generation: int
    key: Ed25519PrivateKey
    office: Ed25519PublicKey


def link_in(folder: Path) -> Link | None:
    """The link of a rig's folder; None if it was never enrolled. OfficeError if it cannot be read."""
    path = folder / LINK_NAME
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        key = key_of(found["key"], str(path))
        return Link(str(found["truck"]), int(found["generation"]), key, read_public(found["office"]))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OfficeError(
            f"{path}: cannot be read ({error}); move it away, and join again with a new code of the office"
        ) from error


def copy_of_office(folder: Path) -> WritableBook:
    """The truck's copy of what the office offers, for writing; made if missing, readable by its user alone."""
    path = folder / COPY_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # It has what PINs are verified by.
        path.touch(mode=0o600, exist_ok=True)
    except OSError as error:
        raise OfficeError(f"{path}: cannot be made ({error.strerror or error})") from error
    return WritableBook(f"sqlite:///{path}", OFFICE, collects=True)


def put_copy_aside(folder: Path) -> None:
    """Move the copy of what the office offers away, so that the next one begins anew. OfficeError."""
    path = folder / COPY_NAME
    aside = next(aside for n in range(1, 10_000) if not (aside := path.with_name(f"{COPY_NAME}.before-{n}")).exists())
    try:
        # The witness first: without it an empty copy has lost nothing.
        witness_of(path).unlink(missing_ok=True)
        path.replace(aside)
    except OSError as error:
        raise OfficeError(f"{path}: cannot be moved away ({error.strerror or error})") from error


def asking(folder: Path, code: str) -> EnrolRequest:
    """A truck's request to be enrolled; the same one each time for the same code, until it is answered."""
    number, secret = read_code(code)
    with book_of(folder) as book:
        truck, serial = book.truck, book.heads().get(book.truck, (0, ""))[0]
    try:
        key = kept_key(folder / NEXT_NAME)
    except OSError as error:
        raise OfficeError(f"{folder / NEXT_NAME}: cannot be made ({error.strerror or error})") from error
    parts = {"code": number, "truck": truck, "serial": serial, "public": public_of(key)}
    unsigned = EnrolRequest.model_validate({**parts, "mac": ""})
    return unsigned.model_copy(update={"mac": mac(secret, unsigned.parts)})


def joined(folder: Path, code: str, answer: EnrolAnswer) -> Link:
    """Keep the office's answer: from now on this computer signs for the truck. OfficeError if another wrote it."""
    _, secret = read_code(code)
    try:
        key = kept_key(folder / NEXT_NAME)
        if not has_mac(answer, secret) or answer.public != public_of(key):
            raise OfficeError("the answer is not from the office that made this code: nothing is kept")
        former = link_in(folder)
        if former is not None and former.office != read_public(answer.office):
            raise OfficeError(
                f"this truck belongs to another office, or that has lost its key: move {folder / LINK_NAME} and "
                f"{folder / COPY_NAME} away to belong to this one"
            )
        with book_of(folder) as book:
            _adopted(book, answer.truck)
        said = {"truck": answer.truck, "generation": answer.generation, "office": answer.office, "key": pem_of(key)}
        write_private(folder / LINK_NAME, json.dumps(said))
        (folder / NEXT_NAME).unlink(missing_ok=True)
    except OSError as error:
        raise OfficeError(f"{folder}: the key cannot be kept ({error.strerror or error})") from error
    return Link(answer.truck, answer.generation, key, read_public(answer.office))


def _adopted(book: WritableBook, truck: str) -> None:
    """An empty book becomes that of the truck whose code it was."""
    if book.truck != truck:
        book.adopt(truck)
