"""The seal of a snapshot, from its body as plain data. Whoever has the file can work it out again with any language.

Every entry (each device, each one not read, and the head matter, which is all the rest of the body) has a SHA-256 over
canonical JSON (RFC 8785) that begins with its kind; the hash of the whole is over those of the entries, in their order.
What is signed is `statement`: the format's name and that hash, as text.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fleet.model.canonical import sha256_of
from fleet.model.snapshot import Seal

FORMAT: Final = "fleet-snapshot/2"
FORMAT_1: Final = "fleet-snapshot/1"


def seal_of(body: Mapping[str, Any]) -> Seal:
    """The hashes of a body's entries, not signed yet. Raises `ValueError` for what no canonical JSON can hold."""
    return Seal(
        head=head_sha256(body),
        devices=tuple(device_sha256(one) for one in body["devices"]),
        not_read=tuple(not_read_sha256(one) for one in body["not_read"]),
    )


def head_sha256(body: Mapping[str, Any]) -> str:
    """The hash of all that stands beside the lists."""
    return sha256_of(["head", {name: value for name, value in body.items() if name not in ("devices", "not_read")}])


def device_sha256(reported: object) -> str:
    """The hash of what one device reported."""
    return sha256_of(["device", reported])


def not_read_sha256(missing: object) -> str:
    """The hash of one that was not read."""
    return sha256_of(["not read", missing])


def whole_sha256(head: object, devices: Sequence[object], not_read: Sequence[object]) -> str:
    """The hash of the whole, over the entries' hashes."""
    return sha256_of({"format": FORMAT, "head": head, "devices": list(devices), "not_read": list(not_read)})


def statement(sha256: str) -> bytes:
    """What is signed, and what a time stamp is for: the format and the hash of the whole."""
    return f"{FORMAT} {sha256}".encode()


def witness_statement(witness: Mapping[str, Any]) -> bytes:
    """What is signed of a witness, from its members as plain data without the signature."""
    bare = {name: value for name, value in witness.items() if name != "signature"}
    return f"fleet-witness/1 {sha256_of(bare)}".encode()
