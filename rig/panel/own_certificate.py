"""The rig's own certificate, so that the page goes over https in a yard without a network. Must not know the page.

Signed by itself: each phone asks once whether it trusts it, and the fingerprint is what a person compares. Key and
certificate are one file that only the rig's own user can read; a backup leaves it out, and it is made anew.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from rig.ledger.files import write_private

FILE = "page.pem"
_LASTS = timedelta(days=820)
"""Some phones accept no server's certificate above 825 days (from memory)."""
_BEFORE = timedelta(days=1)
"""A phone's clock may be behind the rig's."""
_RENEWED = timedelta(days=30)


def own_certificate(folder: Path, names: Iterable[str], now: datetime) -> Path:
    """The PEM file with key and certificate in a rig's folder: made once, and again when it ends. OSError."""
    path = folder / FILE
    with contextlib.suppress(FileNotFoundError, ValueError):
        if now < _read(path).not_valid_after_utc - _RENEWED:
            return path
    write_private(path, _made(names, now).decode())
    return path


def fingerprint(path: Path) -> str:
    """SHA-256 of the certificate in pairs of hexadecimal digits, as a browser shows it."""
    return _read(path).fingerprint(SHA256()).hex(":").upper()


def own_names() -> list[str]:
    """Names and addresses under which this computer may be called, as far as it knows them."""
    host = socket.gethostname()
    return ["localhost", "127.0.0.1", "::1", host, f"{host}.local", *filter(None, [own_address()])]


def own_address() -> str:
    """The address that others on the network call, by the system's own table; empty without a network."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        # Nothing is sent: only the route to a documentation address (RFC 5737) is looked up.
        asking.connect(("192.0.2.1", 9))
        return str(asking.getsockname()[0])
    return ""


def _read(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def _made(names: Iterable[str], now: datetime) -> bytes:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "ballast rig")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BEFORE)
        .not_valid_after(now + _LASTS - _BEFORE)
        .add_extension(x509.SubjectAlternativeName([_general(each) for each in dict.fromkeys(names)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, SHA256())
    )
    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return secret + made.public_bytes(Encoding.PEM)


def _general(name: str) -> x509.GeneralName:
    with contextlib.suppress(ValueError):
        return x509.IPAddress(ipaddress.ip_address(name))
    return x509.DNSName(name)
