"""A venue of rooms with three equal boxes each, simulated devices for it, and a controller of this process."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.model.change import ChangeRecord
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.sql import open_store
from fleet.tasks import end
from tests.brokers import LOOPBACK
from tests.simulators.raw_wire import Json, Wire
from tests.simulators.raw_wire import controller as raw_controller

REPOSITORY = Path(__file__).parents[2]
ROOT = "loudspeakers/v1"
FOUND_DB, WANTED_DB = -15.0, -12.0
PATIENCE_S = 100.0
"""The longest that anything may take: a change, or what is staged on a device, ends by itself well before."""
ASK_AGAIN_AFTER_S = 3.0


def boxes(room: str) -> list[str]:
    """The devices of a room: one coherent set."""
    return [f"{room}-{number}" for number in (1, 2, 3)]


def desired(rooms: Iterable[str], level_db: float) -> dict[str, str]:
    """The venue folder by file name, all rooms at one level."""
    files = {"venue.yaml": "format: 1\nname: The Mill\ntime_zone: Europe/London\n"}
    for room in rooms:
        lines = ["format: 1", f"room: {room}", f"groups: {{mains: {{together: true, level_db: {level_db:g}}}}}"]
        lines += ["positions:", *(f"  at-{box}: {{device: {box}, groups: [mains]}}" for box in boxes(room))]
        files[f"rooms/{room}.yaml"] = "\n".join(lines) + "\n"
    return files


def write_devices(folder: Path, rooms: Iterable[str]) -> Path:
    """The folder of the simulated devices, 3 dB lower than the rooms shall be."""
    folder.mkdir(parents=True)
    lines = ["format: 1", "devices:"]
    for number, device in enumerate((box for room in rooms for box in boxes(room)), start=1):
        lines.append(
            f"  - {{id: {device}, model: Fennbeck 12, serial: FB12-{device}, firmware: 2.3.1,"
            f" mac: '02:00:5e:02:00:{number:02x}', outputs: {{1: {{level_db: {FOUND_DB:g}}}}}}}"
        )
    (folder / "devices.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@asynccontextmanager
async def simulated(port: int, folder: Path, *faults: str) -> AsyncIterator[None]:
    """The simulated devices of a folder on a broker, in a process of their own, once all are connected."""
    words = ["--venue", str(folder), "--broker", f"{LOOPBACK}:{port}", "--processes", "1", "--no-announce"]
    words += [word for fault in faults for word in ("--fault", fault)]
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulators", *words, cwd=REPOSITORY, stdout=asyncio.subprocess.PIPE
    )
    try:
        assert process.stdout is not None
        async with asyncio.timeout(60):
            assert await process.stdout.readline(), "the simulators ended before they were ready"
        yield
    finally:
        process.terminate()
        await process.wait()


@asynccontextmanager
async def controlling(home: Path, port: int, rooms: Iterable[str]) -> AsyncIterator[Services]:
    """Everything a daemon has but its faces, with the desired state in force and every device heard of."""
    numbers = iter(range(1, 1_000_000))
    async with open_store(f"sqlite:///{home / 'fleet.db'}") as store:
        controller = await store.controller(lambda: f"fleet-{time.time_ns()}")
        driver = MqttDriver(
            BrokerAddress(host=LOOPBACK, port=port),
            ROOT,
            controller,
            new_id=lambda: f"r-{time.time_ns()}-{next(numbers)}",
            clock=time.monotonic,
            random=Random(1),
            timings=Timings(),
        )
        async with driver:
            services = wire(
                store=store,
                driver=driver,
                clock=lambda: datetime.now(UTC),
                new_id=lambda beginning: f"{beginning}-{time.time_ns()}-{next(numbers)}",
            )
            await services.inventory.open()
            await services.desired.open()
            await services.desired.load(desired(rooms, WANTED_DB), "ines", allow=["older"])
            tending = asyncio.create_task(Tending(services).run())
            try:
                await until("every device is heard of", all_heard(services))
                yield services
                await services.changes.close()
            finally:
                await end(tending)


def all_heard(services: Services) -> Callable[[], Awaitable[bool]]:
    """Whether every bound device is alive and has told everything."""

    async def heard() -> bool:
        inventory = services.inventory
        return all(inventory.online(d) and inventory.reported(d) for d in services.desired.bound())

    return heard


async def until(what: str, done: Callable[[], Awaitable[bool]]) -> None:
    """Wait for something to become so; fails with `what` where it does not in time."""
    try:
        async with asyncio.timeout(PATIENCE_S):
            while not await done():  # noqa: ASYNC110 - processes and databases have no event for it
                await asyncio.sleep(0.05)
    except TimeoutError:
        raise AssertionError(f"waited {PATIENCE_S:g} s in vain: {what}") from None


async def begun(services: Services, room: str, *, keep_within_s: float | None = None) -> str:
    """An apply of a room, started, on trial at its end where a time is given; its change."""
    asked = Asked(kind="apply", scope=Scope(rooms=(room,)))
    plan = await services.changes.plan(asked)
    record = await services.changes.start(
        asked,
        digest=plan.digest,
        who="ines",
        why="a bad network",
        allow=("rise", "half-room"),
        keep_within_s=keep_within_s,
    )
    return record.id


async def ended(services: Services, change: str) -> ChangeRecord:
    """A change, at its end."""
    async with asyncio.timeout(PATIENCE_S):
        while not (record := await services.changes.wait(change, 5)).state.ended:
            pass
        return record


@dataclass(frozen=True, slots=True)
class Found:
    """What a box says of itself when asked by raw MQTT."""

    level_db: float
    change: str


class Witness:
    """Asks devices by raw MQTT, without `fleet`."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire

    async def found(self, room: str) -> dict[str, Found]:
        """Every box of a room as it is now; asked again where the network loses the question or the answer."""
        states = dict(zip(boxes(room), await asyncio.gather(*(self._state(box) for box in boxes(room))), strict=True))
        return {box: Found(_level_db(state), _open_change(state)) for box, state in states.items()}

    async def _state(self, box: str) -> Json:
        async with asyncio.timeout(PATIENCE_S):
            while True:
                with suppress(TimeoutError):
                    async with asyncio.timeout(ASK_AGAIN_AFTER_S):
                        return await self._wire.state(box)

    async def judge(self, record: ChangeRecord, room: str, *, old_db: float, new_db: float) -> str:
        """How a change ended, in the word that is true of its boxes; fails where they are mixed and nobody says so.

        Waits until no box has a change open, which devices see to themselves within a minute.
        """

        async def closed() -> bool:
            return all(one.change == "" for one in (await self.found(room)).values())

        assert record.state.ended, record.state
        await until(f"no change is open in {room} ({record.state})", closed)
        found = await self.found(room)
        odd = {o.device for o in record.outcomes if o.word == "needs a person"}
        levels_db = {box: one.level_db for box, one in found.items() if box not in odd}
        want_db = new_db if record.state == "kept" else old_db
        assert set(levels_db.values()) <= {want_db}, f"{room} is {record.state}, but its boxes are {found}"
        assert bool(odd) == (record.state == "needs a person"), record
        return str(record.state)


def _level_db(state: Json) -> float:
    return float(state["outputs"][0]["level_db"])


def _open_change(state: Json) -> str:
    change = state.get("change")
    return str(change["id"]) if change else ""


@asynccontextmanager
async def witnessing(port: int) -> AsyncIterator[Witness]:
    """A witness on the broker itself."""
    async with raw_controller(port, "witness", f"{ROOT}/nothing") as wire:
        yield Witness(wire)
