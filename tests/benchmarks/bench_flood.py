"""What a flood of made-up devices takes of memory and disk: `python -m tests.benchmarks.bench_flood [COUNT]`."""

from __future__ import annotations

import asyncio
import logging
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from fleet.drivers.protocol import CameOnline
from fleet.model.inventory import Sighting
from fleet.services.inventory import Inventory
from fleet.store.sql import open_store


async def flood(count: int, folder: Path) -> None:
    """Tell of so many devices, a thousand between two writes to the database, and print what that took."""
    logging.getLogger("fleet").setLevel(logging.ERROR)
    async with open_store(f"sqlite:///{folder / 'fleet.db'}") as store:
        inventory = Inventory(store, "mqtt", lambda: datetime.now(UTC))
        before, began = _peak_mb(), time.perf_counter()
        for number in range(count):
            inventory.hear(CameOnline(device=f"fake-{number}", boot_id="b-1"))
            inventory.see(Sighting(device=f"made-up-{number}", at=datetime.now(UTC), source="mdns"))
            if number % 1000 == 999:
                await inventory.flush()
        took_s = time.perf_counter() - began
        size_mb = (folder / "fleet.db").stat().st_size / 1e6
    print("| told of | taken | passed over | memory more, MB | database, MB | time, s |")
    print("| --- | --- | --- | --- | --- | --- |")
    print(
        f"| {2 * count} | {len(inventory.records())} | {inventory.passed_over} | {_peak_mb() - before:.0f} "
        f"| {size_mb:.0f} | {took_s:.1f} |"
    )


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        asyncio.run(flood(int(sys.argv[1]) if len(sys.argv) > 1 else 50_000, Path(name)))
