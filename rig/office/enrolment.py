"""Enrolment: a code that a person carries from the office to a truck proves each to the other, once.

The code holds a number and 80 secret bits, which never travel: request and answer carry an HMAC (RFC 2104, SHA-256) by
them. So neither needs a connection that is trusted, and a file that is carried does as well. Pure.
"""

from __future__ import annotations

import base64
import hmac
import secrets

from pydantic import Field

from rig.office.keys import OfficeError, lines_of
from rig.office.messages import Message

_SECRET_BYTES, _NUMBER_LETTERS, _GROUP = 10, 4, 4
_LOOKS_LIKE = str.maketrans("018", "OIB")
"""Digits that are no letters of base 32 (RFC 4648), for the letters that they are mistaken for."""
_ENROLS, _ENROLLED = "enrols", "enrolled"


class EnrolRequest(Message):
    """A truck's wish to be enrolled, with its public key."""

    code: str
    """The code's number."""
    truck: str = Field(min_length=1, max_length=200)
    serial: int = Field(ge=0)
    """How many records its book has of its own."""
    public: str
    mac: str

    @property
    def parts(self) -> tuple[str | int, ...]:
        """What the MAC is of."""
        return (_ENROLS, self.code, self.truck, self.serial, self.public)


class EnrolAnswer(Message):
    """The office's answer, with its own public key."""

    truck: str
    """Whose chain this computer writes from now on."""
    generation: int
    public: str
    """The truck's."""
    office: str
    """The office's."""
    mac: str

    @property
    def parts(self) -> tuple[str | int, ...]:
        """What the MAC is of."""
        return (_ENROLLED, self.truck, self.generation, self.public, self.office)


def new_code() -> tuple[str, str]:
    """A code's number and its secret, both in base 32."""
    letters = base64.b32encode(secrets.token_bytes(_SECRET_BYTES)).decode()
    number = base64.b32encode(secrets.token_bytes(_SECRET_BYTES)).decode()[:_NUMBER_LETTERS]
    return number, letters


def shown(number: str, secret: str) -> str:
    """A code as a person reads it, in groups."""
    whole = number + secret
    return "-".join(whole[at : at + _GROUP] for at in range(0, len(whole), _GROUP))


def read_code(text: str) -> tuple[str, str]:
    """Number and secret of a typed code; OfficeError if it cannot be one."""
    plain = "".join(text.upper().replace("-", " ").split()).translate(_LOOKS_LIKE)
    secret = plain[_NUMBER_LETTERS:]
    try:
        whole = len(base64.b32decode(secret)) == _SECRET_BYTES and plain.isalnum()
    except ValueError:
        whole = False
    if not whole:
        raise OfficeError(
            f"{text!r} is no code of an office: five groups of four letters and digits, as it was printed"
        )
    return plain[:_NUMBER_LETTERS], secret


def mac(secret: str, parts: tuple[str | int, ...]) -> str:
    """The HMAC of a message's parts by the code's secret."""
    return base64.b64encode(hmac.digest(base64.b32decode(secret), lines_of("enrolment", *parts), "sha256")).decode()


def has_mac(message: EnrolRequest | EnrolAnswer, secret: str) -> bool:
    """Whether a message was written by someone who has the code."""
    return hmac.compare_digest(message.mac.encode(), mac(secret, message.parts).encode())
