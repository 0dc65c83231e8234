"""Claims a database, prints the epoch, and holds it until it is killed."""

from __future__ import annotations

import asyncio
import sys
from datetime import UTC, datetime

from fleet.store.sql import open_store


async def main(url: str, who: str) -> None:
    async with open_store(url) as store:
        print(await store.claim(who, datetime(2031, 5, 17, 12, tzinfo=UTC)), flush=True)
        await asyncio.Event().wait()


asyncio.run(main(*sys.argv[1:]))
