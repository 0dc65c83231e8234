"""The MQTT driver among misbehaving devices, and with a broker that comes and goes."""

from __future__ import annotations

import asyncio
import gc
import json
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import Any

import aiomqtt
import pytest
from brokers import BROKERS, running
from contract import EPOCH, heard, level
from samples import STAGING, description_message
from scripted_device import ScriptedDevice
from test_mqtt_contract import ROOT, new_driver

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.protocol import CameOnline, Described, LinkDown, LinkUp, Nonsense, StateHeard, WentOffline
from fleet.errors import BrokerDown, DeviceNonsense, DeviceSilent
from fleet.model.description import Description
from fleet.model.edge import parse
from fleet.model.plan import Phase
from tests.brokers import free_port

BOX: Description = parse(Description, description_message("box-1", STAGING))


@dataclass
class Stage:
    address: BrokerAddress
    device: ScriptedDevice
    driver: MqttDriver


@pytest.fixture(params=BROKERS)
async def stage(request: pytest.FixtureRequest) -> AsyncIterator[Stage]:
    async with running(request.param) as address:
        device = ScriptedDevice("box-1", ROOT)
        async with device.on(address.port), new_driver(address) as driver:
            await heard(driver, LinkUp)
            yield Stage(address, device, driver)


def changed(reply: bytes, **members: Any) -> bytes:
    return json.dumps(json.loads(reply) | members).encode()


async def test_a_lost_reply_is_answered_from_memory_and_the_work_done_once(stage: Stage) -> None:
    start = (await stage.driver.read(BOX)).state.moment
    await stage.driver.prepare(BOX, "c-1", level(-3), start, EPOCH)
    lost: list[bytes] = []

    def lose_the_first(reply: bytes) -> list[bytes]:
        if lost:
            return [reply]
        lost.append(reply)
        return []

    stage.device.spoil = lose_the_first
    moment = await stage.driver.commit(BOX, "c-1", Phase.SET, start, EPOCH)
    assert lost
    assert moment.revision == start.revision + 1
    commits = [r for r in stage.device.requests if r["action"] == "commit"]
    assert len(commits) == 2
    assert commits[0] == commits[1], "a repeat is the same request"
    assert stage.device.done.count("commit") == 1


async def test_doubled_replies_change_nothing(stage: Stage) -> None:
    stage.device.spoil = lambda reply: [reply, reply, reply]
    first = await stage.driver.read(BOX)
    await stage.device.press(-9)
    assert first.state.live.outputs[1].level_db == 0
    assert (await stage.driver.read(BOX)).state.live.outputs[1].level_db == -9


async def test_a_reply_after_the_deadline_is_for_nobody(stage: Stage) -> None:
    late: list[bytes] = []

    def keep_back(reply: bytes) -> list[bytes]:
        late.append(reply)
        return []

    stage.device.spoil = keep_back
    with pytest.raises(DeviceSilent):
        await stage.driver.read(BOX)
    await stage.device.press(-9)
    stage.device.spoil = lambda reply: [*late, reply]
    assert (await stage.driver.read(BOX)).state.live.outputs[1].level_db == -9


async def test_a_reply_by_another_device_is_nonsense_and_not_believed(stage: Stage) -> None:
    stage.device.spoil = lambda reply: [changed(reply, device="box-2")]
    with pytest.raises(DeviceSilent):
        await stage.driver.read(BOX)
    assert "box-1" in (await heard(stage.driver, Nonsense, lambda e: e.device == "box-2")).what


@pytest.mark.parametrize("garbage", [b"", b"\xff\x00", b"[]", b"{}", b'{"v":1}', b"[" * 5000, b"x" * 70_000])
async def test_garbage_on_the_replies_topic_is_survived(stage: Stage, garbage: bytes) -> None:
    stage.device.spoil = lambda reply: [garbage, reply]
    assert (await stage.driver.read(BOX)).state.id == "box-1"


async def test_an_unreadable_reply_to_our_request_is_told_at_once(stage: Stage) -> None:
    stage.device.spoil = lambda reply: [changed(reply, result={"boot_id": "\x1b[2J"})]
    with pytest.raises(DeviceNonsense, match="box-1: reply: result"):
        await stage.driver.read(BOX)
    assert len(stage.device.requests) == 1


@pytest.mark.parametrize("payload", [b"not JSON", b"x" * 70_000, b'{"v": 2}', b'{"v":1,"id":"box-2"}', b"null"])
async def test_a_malformed_retained_state_is_an_event_and_life_goes_on(stage: Stage, payload: bytes) -> None:
    await stage.driver.census()
    await stage.device.publish(stage.device.topic("state"), payload, retain=True)
    event = await heard(stage.driver, Nonsense)
    assert event.device == "box-1"
    assert event.what.isprintable()
    await stage.device.press(-9)
    await heard(stage.driver, StateHeard, lambda e: e.state.live.outputs[1].level_db == -9)


