"""A task that is ended is over, whatever becomes of its cancellation."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from fleet.tasks import end


async def test_a_task_that_loses_a_cancellation_is_ended_all_the_same() -> None:
    lost = []

    async def stubborn() -> None:
        with suppress(asyncio.CancelledError):
            await asyncio.sleep(600)
        lost.append(True)
        await asyncio.sleep(600)

    task = asyncio.create_task(stubborn())
    await asyncio.sleep(0)
    await end(task)
    assert lost
    assert task.cancelled()


async def test_who_is_cancelled_while_ending_others_leaves_none_of_them_behind() -> None:
    cancelled = []

    async def slow() -> None:
        while len(cancelled) < 2:
            try:
                await asyncio.sleep(600)
            except asyncio.CancelledError:
                cancelled.append(True)
        raise asyncio.CancelledError

    tasks = [asyncio.create_task(slow())]
    await asyncio.sleep(0)
    ending = asyncio.create_task(end(*tasks))
    await asyncio.sleep(0.01)
    ending.cancel()
    with pytest.raises(asyncio.CancelledError):
        await ending
    assert tasks[0].cancelled()


async def test_what_a_task_raised_while_it_ended_stays_with_it() -> None:
    async def breaks() -> None:
        try:
            await asyncio.sleep(600)
        finally:
            raise ValueError("broken")

    task = asyncio.create_task(breaks())
    await asyncio.sleep(0)
    await end(task)
    assert isinstance(task.exception(), ValueError)
