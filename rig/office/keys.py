"""Key pairs (Ed25519, RFC 8032, by ``cryptography``): made where they are used, and what is signed with them.

A private key is a file that only its user can read, and leaves the computer in no backup. Signatures and public keys
are base64. Each signature is of lines that begin with what they are for, so that none stands for another.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)

from rig.ledger.book import BookError
from rig.ledger.files import write_private

FORMAT = "rig office 1"
OFFICE = "office"
"""The id of the office's own chain, of what it offers to all trucks."""
HEAD, COUNTERSIGNED, HANDED_OUT, REQUEST, ANSWER = "head", "countersigned", "handed out", "request", "answer"
"""What a signature is for: a truck's own chain up to a record; the office's over that; a chain that the office hands
out; a message to the office; its answer."""


class OfficeError(BookError):
    """The office or a truck refuses something; the text says what to do."""


class StaleError(OfficeError):
    """The request signs a challenge that is not waiting: it was heard already, or the office has restarted since."""


def for_truck(truck: str) -> str:
    """The office's chain of what it offers to one truck."""
    return f"{OFFICE} for {truck}"


def is_office(chain: str) -> bool:
    """Whether a chain is the office's own, so that no truck may have it."""
    return chain == OFFICE or chain.startswith(for_truck(""))


def pem_of(key: Ed25519PrivateKey) -> str:
    """A private key as text."""
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()).decode()


def key_of(pem: str, origin: str) -> Ed25519PrivateKey:
    """The private key in a text; OfficeError if there is none."""
    try:
        key = load_pem_private_key(pem.encode(), None)
    except (ValueError, TypeError) as error:
        raise OfficeError(f"{origin}: holds no key ({error}); is the file damaged?") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise OfficeError(f"{origin}: holds a key of another kind than Ed25519")
    return key


def kept_key(path: Path) -> Ed25519PrivateKey:
    """The key in a file; made there if there is none."""
    with contextlib.suppress(FileNotFoundError):
        return key_of(path.read_text(encoding="utf-8"), str(path))
    key = Ed25519PrivateKey.generate()
    write_private(path, pem_of(key))
    return key


def public_of(key: Ed25519PrivateKey) -> str:
    """The public key that belongs to a private one."""
    return base64.b64encode(key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)).decode()


def read_public(text: str) -> Ed25519PublicKey:
    """A public key; OfficeError if the text is none."""
    try:
        return Ed25519PublicKey.from_public_bytes(base64.b64decode(text, validate=True))
    except (ValueError, binascii.Error) as error:
        raise OfficeError(f"{text[:60]!r} is no public key ({error})") from error


def lines_of(what: str, *parts: str | int) -> bytes:
    """What is signed: the format, what it is for, and its parts, one a line."""
    return "\n".join((FORMAT, what, *map(str, parts))).encode()


def sign(key: Ed25519PrivateKey, what: str, *parts: str | int) -> str:
    """A signature."""
    return base64.b64encode(key.sign(lines_of(what, *parts))).decode()


def is_signed(public: Ed25519PublicKey, signature: str, what: str, *parts: str | int) -> bool:
    """Whether a signature is the one of a key over these parts."""
    try:
        public.verify(base64.b64decode(signature, validate=True), lines_of(what, *parts))
    except (InvalidSignature, ValueError):
        return False
    return True
