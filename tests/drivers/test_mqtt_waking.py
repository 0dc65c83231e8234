"""A link that is down and waits: what is announced ends the wait, and a chatter of announcements makes no busy loop."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from random import Random

import aiomqtt
import pytest
from brokers import BROKERS, running
from contract import heard
from test_mqtt_contract import new_driver

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.link import Link, LinkState
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.errors import BrokerDown
from fleet.tasks import end
from tests.brokers import LOOPBACK, free_port
from tests.network.relay import Relay

HOURS = Timings(backoff_first_s=7200, backoff_most_s=7200, connect_s=1)
"""So long that only waking can end a wait within a test."""


class Attempts:
    """Counts attempts to connect to a port where nothing listens; each fails at once."""

    def __init__(self, timings: Timings) -> None:
        self.count = 0
        self._next = asyncio.Event()
        self.link = Link(
            BrokerAddress(host=LOOPBACK, port=free_port()),
            "fleet-test",
            random=Random(1),
            timings=timings,
            session=self._never,
            on_down=self._failed,
        )

    async def more(self) -> None:
        """Wait until the next attempt has failed."""
        self._next.clear()
        async with asyncio.timeout(10):
            await self._next.wait()

    def _failed(self, why: str) -> None:
        self.count += 1
        self._next.set()

    @staticmethod
    async def _never(_client: aiomqtt.Client) -> None:
        raise AssertionError("nothing listens there")


@asynccontextmanager
async def attempts(timings: Timings) -> AsyncIterator[Attempts]:
    """A link that tries, once its first attempt has failed."""
    tried = Attempts(timings)
    running_link = asyncio.create_task(tried.link.run())
    try:
        await tried.more()
        yield tried
    finally:
        await end(running_link)
        assert tried.link.state is LinkState.CLOSED


async def until(done: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not done():  # noqa: ASYNC110 - a state has no event
            await asyncio.sleep(0.005)


async def chatter(wake: Callable[[], None], seconds: float) -> None:
    """Announcements without end, far more often than anything may be tried."""
    end_s = asyncio.get_running_loop().time() + seconds
    while asyncio.get_running_loop().time() < end_s:
        wake()
        await asyncio.sleep(0.002)


@asynccontextmanager
async def talking(wake: Callable[[], None]) -> AsyncIterator[None]:
    """Chatter that ends only with the block, so that nothing can wait for its end."""
    task = asyncio.create_task(chatter(wake, math.inf))
    try:
        yield
    finally:
        await end(task)


async def test_a_waiting_link_is_woken_before_its_back_off_ends() -> None:
    async with attempts(HOURS) as tried:
        assert tried.link.state is LinkState.WAITING
        tried.link.wake()
        await tried.more()
        assert tried.count == 2


async def test_without_a_sign_it_waits_its_back_off_out() -> None:
    async with attempts(HOURS) as tried:
        await asyncio.sleep(0.3)
        assert tried.count == 1


async def test_chatter_wakes_once_in_its_interval() -> None:
    timings = Timings(backoff_first_s=7200, backoff_most_s=7200, connect_s=1, early_every_s=7200)
    async with attempts(timings) as tried:
        await chatter(tried.link.wake, 0.5)
        await until(lambda: tried.count >= 2)
        await chatter(tried.link.wake, 0.5)
        assert tried.count == 2, "tried again within the interval"


async def test_chatter_wakes_again_after_each_interval() -> None:
    timings = Timings(backoff_first_s=7200, backoff_most_s=7200, connect_s=1, early_every_s=0.05)
    async with attempts(timings) as tried, talking(tried.link.wake):
        await until(lambda: tried.count >= 4)


def test_unless_told_otherwise_an_early_attempt_comes_at_most_once_a_second() -> None:
    assert Timings().early_every_s == 1.0


async def test_chatter_does_not_postpone_the_attempt_that_is_due() -> None:
    timings = Timings(backoff_first_s=0.1, backoff_most_s=0.1, connect_s=1, early_every_s=7200)
    async with attempts(timings) as tried, talking(tried.link.wake):
        await until(lambda: tried.count >= 5)


@pytest.mark.parametrize("broker", BROKERS)
async def test_what_was_announced_while_the_link_was_up_does_not_wake_it_later(broker: str) -> None:
    async with running(broker) as address:
        relay = Relay(address.port, 1)
        async with relay.listening(), new_driver(BrokerAddress(host=LOOPBACK, port=relay.port), HOURS) as driver:
            await heard(driver, LinkUp)
            driver.wake()
            relay.cut()  # the broker is there all the time: whoever tries is connected
            await heard(driver, LinkDown)
            await asyncio.sleep(0.3)
            with pytest.raises(BrokerDown):
                await driver.census()
            driver.wake()
            await heard(driver, LinkUp)


async def test_a_driver_finds_a_broker_that_came_back_when_it_hears_of_it() -> None:
    port = free_port()
    address = BrokerAddress(host=LOOPBACK, port=port)
    async with new_driver(address, HOURS) as driver:
        await heard(driver, LinkDown)
        async with running("embedded", port):
            driver.wake()
            await heard(driver, LinkUp)


async def test_waking_does_no_harm_at_any_moment() -> None:
    async with running("embedded") as address:
        driver = new_driver(address)
        driver.wake()
        async with driver:
            await heard(driver, LinkUp)
            for _ in range(100):
                driver.wake()
            assert await driver.census() == frozenset()
        driver.wake()
