"""Bodies that are read before their route reads them: to look at what is asked, and to write in who asks."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from starlette.types import Message, Receive


class TooLarge(Exception):
    """A body is larger than anything that is meant, in words."""


async def read(receive: Receive, most: int) -> bytes:
    """The whole body. Raises `TooLarge` for one that is too large."""
    data = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return bytes(data)
        data.extend(message.get("body", b""))
        if len(data) > most:
            raise TooLarge(f"a body of more than {most} bytes is too large here")
        if not message.get("more_body", False):
            return bytes(data)


def named_anew(data: bytes, name: str) -> tuple[Mapping[str, Any], bytes]:
    """The members of a body, and the body anew: what was checked is what is done. Anything else stays as it is."""
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        return {}, data
    if not isinstance(body, dict):
        return {}, data
    if name:
        body["who"] = name
    return body, json.dumps(body).encode()


def again(data: bytes, receive: Receive) -> Receive:
    """A body that was read, to be read again."""
    told = False

    async def replayed() -> Message:
        nonlocal told
        if told:
            return await receive()
        told = True
        return {"type": "http.request", "body": data, "more_body": False}

    return replayed
