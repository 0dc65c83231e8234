"""Journals without end from many tasks, and prints the number of each entry once its call has returned."""

from __future__ import annotations

import asyncio
import itertools
import sys

from store_samples import a_change, an_entry

from fleet.store.sql import open_store

TASKS = 8


async def main(url: str) -> None:
    numbers = itertools.count(1)
    async with open_store(url) as store:
        await store.begin_change(a_change("ch-1"))

        async def write() -> None:
            while True:
                number = next(numbers)
                await store.journal([an_entry("ch-1", number)])
                print(number, flush=True)

        await asyncio.gather(*(write() for _ in range(TASKS)))


asyncio.run(main(sys.argv[1]))
