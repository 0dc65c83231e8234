"""The daemon's events as the commands read them: again and again, wherever it goes."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Final

import httpx
from httpx_sse import SSEError, aconnect_sse

from fleet.errors import FleetError, NoEntry
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.trusting import CONNECT_WITHIN_S
from fleet.faces.cli.understanding import NotUnderstood, answers_of, refuse_other_release
from fleet.faces.documents import Document

SILENT_FOR_S: Final = 45.0
"""The daemon says something every 15 s; after three times that it is not there any more."""
AGAIN_AFTER_S: Final = (0.5, 1.0, 2.0, 5.0)

FORMAT: Final = "fleet-event/1"


async def events(find: Callable[[], Daemon]) -> AsyncIterator[Document]:
    """Every event, and one more kind: `lost`, with `words`, each time that the connection ended.

    What was lost with it is told as a `gap`. This never ends by itself. Raises `NoEntry` once the token opens nothing,
    and `NotUnderstood` once a daemon of another release answers.
    """
    last_id, failures = "", 0
    while True:
        words = "the daemon has ended"
        try:
            async for event_id, document in _connected(find(), last_id):
                last_id, failures = event_id or last_id, 0
                yield document
        except (NoEntry, NotUnderstood):
            raise
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
            httpx.AsyncClient(timeout=timeout, trust_env=False, verify=daemon.trusted) as client,
            aconnect_sse(client, "GET", f"{daemon.url}/v1/events", headers=headers) as source,
        ):
            if source.response.is_error:
                await source.response.aread()
                raise daemon.refusal(source.response.status_code, daemon.document_in(source.response))
            refuse_other_release(source.response.headers)
            async for event in source.aiter_sse():
                if event.data:  # the reader makes an event without data of a comment that breaks a silence
                    yield event.id, json.loads(event.data, object_hook=answers_of(source.response.headers))
    except httpx.TransportError as error:
        raise daemon.unreached(error) from None
    except (SSEError, httpx.DecodingError, ValueError):
        raise daemon.no_daemon() from None
