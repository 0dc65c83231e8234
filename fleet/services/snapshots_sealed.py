"""Sealing: a reading becomes a snapshot with its hashes, the head of the audit log at that moment, and a signature."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from datetime import time
from typing import Protocol

from fleet.model.canonical import canonical
from fleet.model.edge import plain
from fleet.model.sealing import seal_of, statement, whole_sha256, witness_statement
from fleet.model.snapshot import NEVER_CHECKED, Snapshot, SnapshotBody, Witness
from fleet.services.audit import Audit


class Signer(Protocol):
    """Signs for this daemon, with a key that never leaves its home."""

    @property
    def public_key(self) -> str:
        """The public key, as hex."""
        ...

    @property
    def key_sha256(self) -> str:
        """The key's fingerprint: SHA-256 of the public key as DER (SubjectPublicKeyInfo), as hex."""
        ...

    def sign(self, data: bytes) -> str:
        """The signature of some bytes, as hex."""
        ...


class TimeStamper(Protocol):
    """A time stamp service (RFC 3161)."""

    @property
    def name(self) -> str:
        """Which service it is, for people."""
        ...

    async def stamp(self, data: bytes) -> str:
        """The service's answer for some bytes, base64. Raises `FleetError`."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What makes snapshots prove something: who signs, who stamps the time, when one is taken unasked, how long kept.

    Without a signer they are sealed by their hashes alone. `kept_days` is for those that nobody asked for.
    """

    signer: Signer | None = None
    stamper: TimeStamper | None = None
    snapshot_at: time | None = None
    kept_days: int = 400


class Sealer:
    """Seals and signs."""

    def __init__(self, audit: Audit, signer: Signer | None) -> None:
        self._audit = audit
        self._signer = signer

    @property
    def signer(self) -> Signer | None:
        """Who signs."""
        return self._signer

    async def seal(self, body: SnapshotBody) -> Snapshot:
        """The snapshot of a reading. It holds the head of the audit log as it is now."""
        whole = replace(
            body,
            audit=await self._audit.head(),
            key_sha256=self._signer.key_sha256 if self._signer else "",
            not_checked=NEVER_CHECKED,
        )
        return await asyncio.to_thread(self._sealed, whole)  # a venue of many devices takes its time

    def signed(self, witness: Witness) -> Witness:
        """A witness with the signature of whoever wrote it down."""
        signature = self._signer.sign(witness_statement(plain(witness))) if self._signer else ""
        return replace(witness, signature=signature)

    def _sealed(self, body: SnapshotBody) -> Snapshot:
        matter = plain(body)
        seal = seal_of(matter)
        sha256 = whole_sha256(seal.head, seal.devices, seal.not_read)
        if self._signer is not None:
            seal = replace(seal, public_key=self._signer.public_key, signature=self._signer.sign(statement(sha256)))
        return Snapshot(id=body.id, body=body, sha256=sha256, seal=seal, text=canonical(matter))
