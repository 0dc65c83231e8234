"""Signing keys (Ed25519, RFC 8032): the daemon's, made on first use for its owner alone, and public keys as files."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import stat
from hashlib import sha256
from pathlib import Path
from typing import Final

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from fleet.errors import BadInput

KEY_FILE: Final = "signing-key.pem"
OWNER_ONLY: Final = 0o600
LARGEST_BYTES: Final = 10_000
EXPORTS: Final = "`fleet snapshot key` exports the public one."

_PUBLIC: Final = re.compile(r"[0-9a-f]{64}")
_SIGNATURE: Final = re.compile(r"[0-9a-f]{128}")


class SigningKey:
    """The key of a daemon."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public_key = key.public_key().public_bytes_raw().hex()
        self.key_sha256 = fingerprint(self.public_key)

    def sign(self, data: bytes) -> str:
        """The signature of some bytes, as hex."""
        return self._key.sign(data).hex()


def signing_key(home: Path) -> SigningKey:
    """The key of this home, made where there is none yet. Raises `BadInput` where it cannot be used, or others can."""
    path = home / KEY_FILE
    try:
        if not path.exists():
            _make(path)
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise BadInput(
                "the signing key can be read by others, who could sign as this daemon",
                where=str(path),
                remedy=f"chmod 600 {path}, and make a new key (move this one away) if others had it.",
            )
        key = load_pem_private_key(path.read_bytes(), password=None)
    except OSError as error:
        raise BadInput(f"the signing key cannot be used: {error.strerror}", where=str(path)) from None
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise BadInput("this is no signing key", where=str(path), remedy="Bring back the one of a backup.") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise BadInput("this is a key of another kind than Ed25519", where=str(path))
    return SigningKey(key)


def _make(path: Path) -> None:
    """Write a new key, whole or not at all, and never over another."""
    text = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    draft = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY), "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileExistsError):  # another process was first: its key is the key
            os.link(draft, path)
    finally:
        draft.unlink(missing_ok=True)


def read_public_key(path: Path) -> str:
    """The public key in a PEM file, as hex. Raises `BadInput`."""
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_BYTES)
    except OSError as error:
        raise BadInput(f"the key cannot be read: {error.strerror}", where=str(path)) from None
    return public_key_of(text, str(path))


def public_key_of(text: bytes, where: str) -> str:
    """The public key that is written in PEM, as hex. Raises `BadInput`."""
    if b"PRIVATE KEY" in text:
        raise BadInput("this is a private key, which should not be here", where=where, remedy=EXPORTS)
    try:
        key = load_pem_public_key(text)
    except (ValueError, UnsupportedAlgorithm):
        raise BadInput("this is no public key in PEM", where=where, remedy=EXPORTS) from None
    if not isinstance(key, Ed25519PublicKey):
        raise BadInput("this is a key of another kind than Ed25519", where=where)
    return key.public_bytes_raw().hex()


def pem_of(public_key: str) -> str:
    """A public key as PEM (SubjectPublicKeyInfo), which other tools read."""
    return _public(public_key).public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()


def fingerprint(public_key: str) -> str:
    """SHA-256 of a public key as DER, as hex: what `openssl pkey -pubin -outform DER | sha256sum` tells."""
    der = _public(public_key).public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return sha256(der).hexdigest()


def is_public_key(text: object) -> bool:
    """Whether this is a public key as files hold it: lower-case hex."""
    return isinstance(text, str) and _PUBLIC.fullmatch(text) is not None


def signed_by(public_key: str, signature: object, data: bytes) -> bool:
    """Whether a signature, as hex, is of these bytes and by this key."""
    if not isinstance(signature, str) or _SIGNATURE.fullmatch(signature) is None:
        return False
    try:
        _public(public_key).verify(bytes.fromhex(signature), data)
    except InvalidSignature:
        return False
    return True


def _public(public_key: str) -> Ed25519PublicKey:
    return Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
