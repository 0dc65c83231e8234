"""A broker that is killed and comes back, remembering nothing, while a change is in each of its states."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
import pytest

from fleet.model.change import ChangeState
from fleet.model.inventory import DeviceStatus
from fleet.services.together import Services
from fleet.tasks import end
from tests.brokers import LOOPBACK
from tests.faults.results import record as record_fault
from tests.network.mortal_broker import Kind, MortalBroker, mortal_broker
from tests.network.venue import (
    FOUND_DB,
    ROOT,
    WANTED_DB,
    Witness,
    all_heard,
    begun,
    boxes,
    controlling,
    ended,
    simulated,
    until,
    witnessing,
    write_devices,
)
from tests.simulators.raw_wire import topic

KINDS: tuple[Kind, ...] = ("embedded", "mosquitto")
ROOM = "hall"
FIRST, SECOND, THIRD = boxes(ROOM)
SLOW_BOX = f"{THIRD}=slow:300"
"""The last to answer, so that a state lasts long enough to kill the broker in it while two have answered."""
LIAR = f"{FIRST}=accepts_and_does_not"
"""It makes the change fail when it is read back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """When the broker is killed: a request of this action was seen, after one of another, and the state is this."""

    state: ChangeState
    action: str
    after: str = ""
    faults: tuple[str, ...] = (SLOW_BOX,)
    keep_within_s: float | None = None


S = ChangeState
MOMENTS = (
    Moment(state=S.STAGING, action="stage"),
    Moment(state=S.COMMITTING, action="commit"),
    Moment(state=S.VERIFYING, action="get", after="commit"),
    Moment(state=S.KEEPING, action="keep"),
    Moment(state=S.ROLLING_BACK, action="revert", faults=(SLOW_BOX, LIAR)),
    Moment(state=S.CHECKING, action="get", after="revert", faults=(SLOW_BOX, LIAR)),
    Moment(state=S.ON_TRIAL, action="get", after="commit", keep_within_s=12),
)
OUTAGES_S = (4.0, 0.0)
"""A broker that is away for longer than any request waits for its answer, and one that is back at once."""
AT_ONCE = 14


@dataclass
class Watched:
    """Actions asked of devices, in the order in which they came."""

    actions: list[str] = field(default_factory=list)

    def seen(self, moment: Moment) -> bool:
        """Whether the moment's request has come."""
        begin = self.actions.index(moment.after) if moment.after in self.actions else 0
        return moment.after in ("", *self.actions) and moment.action in self.actions[begin:]


@asynccontextmanager
async def watching(port: int) -> AsyncIterator[Watched]:
    """Watch the requests on a broker, for as long as that lives."""
    watched, subscribed = Watched(), asyncio.Event()

    async def watch() -> None:
        with suppress(aiomqtt.MqttError):
            async with aiomqtt.Client(LOOPBACK, port, identifier="watcher") as client:
                await client.subscribe(f"{ROOT}/devices/+/+/request")
                subscribed.set()
                async for message in client.messages:
                    watched.actions.append(json.loads(bytes(message.payload))["action"])

    task = asyncio.create_task(watch())
    try:
        async with asyncio.timeout(10):
            await subscribed.wait()
        yield watched
    finally:
        await end(task)


async def kill_at(moment: Moment, watched: Watched, services: Services, change: str, broker: MortalBroker) -> None:
    """Kill the broker in this moment, when the quick boxes have answered and the slow one has not."""

    async def come() -> bool:
        return watched.seen(moment) and (await services.changes.record(change)).state == moment.state

    await until(f"the change is {moment.state}", come)
    await asyncio.sleep(0.05)
    state = (await services.changes.record(change)).state
    assert state == moment.state, f"it went on from {moment.state} to {state} before the broker was killed"
    await asyncio.to_thread(broker.kill)


