"""Requests are for now: one that cannot be sent is not kept for later, and one that comes late is not done."""

from __future__ import annotations

import asyncio
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
from test_mqtt_contract import QUICK, ROOT, new_driver

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.errors import BrokerDown, DeviceSilent
from fleet.model.description import Description
from fleet.model.edge import parse
from fleet.model.plan import Phase
from tests.brokers import LOOPBACK, free_port
from tests.network.packets import Packet
from tests.network.relay import CALM, Relay, Way, Weather

BOX: Description = parse(Description, description_message("box-1", STAGING))
BEYOND_ITS_DEADLINE = Weather(delay_ms=QUICK.answer_s * 1000 + 250)


@dataclass
class Line:
    """A driver whose own line goes through a relay, a device that is on the broker itself, and what was sent."""

    port: int
    relay: Relay
    device: ScriptedDevice
    driver: MqttDriver
    sent: list[Packet]


@pytest.fixture(params=BROKERS)
async def line(request: pytest.FixtureRequest) -> AsyncIterator[Line]:
    sent: list[Packet] = []

    def tap(way: Way, packet: Packet) -> None:
        if way == "up" and packet.topic:
            sent.append(packet)

    async with running(request.param) as address:
        device, relay = ScriptedDevice("box-1", ROOT), Relay(address.port, 1, tap)
        async with relay.listening():
            through = BrokerAddress(host=LOOPBACK, port=relay.port)
            async with device.on(address.port), new_driver(through) as driver:
                await heard(driver, LinkUp)
                yield Line(address.port, relay, device, driver, sent)


def actions(device: ScriptedDevice) -> list[str]:
    return [str(request["action"]) for request in device.requests]


async def all_came(device: ScriptedDevice, action: str) -> None:
    """Wait until the request has come with all its repeats."""
    async with asyncio.timeout(10):
        while actions(device).count(action) < QUICK.attempts:  # noqa: ASYNC110 - the device has no event for it
            await asyncio.sleep(0.01)


async def calm(relay: Relay) -> None:
    """Let the network be quick again, once the late replies have come, which are for nobody."""
    relay.weather = CALM
    await asyncio.sleep(BEYOND_ITS_DEADLINE.delay_ms / 1000)


def answer(device: ScriptedDevice, action: str) -> dict[str, Any]:
    """What the device answered to the last request of this kind."""
    request = next(r for r in reversed(device.requests) if r["action"] == action)
    reply: dict[str, Any] = json.loads(device.remembered[request["id"]])
    return reply


@pytest.mark.parametrize("broker", BROKERS)
async def test_what_was_asked_while_the_broker_was_down_is_never_sent(broker: str) -> None:
    port = free_port()
    async with AsyncExitStack() as first:
        address = await first.enter_async_context(running(broker, port))
        async with new_driver(address) as driver:
            await heard(driver, LinkUp)
            async with ScriptedDevice("box-1", ROOT).on(port):
                start = (await driver.read(BOX)).state.moment
            await first.aclose()
            await heard(driver, LinkDown)
            with pytest.raises(BrokerDown):
                await driver.identify(BOX, 5)
            with pytest.raises(BrokerDown):
                await driver.prepare(BOX, "c-1", level(-3), start, EPOCH)
            later = ScriptedDevice("box-1", ROOT)
            async with running(broker, port), later.on(port):
                await heard(driver, LinkUp)
                await driver.read(BOX)
                await asyncio.sleep(QUICK.answer_s)
            assert actions(later) == ["get"]


async def test_what_a_slow_network_brings_after_its_deadline_is_refused(line: Line) -> None:
    await line.driver.read(BOX)
    line.relay.weather = BEYOND_ITS_DEADLINE
    with pytest.raises(DeviceSilent):
        await line.driver.identify(BOX, 5)
    await all_came(line.device, "identify")
    assert line.device.done == []
    assert answer(line.device, "identify")["refusal"]["code"] == "expired"
    await calm(line.relay)
    await line.driver.identify(BOX, 5)
    assert line.device.done == ["identify"]


async def test_a_late_commit_does_not_sound(line: Line) -> None:
    start = (await line.driver.read(BOX)).state.moment
    await line.driver.prepare(BOX, "c-1", level(-3), start, EPOCH)
    line.relay.weather = BEYOND_ITS_DEADLINE
    with pytest.raises(DeviceSilent):
        await line.driver.commit(BOX, "c-1", Phase.SET, start, EPOCH)
    await all_came(line.device, "commit")
    assert answer(line.device, "commit")["refusal"]["code"] == "expired"
    await calm(line.relay)
    after = (await line.driver.read(BOX)).state
    assert (after.live.outputs[1].level_db, after.moment) == (0, start)
    await line.driver.commit(BOX, "c-1", Phase.SET, start, EPOCH)
    assert (await line.driver.read(BOX)).state.live.outputs[1].level_db == -3


async def test_requests_are_sent_at_quality_0_and_are_never_retained(line: Line) -> None:
    driver = line.driver
    start = (await driver.read(BOX)).state.moment
    await driver.prepare(BOX, "c-1", level(-3), start, EPOCH)
    await driver.commit(BOX, "c-1", Phase.SET, start, EPOCH, revert_after_ms=60_000)
    await driver.keep(BOX, "c-1", EPOCH)
    await driver.abort(BOX, "c-2", EPOCH)
    await driver.revert(BOX, "c-3", EPOCH)
    await driver.identify(BOX, 5)
    requests = [p for p in line.sent if p.topic == line.device.topic("request")]
    sent = [json.loads(p.payload)["action"] for p in requests]
    assert sent == ["get", "stage", "commit", "keep", "abort", "revert", "identify"]
    assert [p for p in line.sent if p.qos or p.retain] == []
    async with aiomqtt.Client(LOOPBACK, line.port, identifier="looks-later") as client:
        assert await told(client, line.device.topic("request")) == []


async def test_a_device_with_a_lasting_session_finds_nothing_old_to_do(line: Line) -> None:
    """Contract or not, a device may keep its session. What a broker holds for it then has expired."""
    topic = line.device.topic("request")
    lasting = {"identifier": "box-1-lasting", "clean_session": False}
    async with aiomqtt.Client(LOOPBACK, line.port, **lasting) as client:
        await client.subscribe(topic, qos=1)
    await line.driver.read(BOX)
    line.device.deaf = True
    with pytest.raises(DeviceSilent):
        await line.driver.identify(BOX, 5)
    line.device.deaf = False
    async with aiomqtt.Client(LOOPBACK, line.port, **lasting) as client:
        old = [payload for payload in await told(client, topic) if b'"get"' not in payload]
    print(f"{len(old)} old requests were held for the session")
    for payload in old:
        await line.device.publish(topic, payload)
    if old:
        await all_came(line.device, "identify")
        assert answer(line.device, "identify")["refusal"]["code"] == "expired"
    assert line.device.done == []


async def told(client: aiomqtt.Client, topic: str) -> list[bytes]:
    """What the broker has for this client on a topic, at once and until a message of its own comes round."""
    mark = f"marks/{topic}"
    await client.subscribe(topic, qos=1)
    await client.subscribe(mark, qos=1)
    await client.publish(mark, b"", qos=1)
    got: list[bytes] = []
    async with asyncio.timeout(10):
        async for message in client.messages:
            if message.topic.value == mark:
                return got
            got.append(bytes(message.payload))
    raise AssertionError("the connection ended")
