"""Ending tasks for sure."""

from __future__ import annotations

import asyncio
from typing import Any, Final

AGAIN_AFTER_S: Final = 2.0
"""A task that has not ended by then is cancelled again: it may have lost the cancellation, or take its time."""


async def end(*tasks: asyncio.Task[Any]) -> None:
    """Cancel tasks until they are done; what they raised stays with them and counts as seen.

    Again and again, since a library may swallow a cancellation (`asyncio.wait_for` does in Python 3.11, where it meets
    the end of what is waited for). Who is cancelled in here cancels them once more, and still waits for them.
    """
    pending = {task for task in tasks if not task.done()}
    cancelled: asyncio.CancelledError | None = None
    while pending:
        for task in pending:
            task.cancel()
        try:
            await asyncio.wait(pending, timeout=AGAIN_AFTER_S)
        except asyncio.CancelledError as error:
            cancelled = error
        pending = {task for task in pending if not task.done()}
    for task in tasks:
        if not task.cancelled():
            task.exception()
    if cancelled is not None:
        raise cancelled
