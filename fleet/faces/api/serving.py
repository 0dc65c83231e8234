"""Serving the API on a loopback port for the length of a block."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager

import uvicorn
from fastapi import FastAPI

from fleet.errors import BadInput

HOST = "127.0.0.1"


class _Server(uvicorn.Server):
    """Leaves signals to the daemon, which has more to close than a web server."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@asynccontextmanager
async def serve(api: FastAPI, port: int = 0) -> AsyncIterator[str]:
    """Serve on 127.0.0.1; port 0 takes a free one. Yields the URL. Raises `BadInput` where the port is taken."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
    except OSError as error:
        listener.close()
        raise BadInput(f"port {port} cannot be used: {error.strerror}", where="--port") from None
    config = uvicorn.Config(api, log_level="warning", access_log=False, lifespan="off", timeout_graceful_shutdown=5)
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="api")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110  # the server has no event for it
            await asyncio.sleep(0.01)
        yield f"http://{HOST}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        await task
        listener.close()
