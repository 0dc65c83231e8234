"""A verified apply beside a bare client on the same broker: `python -m tests.benchmarks.bench_apply [DEVICES ...]`.

The bare client says the same to the same simulated devices (get, stage, commit, get, keep, get), fifty of them at a
time, with no journal, no plan, no validation, and no waiting for each other. The apply stages, commits, reads back,
keeps and reads back once more, journal first, on a SQLite file that is synchronised to the disk. The ratio of the two
rates, measured in one run, is to be read against the limit of 60 %.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import secrets
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.sql import open_store
from fleet.tasks import end
from simulators.topics import DEFAULT_ROOT, device_topic, replies_topic
from tests.brokers import LOOPBACK, embedded_broker

Json = dict[str, Any]

AT_ONCE = 50
LIMIT = 0.6
REQUESTS = frozenset({"stage", "read", "keep"})


async def main(folder: Path, port: int, devices: list[str]) -> None:
    bare = await bare_rate(port, devices, -15.0)
    async with controller(folder, port, devices) as services:
        for level_db in (-14.0, -12.0):
            rate, seconds, count = await apply_rate(services, devices, level_db)
            print(f"{len(devices):>8} {bare:>14.0f} {rate:>14.0f} {rate / bare:>8.0%} {seconds:>10.2f} {count:>10}")


async def bare_rate(port: int, devices: list[str], level_db: float) -> float:
    """Requests a second of a client that says the same to each device and does nothing else."""
    topic = replies_topic(DEFAULT_ROOT, "bare")
    options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    async with aiomqtt.Client(LOOPBACK, port, identifier="bare", socket_options=options) as client:
        client.pending_calls_threshold = 1_000
        await client.subscribe(topic, qos=0)
        waiting: dict[str, asyncio.Future[Json]] = {}
        names = itertools.count(1)

        async def listen() -> None:
            async for message in client.messages:
                reply = json.loads(bytes(message.payload))
                if (future := waiting.pop(reply["id"], None)) is not None:
                    future.set_result(reply["result"])

        async def ask(device: str, action: str, body: Json, now: Json | None = None) -> Json:
            name = f"b-{next(names)}"
            waiting[name] = done = asyncio.get_running_loop().create_future()
            request: Json = {"v": 1, "id": name, "controller": "bare", "epoch": 1, "action": action, "body": body}
            if now is not None:
                request["deadline_uptime_ms"] = now["uptime_ms"] + 10_000
            if now is not None and action != "keep":
                request["expect"] = {"boot_id": now["boot_id"], "revision": now["revision"]}
            await client.publish(device_topic(DEFAULT_ROOT, device, "request"), json.dumps(request), qos=0)
            return await done

        gate = asyncio.Semaphore(AT_ONCE)

        async def bring(device: str) -> None:
            async with gate:
                settings = {"outputs": [{"output": 1, "level_db": level_db}]}
                now = await ask(device, "get", {})
                await ask(device, "stage", {"change": "bare", "phase": 1, "settings": settings}, now)
                await ask(device, "commit", {"change": "bare", "phase": 1, "revert_after_ms": 60_000}, now)
                await ask(device, "get", {})
                await ask(device, "keep", {"change": "bare"}, now)
                await ask(device, "get", {})

        listening = asyncio.create_task(listen())
        began = time.perf_counter()
        await asyncio.gather(*(bring(device) for device in devices))
        seconds = time.perf_counter() - began
        await end(listening)
        return 6 * len(devices) / seconds


class controller:  # noqa: N801 - used as a context manager
    """The services of a daemon, over this broker and a database of their own."""

    def __init__(self, folder: Path, port: int, devices: list[str]) -> None:
        self._folder, self._port, self._devices = folder, port, devices

    async def __aenter__(self) -> Services:
        self._store_context = open_store(f"sqlite:///{self._folder / 'fleet.db'}")
        store = await self._store_context.__aenter__()
        names = itertools.count(1)
        self._driver = MqttDriver(
            BrokerAddress(host=LOOPBACK, port=self._port),
            DEFAULT_ROOT,
            f"bench-{secrets.token_hex(4)}",
            new_id=lambda: f"r-{next(names)}",
            clock=time.monotonic,
            random=Random(1),
            timings=Timings(),
        )
        await self._driver.__aenter__()
        services = wire(
            store=store, driver=self._driver, clock=lambda: datetime.now(UTC), new_id=lambda k: f"{k}-{next(names)}"
        )
        await services.inventory.open()
        await services.desired.open()
        self._tending = asyncio.create_task(Tending(services).run())
        while any(  # noqa: ASYNC110 - the inventory has no event for it
            services.inventory.reported(d) is None for d in self._devices
        ):
            await asyncio.sleep(0.05)
        return services

    async def __aexit__(self, *error: object) -> None:
        await end(self._tending)
        await self._driver.__aexit__(None, None, None)
        await self._store_context.__aexit__(None, None, None)


async def apply_rate(services: Services, devices: list[str], level_db: float) -> tuple[float, float, int]:
    """Requests a second of a verified apply, how long it took, and how many they were."""
    await services.desired.load(venue_files(devices, level_db), "bench")
    asked = Asked(kind="apply", scope=Scope(rooms=("hall",)))
    plan = await services.changes.plan(asked)
    began = time.perf_counter()
    started = await services.changes.start(
        asked, digest=plan.digest, who="bench", why="", allow=["half-room", "many-devices"]
    )
    record = await services.changes.wait(started.id, 120)
    seconds = time.perf_counter() - began
    assert record.state == "kept", record.culprits
    story = await services.changes.story(started.id)
    count = sum(e.what in REQUESTS or e.what.startswith("commit ") for e in story if e.device)
    return (count + len(devices)) / seconds, seconds, count + len(devices)  # planning anew reads each once more


def venue_files(devices: list[str], level_db: float) -> dict[str, str]:
    lines = ["format: 1", "room: hall", f"defaults: {{level_db: {level_db:g}}}", "positions:"]
    lines += [f"  at-{device}: {{device: {device}}}" for device in devices]
    return {
        "venue.yaml": "format: 1\nname: Bench\ntime_zone: Europe/London\n",
        "rooms/hall.yaml": "\n".join(lines) + "\n",
    }


@contextmanager
def devices_of(folder: Path, port: int, devices: list[str]) -> Iterator[None]:
    from tests.end_to_end.running import simulators

    lines = ["format: 1", "devices:"]
    lines += [
        f"  - {{id: {device}, model: Fennbeck 12, serial: FB12-{n:06d}, firmware: 2.3.1,"
        f" mac: '02:00:5e:03:{n >> 8:02x}:{n & 255:02x}', outputs: {{1: {{level_db: -16}}}}}}"
        for n, device in enumerate(devices)
    ]
    (folder / "devices.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with simulators(port, folder, folder / "state"):
        yield


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
    counts = [int(argument) for argument in sys.argv[1:]] or [20, 100]
    print(f"{'devices':>8} {'bare req/s':>14} {'apply req/s':>14} {'ratio':>8} {'seconds':>10} {'requests':>10}")
    for number in counts:
        with tempfile.TemporaryDirectory(prefix="fleet-bench-") as name, embedded_broker(Path(name)) as broker_port:
            boxes = [f"box-{n:04d}" for n in range(number)]
            with devices_of(Path(name), broker_port, boxes):
                asyncio.run(main(Path(name), broker_port, boxes))
    print(f"limit for the ratio: {LIMIT:.0%}")
