"""Certificate authorities of the tests' own, and what they vouch for: right certificates, and wrong ones."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

DAY: Final = timedelta(days=1)


class Authority:
    """An authority whose own certificate is the file `certificate`."""

    def __init__(self, folder: Path, name: str = "authority") -> None:
        folder.mkdir(exist_ok=True)
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        own = _built(self._name, self._name, self._key.public_key(), (-DAY, 30 * DAY))
        own = own.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        own = own.add_extension(_usage(signs=True), critical=True)
        identifier = x509.SubjectKeyIdentifier.from_public_key(self._key.public_key())
        signed = own.add_extension(identifier, critical=False).sign(self._key, hashes.SHA256())
        self.certificate = folder / f"{name}.pem"
        self.certificate.write_bytes(signed.public_bytes(serialization.Encoding.PEM))

    def vouch(self, *hosts: str, valid: tuple[timedelta, timedelta] = (-DAY, DAY)) -> str:
        """A certificate and its key for these names and addresses, as lines of Mosquitto's settings."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, hosts[0])])
        names = x509.SubjectAlternativeName([_name(host) for host in hosts])
        issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key())
        about = _built(subject, self._name, key.public_key(), valid).add_extension(names, critical=False)
        about = about.add_extension(issuer, critical=False).add_extension(_usage(signs=False), critical=True)
        certificate, secret = self._folder / f"{hosts[0]}.pem", self._folder / f"{hosts[0]}.key"
        certificate.write_bytes(about.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
        secret.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return f"certfile {certificate}\nkeyfile {secret}\n"


def _built(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, valid: tuple[timedelta, timedelta]
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + valid[0])
        .not_valid_after(now + valid[1])
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
    others = dict.fromkeys(
        (
            "content_commitment",
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "crl_sign",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    return x509.KeyUsage(digital_signature=not signs, key_cert_sign=signs, **others)


def _name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
