"""Self-signed certificates for TLS: made, and read. X.509 as RFC 5280 profiles it, names as RFC 9525 wants them."""

from __future__ import annotations

import contextlib
import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from fleet.errors import BadInput
from fleet.model.names import shown

LIFE: Final = timedelta(days=730)
BACKDATED: Final = timedelta(hours=1)
"""Clocks of tablets are behind now and then."""
LARGEST_BYTES: Final = 1_000_000

_HOST = re.compile(r"(?=.{1,253}$)([a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?\.)*[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a certificate says: for whom, until when; `sha256` is its fingerprint, as browsers show it."""

    hosts: tuple[str, ...]
    expires: datetime
    sha256: str


def new_certificate(hosts: Sequence[str], now: datetime) -> tuple[bytes, bytes]:
    """A certificate for these names and addresses, and its key, both PEM. Raises `BadInput` for what is no host."""
    names = [_name(host) for host in dict.fromkeys(hosts)]
    if not names:
        raise BadInput("a certificate is for somebody: name the host", where="--for")
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, hosts[0][:64])])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + LIFE)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return certificate.public_bytes(serialization.Encoding.PEM), private


def read_certificate(file: Path) -> Certificate:
    """What a certificate says. Raises `BadInput` where it cannot be read, or is none."""
    try:
        with file.open("rb") as opened:
            data = opened.read(LARGEST_BYTES)
    except OSError as error:
        raise BadInput(f"the certificate cannot be read: {error.strerror}", where=str(file)) from None
    try:
        found = x509.load_pem_x509_certificate(data)
    except ValueError:
        raise BadInput("this is no certificate in PEM", where=str(file)) from None
    hosts: list[str] = []
    with contextlib.suppress(x509.ExtensionNotFound, ValueError):
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        hosts = [*names.get_values_for_type(x509.DNSName), *map(str, names.get_values_for_type(x509.IPAddress))]
    digest = found.fingerprint(hashes.SHA256()).hex(":").upper()
    return Certificate(hosts=tuple(hosts), expires=found.not_valid_after_utc, sha256=digest)


def _name(host: str) -> x509.GeneralName:
    with contextlib.suppress(ValueError):
        return x509.IPAddress(ipaddress.ip_address(host))
    if not _HOST.fullmatch(host.lower()):
        raise BadInput(f"{shown(host)!r} is no host name and no address", where="--for")
    return x509.DNSName(host.lower())
