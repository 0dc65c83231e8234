"""What a tag costs on an answer: `python -m tests.benchmarks.bench_etags [DEVICES ...]`.

A document of so many devices is answered by a bare application with and without the middleware, in turns, with no
network between. Told are the medians and what the tag adds, and how long an answer of 304 takes.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import sys
import time
from collections.abc import Sequence
from typing import Any

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fleet.faces.api.etags import ETags

ROUNDS = 200


def body_of(devices: int) -> bytes:
    """A document as large as a list of so many devices."""
    row = {"id": "box-0000", "status": "bound", "positions": ["weir-hall/main-left"], "serial": "SN-0000000"}
    return json.dumps({"format": "fleet-devices/1", "devices": [row | {"text": "x" * 400}] * devices}).encode()


async def answered(app: ASGIApp, known: bytes = b"") -> tuple[float, dict[bytes, bytes]]:
    """How long an answer takes in s, and its headers."""
    headers = [(b"if-none-match", known)] if known else []
    scope: Scope = {"type": "http", "method": "GET", "path": "/v1/devices", "headers": headers}
    told: list[Message] = []

    async def send(message: Message) -> None:
        told.append(message)

    async def receive() -> Message:
        return {"type": "http.request"}

    begin = time.perf_counter()
    await app(scope, receive, send)
    return time.perf_counter() - begin, dict(told[0]["headers"])


async def measure(devices: int) -> str:
    """One line of the table."""
    body = body_of(devices)

    async def bare(scope: Scope, receive: Receive, send: Send) -> None:
        await Response(body, media_type="application/json")(scope, receive, send)

    tagged = ETags(bare)
    etag = (await answered(tagged))[1][b"etag"]
    took: dict[str, list[float]] = {"bare": [], "tagged": [], "304": []}
    for _ in range(ROUNDS):
        took["bare"].append((await answered(bare))[0])
        took["tagged"].append((await answered(tagged))[0])
        took["304"].append((await answered(tagged, etag))[0])
    us: dict[str, Any] = {name: statistics.median(times) * 1e6 for name, times in took.items()}
    columns = (us["bare"], us["tagged"], us["tagged"] - us["bare"], us["304"])
    return f"{devices:7}  {len(body) / 1e3:6.0f} kB" + "".join(f"  {told_us:8.0f} us" for told_us in columns)


def main(counts: Sequence[int]) -> None:
    print("devices       size         bare       tagged         adds          304")
    for devices in counts:
        print(asyncio.run(measure(devices)))


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1, 50, 500])