async def test_control_characters_in_names_do_not_reach_a_screen(stage: Stage) -> None:
    await stage.driver.census()
    stage.device.description |= {"model": "\x1b[31mTarn\u202e", "firmware": "1\n2"}
    await stage.device.tell()
    event = await heard(stage.driver, Described, lambda e: e.description.firmware != "2.3.1")
    assert event.description.model == "?[31mTarn?"
    assert event.description.firmware == "1?2"


async def test_a_device_whose_clock_was_set_back_is_asked_again(stage: Stage) -> None:
    start = (await stage.driver.read(BOX)).state.moment
    stage.device.born -= 3600  # an hour of uptime that the driver does not know of
    await stage.driver.prepare(BOX, "c-1", level(-3), start, EPOCH)
    stages = [r for r in stage.device.requests if r["action"] == "stage"]
    assert len(stages) == 2
    assert stages[0]["id"] != stages[1]["id"]
    assert stages[1]["deadline_uptime_ms"] > 3_600_000


async def test_the_will_is_an_event(stage: Stage) -> None:
    await stage.driver.census()
    other = ScriptedDevice("box-2", ROOT)
    async with other.on(stage.address.port):
        await heard(stage.driver, CameOnline, lambda e: e.device == "box-2")
        await other.publish(other.topic("presence"), json.dumps(other.presence(online=False)).encode(), retain=True)
        assert (await heard(stage.driver, WentOffline)).device == "box-2"


AIOMQTT_LEAVES = (
    "Future exception was never retrieved\nfuture: <Future finished exception=MqttCodeError('Unexpected disc",
    "Exception in callback BaseSelectorEventLoop.add_writer(",
)
"""What aiomqtt 2.5 itself leaves to the loop when a connection breaks; anything else would be ours."""


@pytest.mark.parametrize("broker", BROKERS)
async def test_a_broker_that_dies_and_returns(broker: str, caplog: pytest.LogCaptureFixture) -> None:
    port = free_port()
    async with AsyncExitStack() as open_broker:
        address = await open_broker.enter_async_context(running(broker, port))
        async with new_driver(address) as driver:
            await heard(driver, LinkUp)
            await open_broker.aclose()
            assert (await heard(driver, LinkDown)).why
            with pytest.raises(BrokerDown, match=f"mqtt://127.0.0.1:{port}"):
                await driver.read(BOX)
            with pytest.raises(BrokerDown):
                await driver.census()
            async with running(broker, port), ScriptedDevice("box-1", ROOT).on(port):
                await heard(driver, LinkUp)
                assert (await driver.read(BOX)).state.id == "box-1"
    gc.collect()
    told = [r.getMessage() for r in caplog.records if r.name == "asyncio"]
    assert [text for text in told if not text.startswith(AIOMQTT_LEAVES)] == [], "an exception was never retrieved"


async def test_no_broker_at_the_start_is_no_failure() -> None:
    port = free_port()
    async with new_driver(BrokerAddress(host="127.0.0.1", port=port)) as driver:
        assert (await heard(driver, LinkDown)).why
        async with running("embedded", port):
            await heard(driver, LinkUp)
            assert await driver.census() == frozenset()


@pytest.mark.parametrize("broker", BROKERS)
async def test_closing_ends_the_events_at_any_moment(broker: str) -> None:
    async with running(broker) as address:
        for wait_s in (0.0, 0.005, 0.02, 0.05):
            async with new_driver(address) as driver:
                await asyncio.sleep(wait_s)
            events = [event async for event in driver.events()]
            # A connection cut off while it is made may reach the broker late, and take the next one of its name down.
            assert all(isinstance(e, LinkUp | LinkDown) for e in events), events


@pytest.mark.parametrize("broker", BROKERS)
async def test_a_census_is_complete_however_often_it_is_taken(broker: str) -> None:
    """280 devices retain 1,120 messages: more than Mosquitto queues for one client by default (1,000)."""
    names = {f"box-{n:04d}" for n in range(280)}
    async with running(broker) as address:
        async with aiomqtt.Client("127.0.0.1", address.port, identifier="filler") as client:
            for name in names:
                device = ScriptedDevice(name, ROOT)
                device.client = client
                messages = (device.presence(online=True), device.description, device.state(), device.slots_message())
                for kind, message in zip(("presence", "description", "state", "slots"), messages, strict=True):
                    await client.publish(device.topic(kind), json.dumps(message), retain=True)
            await client.publish("filled", b"", qos=1)
        async with new_driver(address) as driver:
            await heard(driver, LinkUp)
            for _ in range(2):
                assert await driver.census() == names
                told: dict[str, set[str]] = {"CameOnline": set(), "Described": set(), "StateHeard": set()}
                async for event in driver.events():
                    assert not isinstance(event, Nonsense | LinkDown | LinkUp)
                    told.setdefault(type(event).__name__, set()).add(event.device)
                    if all(devices == names for devices in told.values()):
                        break