async def fault(folder: Path, kind: Kind, moment: Moment, outage_s: float) -> str:
    """One venue of its own whose broker is killed once; how the change ended, in a word that is true of its boxes."""
    async with AsyncExitStack() as stack:
        broker = stack.enter_context(mortal_broker(kind, folder))
        await stack.enter_async_context(simulated(broker.port, write_devices(folder / "venue", [ROOM]), *moment.faults))
        services = await stack.enter_async_context(controlling(folder, broker.port, [ROOM]))
        async with watching(broker.port) as watched:
            change = await begun(services, ROOM, keep_within_s=moment.keep_within_s)
            await kill_at(moment, watched, services, change, broker)
        await asyncio.sleep(outage_s)
        await asyncio.to_thread(broker.start)
        record = await ended(services, change)
        witness = await stack.enter_async_context(witnessing(broker.port))
        word = await witness.judge(record, ROOM, old_db=FOUND_DB, new_db=WANTED_DB)
        print(f"{kind}, {moment.state}, away for {outage_s:g} s: {word}, {dict(record.culprits)}")
        await until("every device is there", all_heard(services))
        record_fault("broker killed and restarted", moment.state.value, word)
        return word


async def test_a_broker_killed_in_any_state_leaves_the_set_whole(tmp_path: Path) -> None:
    """Every moment, outage and broker, each with a venue of its own; so many at once, since most of it is waiting."""
    cases = [(outage_s, kind, moment) for outage_s in OUTAGES_S for kind in KINDS for moment in MOMENTS]
    room = asyncio.Semaphore(AT_ONCE)

    async def one(number: int, outage_s: float, kind: Kind, moment: Moment) -> str:
        async with room:
            return await fault(tmp_path / str(number), kind, moment, outage_s)

    words = await asyncio.gather(*(one(number, *case) for number, case in enumerate(cases)))
    print(f"{len(words)} brokers killed in mid-change: {dict(Counter(words))}")
    assert set(words) <= {"kept", "rolled back", "cancelled", "needs a person"}
    assert {"kept", "rolled back"} <= set(words), "this shows one way of ending only"


async def works(services: Services, witness: Witness) -> None:
    """Inventory, diff and apply do their work: nothing is missing, all differ, and a change puts that right."""
    bound = services.desired.bound()
    assert {services.inventory.statuses(bound)[device] for device in bound} == {DeviceStatus.BOUND}
    found = await services.lookout.differences(rooms=[ROOM])
    assert {d.device for d in found.differences} == set(boxes(ROOM))
    assert found.not_checked == ()
    record = await ended(services, await begun(services, ROOM))
    assert await witness.judge(record, ROOM, old_db=FOUND_DB, new_db=WANTED_DB) == "kept"
    assert (await services.lookout.differences(rooms=[ROOM])).differences == ()


@pytest.mark.parametrize("kind", KINDS)
async def test_a_broker_that_forgot_everything_is_told_again_by_the_devices(tmp_path: Path, kind: Kind) -> None:
    async with AsyncExitStack() as stack:
        broker = stack.enter_context(mortal_broker(kind, tmp_path))
        await stack.enter_async_context(simulated(broker.port, write_devices(tmp_path / "venue", [ROOM])))
        services = await stack.enter_async_context(controlling(tmp_path, broker.port, [ROOM]))
        await asyncio.to_thread(broker.kill)
        await until("the daemon knows that its devices are out of reach", none_alive(services))
        await asyncio.to_thread(broker.start)
        await until("every device is there", all_heard(services))
        await works(services, await stack.enter_async_context(witnessing(broker.port)))


@pytest.mark.parametrize("kind", KINDS)
async def test_devices_of_which_the_broker_knows_nothing_are_asked_by_name(tmp_path: Path, kind: Kind) -> None:
    async with AsyncExitStack() as stack:
        broker = stack.enter_context(mortal_broker(kind, tmp_path))
        await stack.enter_async_context(simulated(broker.port, write_devices(tmp_path / "venue", [ROOM])))
        async with controlling(tmp_path, broker.port, [ROOM]) as services:
            await services.inventory.flush()
        await forget_retained(broker.port)
        async with controlling(tmp_path, broker.port, [ROOM]) as later:
            assert await later.driver.census() == frozenset(), "the broker told of them"
            await works(later, await stack.enter_async_context(witnessing(broker.port)))


def none_alive(services: Services) -> Callable[[], Awaitable[bool]]:
    async def gone() -> bool:
        return not any(services.inventory.online(device) for device in boxes(ROOM))

    return gone


async def forget_retained(port: int) -> None:
    """Delete every retained message of the devices, which stay connected and do not notice."""
    async with aiomqtt.Client(LOOPBACK, port, identifier="eraser") as client:
        for box in boxes(ROOM):
            for name in ("presence", "description", "state", "slots"):
                await client.publish(topic(box, name), b"", qos=1, retain=True)
