"""Ending tasks for sure."""

from __future__ import annotations

import asyncio
from typing import Any


async def end(*tasks: asyncio.Task[Any]) -> None:
    """Cancel tasks until they are done; what they raised stays with them and counts as seen.

    Again and again, since a cancellation that meets a time limit's end may be lost (`asyncio.wait_for`, Python 3.11).
    """
    pending = {task for task in tasks if not task.done()}
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=0.5)
    for task in tasks:
        if not task.cancelled():
            task.exception()
