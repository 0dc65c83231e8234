"""How long a connection may take to say what it wants, and how many there may be at once.

Whoever can reach the port can open connections without a token: ones that never end their request would hold every
file that the daemon may have open, and with them its broker and its database.
"""

from __future__ import annotations

import asyncio
from typing import Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_WITHIN_S: Final = 10.0
"""A request line with its headers."""
BODY_WITHIN_S: Final = 120.0
"""The largest body over a slow line."""
MOST_CONNECTIONS: Final = 400
"""To one address: with two addresses, less than the 1024 files that a process may usually have open."""


class Patience(H11Protocol):
    """A connection that is cut where its request does not come to an end, or where there are too many."""

    _late: asyncio.TimerHandle | None = None
    _awaited: object = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as the class above
        """Begin to wait for a request."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
        else:
            self._wait()

    def data_received(self, data: bytes) -> None:
        """Go on; whoever has begun a request is not given more time by each byte of it."""
        super().data_received(data)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no longer."""
        self._stop()
        super().connection_lost(exc)

    def _wait(self) -> None:
        awaited = self.conn.their_state
        if awaited is self._awaited:
            return
        self._stop()
        self._awaited = awaited
        seconds = {h11.IDLE: HEAD_WITHIN_S, h11.SEND_BODY: BODY_WITHIN_S}.get(awaited)
        if seconds is not None:
            self._late = self.loop.call_later(seconds, self.transport.abort)

    def _stop(self) -> None:
        self._awaited = None
        if self._late is not None:
            self._late.cancel()
            self._late = None
