"""Whoever opens connections and never ends a request holds nothing back from others; nor does one token all streams."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from fleet.faces.api import patience, settling
from fleet.faces.api.serving import serve
from tests.faces.access_scene import HOME_TOKEN, Venue, a_venue
from tests.faces.test_serving_others import certificate_in, free_port

HEAD = b"GET /v1/session HTTP/1.1\r\nHost: 127.0.0.1\r\n"


@pytest.fixture
async def venue(tmp_path: Path) -> AsyncIterator[Venue]:
    async with a_venue(tmp_path) as venue:
        yield venue


async def connected(
    url: str, context: ssl.SSLContext | None = None
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    at = urlsplit(url)
    return await asyncio.open_connection(at.hostname, at.port, ssl=context)


async def cut(reader: asyncio.StreamReader) -> bytes:
    """What is read until the other end cuts the line."""
    try:
        async with asyncio.timeout(20):
            return await reader.read()
    except ConnectionError:
        return b""


@pytest.mark.parametrize("said", [b"", HEAD, HEAD + b"X-Slow: "], ids=["nothing", "half a request", "half a line"])
@pytest.mark.parametrize("outside", [False, True], ids=["on this machine", "over TLS"])
async def test_a_request_that_does_not_come_to_an_end_is_cut(
    venue: Venue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: bytes, outside: bool
) -> None:
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.2)
    there = certificate_in(tmp_path) if outside else None
    port = free_port()
    trusting = ssl.create_default_context(cafile=str(there.certificate)) if there else None
    async with serve(venue.api, port, outside=there):
        reader, writer = await connected(f"http://127.0.0.1:{port}", trusting)
        writer.write(said)
        assert await cut(reader) == b""
        writer.close()


async def test_each_byte_of_a_slow_request_gives_it_no_more_time(venue: Venue, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.5)
    async with serve(venue.api) as url:
        reader, writer = await connected(url)
        ended = asyncio.create_task(cut(reader))
        for byte in HEAD + b"X-Slow: " + b"a" * 1000:
            writer.write(bytes([byte]))
            await asyncio.wait({ended}, timeout=0.02)
            if ended.done():
                break
        assert await ended == b""
        writer.close()


async def test_a_body_that_does_not_come_to_an_end_is_cut(venue: Venue, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "BODY_WITHIN_S", 0.2)
    async with serve(venue.api) as url:
        reader, writer = await connected(url)
        writer.write(HEAD.replace(b"GET", b"POST") + b"Content-Length: 100\r\n\r\n{")
        assert await cut(reader) == b""
        writer.close()


async def test_a_line_that_is_kept_open_serves_one_request_after_another(
    venue: Venue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.3)
    monkeypatch.setattr(patience, "BODY_WITHIN_S", 0.3)
    async with serve(venue.api) as url, httpx.AsyncClient(base_url=url, trust_env=False) as client:
        client.headers["Authorization"] = f"Bearer {HOME_TOKEN}"
        for _ in range(5):
            assert (await client.get("/v1/rooms")).status_code == 200
            assert (await client.post("/v1/check", json={})).status_code == 200
            await asyncio.sleep(0.2)


async def test_connections_are_bounded_and_others_are_served_when_they_end(
    venue: Venue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "MOST_CONNECTIONS", 5)
    async with serve(venue.api) as url:
        lines = [await connected(url) for _ in range(5)]
        reader, writer = await connected(url)
        assert await cut(reader) == b"", "one too many"
        for _, one in [*lines, (reader, writer)]:
            one.close()
        async with httpx.AsyncClient(base_url=url, trust_env=False) as client, asyncio.timeout(20):
            while True:
                try:
                    assert (await client.get("/v1/rooms")).status_code == 401
                    break
                except httpx.TransportError:  # the ends of the others are not heard yet
                    await asyncio.sleep(0.01)


async def test_one_token_does_not_hold_every_stream(venue: Venue, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settling, "MOST_STREAMS", 2)
    async with serve(venue.api) as url, AsyncExitStack() as stack:
        client = await stack.enter_async_context(httpx.AsyncClient(base_url=url, trust_env=False, timeout=20))

        def stream(secret: str):
            return client.stream("GET", "/v1/events", headers={"Authorization": f"Bearer {secret}"})

        greedy, other = await venue.secret("operator"), await venue.secret("auditor")
        held = AsyncExitStack()
        for _ in range(2):
            answer = await held.enter_async_context(stream(greedy))
            assert answer.status_code == 200
        assert (await stack.enter_async_context(stream(greedy))).status_code == 429
        assert (await stack.enter_async_context(stream(other))).status_code == 200
        await held.aclose()
        async with asyncio.timeout(20):
            while (await stack.enter_async_context(stream(greedy))).status_code == 429:  # noqa: ASYNC110  # the other end
                await asyncio.sleep(0.05)
