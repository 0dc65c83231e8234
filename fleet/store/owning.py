"""What the two databases have in common for the rest of the store: how a write is marked, how one process owns it."""

from __future__ import annotations

from typing import Protocol

WRITES = "fleet_writes"
"""Execution option of a transaction that writes."""


class OwnerLock(Protocol):
    """A lock that one process at a time has on a database and that ends with the process, however that ends."""

    @property
    def held(self) -> bool:
        """Whether this process has it, as far as it knows."""
        ...

    async def take(self) -> bool:
        """Take the lock; False where another has it. Raises `StoreTrouble`."""
        ...

    async def still_held(self) -> bool:
        """Whether this process has it, found out."""
        ...

    async def release(self) -> None:
        """Give it back."""
        ...
