"""Prints what the boxes of rooms say of themselves by raw MQTT: `python -m tests.network.asking PORT ROOM…`.

A program of its own, since whoever lives in another network namespace cannot be asked from here.
"""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import asdict

from tests.network.venue import witnessing


async def ask(port: int, rooms: list[str]) -> None:
    """Print one JSON object: rooms, their boxes, and of each its level and open change."""
    async with witnessing(port) as witness:
        found = {room: await witness.found(room) for room in rooms}
    print(json.dumps({room: {box: asdict(one) for box, one in boxes.items()} for room, boxes in found.items()}))


if __name__ == "__main__":
    asyncio.run(ask(int(sys.argv[1]), sys.argv[2:]))
