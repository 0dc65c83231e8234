"""Serving the API for the length of a block: on loopback for this machine, over TLS where others are to reach it."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from fleet.errors import BadInput
from fleet.faces.api.patience import Patience

log = logging.getLogger(__name__)

HOST = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """An address that other machines reach, and what proves to them who answers there."""

    address: str
    certificate: Path
    key: Path


class _Server(uvicorn.Server):
    """Leaves signals to the daemon, which has more to close than a web server."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@asynccontextmanager
async def serve(
    api: FastAPI, port: int = 0, *, address: str = HOST, outside: Outside | None = None
) -> AsyncIterator[str]:
    """Serve what `build_api` built. Yields the URL for the commands of this machine.

    That is on a loopback `address`, without TLS. With `outside`, `port` is that of the outside, and the loopback takes
    a free one. Port 0 takes a free one. Raises `BadInput` where the port is taken or the certificate is none.
    """
    async with AsyncExitStack() as stack:
        if outside is not None:
            context = tls_of(outside)
            listener = stack.enter_context(_listening(outside.address, port))
            await stack.enter_async_context(_served(api, listener, context))
            log.info("other machines reach it at %s", url_of("https", listener))
            port = 0
        listener = stack.enter_context(_listening(address, port))
        try:
            await stack.enter_async_context(_served(api, listener, None))
            yield url_of("http", listener)
        finally:
            api.state.events.close()  # a reader of events would not leave by itself


def tls_of(outside: Outside) -> ssl.SSLContext:
    """TLS 1.2 or later with this certificate. Raises `BadInput` where it cannot be used."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(outside.certificate, outside.key, password=_no_password)
    except FileNotFoundError:
        gone = outside.certificate if not outside.certificate.exists() else outside.key
        raise BadInput("this file is not there", where=str(gone), remedy=MAKE_ONE) from None
    except ssl.SSLError:
        what = f"this is no certificate in PEM with the key in {outside.key}"
        raise BadInput(what, where=str(outside.certificate), remedy=MAKE_ONE) from None
    except OSError as error:
        what = f"the certificate or its key cannot be read: {error.strerror}"
        raise BadInput(what, where=str(outside.certificate)) from None
    return context


MAKE_ONE = "`fleet access certificate --for HOST` makes both."


def url_of(scheme: str, listener: socket.socket) -> str:
    """The URL of a listener."""
    address, port = listener.getsockname()[:2]
    return f"{scheme}://[{address}]:{port}" if ":" in address else f"{scheme}://{address}:{port}"


@contextmanager
def _listening(address: str, port: int) -> Iterator[socket.socket]:
    family = socket.AF_INET6 if ipaddress.ip_address(address).version == 6 else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((address, port))
        except OSError as error:
            where = "--port" if address == HOST else f"{address} port {port}"
            raise BadInput(f"port {port} cannot be used: {error.strerror}", where=where) from None
        yield listener


@asynccontextmanager
async def _served(api: FastAPI, listener: socket.socket, context: ssl.SSLContext | None) -> AsyncIterator[None]:
    config = uvicorn.Config(
        api,
        http=Patience,
        log_level="warning",
        access_log=False,
        lifespan="off",
        timeout_graceful_shutdown=5,
        proxy_headers=False,  # who calls is who connects: a header that says otherwise may be anybody's
        server_header=False,
    )
    config.load()
    config.ssl = context
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="api")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110  # the server has no event for it
            await asyncio.sleep(0.01)
        yield
    finally:
        server.should_exit = True
        await task


def _no_password() -> str:
    """Instead of asking at a terminal that a daemon does not have."""
    return ""
