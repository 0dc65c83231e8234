"""Group commit: what many callers write at the same time goes into one transaction.

A commit waits for the disk, a few hundred times a second at best; a change of many devices journals more than that.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Generic, TypeAlias, TypeVar

from fleet.store.trouble import UnfitRow

T = TypeVar("T")
Share: TypeAlias = tuple[Sequence[T], "asyncio.Future[None]"]
"""One caller's items, and what the caller waits for."""


class GroupCommit(Generic[T]):
    """Hands to `commit` whatever has gathered while the last commit ran."""

    def __init__(self, commit: Callable[[Sequence[T]], Awaitable[None]]) -> None:
        self._commit = commit
        self._waiting: list[Share[T]] = []
        self._task: asyncio.Task[None] | None = None

    async def write(self, items: Sequence[T]) -> None:
        """Returns when the items are committed; raises what `commit` raised for them."""
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append((items, done))
        if self._task is None:
            # A task of its own: a caller that is cancelled must not take the others' items with it.
            self._task = asyncio.create_task(self._run(), name="store: group commit")
        await done

    async def settled(self) -> None:
        """Wait until nothing is left to commit."""
        if self._task is not None:
            await self._task

    async def _run(self) -> None:
        try:
            while self._waiting:
                group, self._waiting = self._waiting, []
                await self._settle(group)
        finally:
            self._task = None

    async def _settle(self, group: Sequence[Share[T]]) -> None:
        try:
            await self._commit([item for items, _ in group for item in items])
        except BaseException as error:  # whatever it was, it is the callers' to know
            if isinstance(error, UnfitRow) and len(group) > 1:
                for share in group:  # one caller's mistake must not fail the others
                    await self._settle([share])
                return
            _end(group, error)
            if not isinstance(error, Exception):
                raise
        else:
            _end(group, None)


def _end(group: Sequence[Share[T]], error: BaseException | None) -> None:
    for _, done in group:
        if done.cancelled():
            continue
        if error is None:
            done.set_result(None)
        else:
            done.set_exception(error)
