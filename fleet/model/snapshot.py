"""A snapshot: everything reported at a moment, sealed by hashes over its canonical form, and signed.

How the seal is made stands in `sealing`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from fleet.model.audit import AuditHead, Hash
from fleet.model.difference import NotChecked
from fleet.model.names import Id
from fleet.model.state import Reported

Taken = Literal["by hand", "hand-over", "schedule", "before", "after"]
"""How a snapshot came about; the last two are of a change."""
OF_CHANGES: Final[tuple[Taken, ...]] = ("before", "after")
AUTOMATIC: Final[tuple[Taken, ...]] = ("schedule", *OF_CHANGES)

NEVER_CHECKED: Final = (
    "Settings were read; wiring, aim, rigging, acoustics and the fire interface were not checked.",
    "A device says itself what its settings are: nothing here measured what sounds.",
)
"""What no snapshot checks, in words that each of them carries."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotBody:
    """What a snapshot holds: every device that answered, and by name those that did not.

    Members from `taken` on came with `fleet-snapshot/2`. `scope` says what was read where that is not everything,
    `key_sha256` is the fingerprint of the key that signs it, and `not_checked` what no snapshot checks.
    """

    venue: str
    at: datetime
    taken_by: str
    note: str
    desired_sha256: str
    devices: tuple[Reported, ...]
    not_read: tuple[NotChecked, ...]
    id: str = ""
    taken: Taken = "by hand"
    change: str = ""
    scope: str = ""
    audit: AuditHead | None = None
    key_sha256: str = ""
    not_checked: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """The hash of each entry, in the order of the body, and the Ed25519 signature; key and signature are hex."""

    head: Hash
    devices: tuple[Hash, ...]
    not_read: tuple[Hash, ...]
    public_key: str = ""
    signature: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """Somebody outside who had the hash of a snapshot at a moment: a person who countersigned it, or a time stamp.

    `token` is the answer of a time stamp service (RFC 3161), base64; `signature` covers all the other members.
    """

    kind: Literal["person", "time stamp"]
    name: str
    note: str
    at: datetime
    sha256: Hash
    recorded_by: str
    token: str = ""
    signature: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """A sealed snapshot. Without a `seal` it is of format 1: `sha256` is over the body alone, and nobody signed it.

    `text` is the body as it was sealed, canonical JSON: a later release may know more members than it has.
    """

    id: Id
    body: SnapshotBody
    sha256: Hash
    seal: Seal | None = None
    witnesses: tuple[Witness, ...] = ()
    text: bytes = field(default=b"", compare=False, repr=False)
