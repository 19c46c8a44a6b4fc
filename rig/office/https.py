"""The connection between truck and office: https with a certificate that the office's own key has signed.

A truck knows that key since it was enrolled, so no clock, name or authority is needed to know the office again. What is
said at enrolment is proven by the code, over any connection.
"""

from __future__ import annotations

import http.client
import json
import ssl
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from rig.ledger.files import write_private
from rig.office.keys import OfficeError, StaleError

CERTIFICATE_NAME = "office-service.pem"
STALE, UNREADABLE = 409, 503
"""Statuses of an answer: another challenge is wanted; the office cannot work now."""
_LASTS = timedelta(days=36_500)
_MOST_BYTES = 64_000_000
_WAIT_S = 30.0
"""For each part of an answer. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Https:
    """Asks the office at an address; without its public key it asks whoever answers there."""

    address: str
    office: Ed25519PublicKey | None
    wait_s: float = _WAIT_S

    def __call__(self, what: str, text: str) -> str:
        """Ask for ``what`` with a text. OSError if nobody answers whole, OfficeError if the office refuses."""
        host, port = host_of(self.address)
        connection = http.client.HTTPSConnection(host, port, timeout=self.wait_s, context=_any_certificate())
        try:
            connection.connect()
            assert isinstance(connection.sock, ssl.SSLSocket)
            if self.office is not None:
                refuse_impostor(connection.sock.getpeercert(binary_form=True), self.office)
            connection.request("POST", f"/{what}", text.encode(), {"Content-Type": "application/json"})
            response = connection.getresponse()
            said = response.read(_MOST_BYTES).decode()
        except (http.client.HTTPException, UnicodeDecodeError) as error:
            raise ConnectionError(f"{self.address}: no whole answer ({error!r})") from error
        finally:
            connection.close()
        if response.status != http.client.OK:
            raise _refusal(response.status, said, self.address)
        return said


def host_of(address: str) -> tuple[str, int]:
    """Host and port of an office's address; OfficeError if it is none."""
    try:
        found = urlsplit(address)
        host, port = found.hostname, found.port
    except ValueError as error:
        raise OfficeError(f"{address}: is no address ({error})") from error
    if found.scheme != "https" or not host or found.path.strip("/"):
        raise OfficeError(f"{address!r} is no address of an office: write for example https://office.example:8443")
    return host, port or 443


def _refusal(status: int, said: str, address: str) -> OSError | OfficeError:
    try:
        text = str(json.loads(said)["error"])
    except (ValueError, KeyError, TypeError):
        return ConnectionError(f"{address}: status {status}, which no office says")
    if status == STALE:
        return StaleError(text)
    return ConnectionError(text) if status == UNREADABLE else OfficeError(f"the office refuses: {text}")


def certificate(key: Ed25519PrivateKey, folder: Path, now: datetime) -> Path:
    """A new certificate for the service with a key of its own, in one file; the office's ``key`` signs it. OSError."""
    own = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "office of ballast rigs")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + _LASTS)
        .sign(key, None)
    )
    secret = own.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    write_private(folder / CERTIFICATE_NAME, (secret + made.public_bytes(Encoding.PEM)).decode())
    return folder / CERTIFICATE_NAME


def refuse_impostor(der: bytes | None, office: Ed25519PublicKey) -> None:
    """Refuse (OfficeError) a certificate that the office has not signed."""
    try:
        found = x509.load_der_x509_certificate(der or b"")
        office.verify(found.signature, found.tbs_certificate_bytes)
    except (ValueError, InvalidSignature) as error:
        raise OfficeError(
            "whoever answers at this address is not the office that enrolled this truck: check office.address"
        ) from error


def _any_certificate() -> ssl.SSLContext:
    """Accept any certificate: what it proves is asked by :func:`refuse_impostor`."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context
