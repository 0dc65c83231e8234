"""Contacts on real brokers: topics come and go, what was kept is told as such, a broker that restarts is met again."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from random import Random

import aiomqtt
import pytest
from brokers import BROKERS, running

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.contacts import LONGEST, ContactLink
from fleet.drivers.mqtt.timings import Timings
from fleet.tasks import end
from tests.brokers import free_port

ROOT = "loudspeakers/v1"
SOON = Timings(backoff_first_s=0.02, backoff_most_s=0.1)
WALL, PANEL = "building/partition-1", "building/panel"
Heard = list[tuple[str, bytes, bool]]


@pytest.fixture(params=BROKERS)
async def broker(request: pytest.FixtureRequest) -> AsyncIterator[BrokerAddress]:
    async with running(request.param) as address:
        yield address


@asynccontextmanager
async def listening(address: BrokerAddress, *topics: str) -> AsyncIterator[tuple[ContactLink, Heard]]:
    """A link that hears topics; what it heard."""
    heard: Heard = []
    link = ContactLink(
        address,
        ROOT,
        "fleet-contacts",
        random=Random(1),
        timings=SOON,
        heard=lambda *message: heard.append(message),
    )
    link.subscribe(frozenset(topics))
    task = asyncio.create_task(link.run())
    try:
        yield link, heard
    finally:
        await end(task)
        assert task.cancelled()


async def until(done: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not done():  # noqa: ASYNC110  # a list has no event
            await asyncio.sleep(0.005)


async def say(address: BrokerAddress, *messages: tuple[str, bytes], keep: bool = False) -> None:
    async with aiomqtt.Client(address.host, address.port, identifier="wall") as client:
        for topic, payload in messages:
            await client.publish(topic, payload, qos=1, retain=keep)


async def said_until_heard(address: BrokerAddress, heard: Heard, topic: str, payload: bytes) -> None:
    """Say it until it is heard: when a subscription begins is not seen from outside."""
    async with asyncio.timeout(10):
        while (topic, payload, False) not in heard:
            await say(address, (topic, payload))
            await asyncio.sleep(0.02)


async def test_messages_of_its_topics_are_heard_as_they_come_and_no_others(broker: BrokerAddress) -> None:
    async with listening(broker, WALL) as (_, heard):
        await said_until_heard(broker, heard, WALL, b"ready")
        heard.clear()
        await say(broker, (PANEL, b"1"), (WALL, b"open"), (f"{WALL}/more", b"x"), (WALL, b"closed"))
        await until(lambda: (WALL, b"closed", False) in heard)
        assert [one for one in heard if one[1] != b"ready"] == [(WALL, b"open", False), (WALL, b"closed", False)]


async def test_what_was_kept_is_told_as_kept_and_what_comes_then_is_not(broker: BrokerAddress) -> None:
    await say(broker, (WALL, b"open"), keep=True)
    async with listening(broker, WALL) as (_, heard):
        await until(lambda: bool(heard))
        assert heard == [(WALL, b"open", True)]
        await say(broker, (WALL, b"closed"), keep=True)
        await until(lambda: len(heard) > 1)
        assert heard[1] == (WALL, b"closed", False)


async def test_every_kept_value_of_many_topics_is_told(broker: BrokerAddress) -> None:
    topics = [f"building/panel-{number}" for number in range(300)]
    await say(broker, *((topic, b"1") for topic in topics), keep=True)
    async with listening(broker, *topics) as (_, heard):
        await until(lambda: len(heard) == 300)
        assert {topic for topic, _, kept in heard if kept} == set(topics)


async def test_topics_that_change_are_followed_over_the_same_connection(broker: BrokerAddress) -> None:
    await say(broker, (PANEL, b"2"), keep=True)
    async with listening(broker, WALL) as (link, heard):
        await said_until_heard(broker, heard, WALL, b"ready")
        link.subscribe(frozenset({PANEL}))
        await until(lambda: (PANEL, b"2", True) in heard)
        heard.clear()
        await say(broker, (WALL, b"open"), (PANEL, b"1"))
        await until(lambda: bool(heard))
        assert heard == [(PANEL, b"1", False)]


async def test_without_topics_there_is_no_connection_until_there_is_one(broker: BrokerAddress) -> None:
    await say(broker, (WALL, b"open"), keep=True)
    async with listening(broker) as (link, heard):
        await asyncio.sleep(0.05)
        assert link._link.state == "closed"
        link.subscribe(frozenset({WALL}))
        await until(lambda: heard == [(WALL, b"open", True)])


async def test_a_topic_where_the_devices_are_is_not_heard(
    broker: BrokerAddress, caplog: pytest.LogCaptureFixture
) -> None:
    inside = f"{ROOT}/devices/a0/box-1/state"
    async with listening(broker, inside, WALL) as (_, heard):
        await said_until_heard(broker, heard, WALL, b"ready")
        heard.clear()
        await say(broker, (inside, b"open"), (WALL, b"open"))
        await until(lambda: (WALL, b"open", False) in heard)
        assert {topic for topic, _, _ in heard} == {WALL}
    assert f"the contact on {inside} is not heard: it is inside {ROOT}" in caplog.text


async def test_a_huge_payload_is_cut_and_any_bytes_pass(broker: BrokerAddress) -> None:
    async with listening(broker, WALL) as (_, heard):
        await said_until_heard(broker, heard, WALL, b"ready")
        heard.clear()
        await say(broker, (WALL, b"\x00\xff\x1b"), (WALL, b"a" * 15_000))
        await until(lambda: len([one for one in heard if one[1] != b"ready"]) == 2)
        assert [payload for _, payload, _ in heard if payload != b"ready"] == [b"\x00\xff\x1b", b"a" * LONGEST]


@pytest.mark.parametrize("kind", BROKERS)
async def test_a_broker_that_was_away_is_met_again(kind: str, caplog: pytest.LogCaptureFixture) -> None:
    port = free_port()
    async with running(kind, port) as address, listening(address, WALL) as (_, heard):
        await said_until_heard(address, heard, WALL, b"before")
    async with listening(address, WALL) as (_, heard):
        await until(lambda: "contacts are not heard: no connection to" in caplog.text)
        async with running(kind, port):
            await said_until_heard(address, heard, WALL, b"after")
    assert caplog.text.count("contacts are not heard") <= 3
