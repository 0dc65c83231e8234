"""The daemon's events as the commands read them: again and again, wherever it goes."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Final

import httpx
from httpx_sse import SSEError, aconnect_sse

from fleet.errors import FleetError, NoDaemon
from fleet.faces.cli.client import START_ONE, Daemon, error_of
from fleet.faces.documents import Document

CONNECT_WITHIN_S: Final = 10.0
SILENT_FOR_S: Final = 45.0
"""The daemon says something every 15 s; after three times that it is not there any more."""
AGAIN_AFTER_S: Final = (0.5, 1.0, 2.0, 5.0)

FORMAT: Final = "fleet-event/1"


async def events(find: Callable[[], Daemon]) -> AsyncIterator[Document]:
    """Every event, and one more kind: `lost`, with `words`, each time that the connection ended.

    What was lost with it is told as a `gap`. This never ends by itself.
    """
    last_id, failures = "", 0
    while True:
        words = "the daemon has ended"
        try:
            async for event_id, document in _connected(find(), last_id):
                last_id, failures = event_id or last_id, 0
                yield document
        except FleetError as error:
            words = error.what
        if not failures:
            yield {"format": FORMAT, "event": "lost", "words": words}
        await asyncio.sleep(AGAIN_AFTER_S[min(failures, len(AGAIN_AFTER_S) - 1)])
        failures += 1


async def _connected(daemon: Daemon, last_id: str) -> AsyncIterator[tuple[str, Document]]:
    """Events of one connection with their ids. Raises `NoDaemon`, or what the daemon says."""
    headers = {"Authorization": f"Bearer {daemon.token}"} | ({"Last-Event-ID": last_id} if last_id else {})
    timeout = httpx.Timeout(CONNECT_WITHIN_S, read=SILENT_FOR_S)
    try:
        async with (
            httpx.AsyncClient(timeout=timeout, trust_env=False) as client,
            aconnect_sse(client, "GET", f"{daemon.url}/v1/events", headers=headers) as source,
        ):
            if source.response.is_error:
                raise error_of(json.loads(await source.response.aread()))
            async for event in source.aiter_sse():
                if event.data:  # the reader makes an event without data of a comment that breaks a silence
                    yield event.id, event.json()
    except httpx.TransportError as error:
        words = str(error) or type(error).__name__
        raise NoDaemon(f"the daemon at {daemon.url} does not answer ({words})", remedy=START_ONE) from None
    except (SSEError, ValueError):
        raise NoDaemon(f"what answers at {daemon.url} is not the daemon", remedy=START_ONE) from None
