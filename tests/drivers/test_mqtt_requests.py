"""Request and reply without a network: order, limits, repeats; and the arithmetic of uptimes, back-off and slices."""

from __future__ import annotations

import asyncio
import itertools
import json
from functools import partial
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.drivers.mqtt.census import MESSAGES_PER_SLICE, MOST_SHARDS, next_size
from fleet.drivers.mqtt.link import backoff_s
from fleet.drivers.mqtt.requests import MOST_IN_FLIGHT, Requests
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.uptimes import Uptimes
from fleet.drivers.mqtt.wire_requests import Get
from fleet.errors import BrokerDown, DeviceSilent

QUICK = Timings(repeat_after_s=0.05, attempts=2)
NUMBERS = itertools.count()


def get() -> Get:
    return Get(id=f"r-{next(NUMBERS)}", controller="fleet-test")


def reply_to(device: str, payload: bytes) -> bytes:
    result = {"boot_id": "b-1", "revision": 1, "uptime_ms": 5.0}
    return json.dumps(
        {"v": 1, "id": json.loads(payload)["id"], "device": device, "ok": True, "result": result}
    ).encode()


class Air:
    """Counts what is in flight, and answers when the loop comes round again."""

    def __init__(self) -> None:
        self.requests = Requests(self.send, Timings())
        self.flying: dict[str, int] = {}
        self.most = self.most_of_one = 0

    async def send(self, device: str, payload: bytes) -> None:
        self.flying[device] = self.flying.get(device, 0) + 1
        self.most = max(self.most, sum(self.flying.values()))
        self.most_of_one = max(self.most_of_one, self.flying[device])
        asyncio.get_running_loop().call_later(0.001, self.land, device, reply_to(device, payload))

    def land(self, device: str, reply: bytes) -> None:
        self.flying[device] -= 1
        self.requests.heard(reply)


async def test_one_request_a_device_and_fifty_in_all() -> None:
    air = Air()
    await asyncio.gather(*(air.requests.ask(f"box-{n % 80}", get) for n in range(240)))
    assert air.most == MOST_IN_FLIGHT == 50
    assert air.most_of_one == 1


async def test_a_request_is_built_when_its_turn_comes() -> None:
    air = Air()
    order: list[str] = []

    def build(name: str) -> Get:
        order.append(f"{name} {air.flying.get('box-1', 0)}")
        return get()

    await asyncio.gather(*(air.requests.ask("box-1", partial(build, name)) for name in "abc"))
    assert order == ["a 0", "b 0", "c 0"]


async def test_silence_is_told_after_the_last_repeat() -> None:
    sent: list[bytes] = []

    async def send(device: str, payload: bytes) -> None:
        sent.append(payload)

    with pytest.raises(DeviceSilent, match=r"box-1 did not answer within 0\.1 s"):
        await Requests(send, QUICK).ask("box-1", get)
    assert len(sent) == 2
    assert sent[0] == sent[1]


async def test_a_link_that_breaks_between_repeats_is_ridden_out_or_named() -> None:
    state = {"down": False}

    async def send(device: str, payload: bytes) -> None:
        if state["down"]:
            raise BrokerDown("no connection")
        state["down"] = True

    requests = Requests(send, QUICK)
    with pytest.raises(BrokerDown):
        await requests.ask("box-1", get)
    with pytest.raises(BrokerDown):
        await requests.ask("box-1", get)


async def test_a_cancelled_request_leaves_its_device_free() -> None:
    async def send(device: str, payload: bytes) -> None:
        if len(sent) == 1:
            requests.heard(reply_to(device, payload))
        sent.append(payload)

    sent: list[bytes] = []
    requests = Requests(send, Timings())
    first = asyncio.create_task(requests.ask("box-1", get))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert len(sent) == 1
    first.cancel()
    await asyncio.wait({first})
    assert (await requests.ask("box-1", get)).device == "box-1"


def test_uptimes_belong_to_a_boot() -> None:
    now = 100.0
    uptimes = Uptimes(lambda: now)
    assert uptimes.in_future("box-1", 3) is None
    uptimes.learn("box-1", "b-1", 7000)
    assert uptimes.in_future("box-1", 3) == 10_000
    uptimes.booted("box-1", "b-1")
    assert uptimes.in_future("box-1", 0) == 7000
    uptimes.booted("box-1", "b-2")
    assert uptimes.in_future("box-1", 0) is None


@given(st.integers(0, 10_000), st.integers())
def test_back_off_grows_to_a_cap_with_half_of_it_as_jitter(failures: int, seed: int) -> None:
    timings = Timings(backoff_first_s=0.25, backoff_most_s=15)
    most = min(15, 0.25 * 2 ** min(failures, 20))
    assert most / 2 <= backoff_s(failures, timings, Random(seed)) <= most


@given(st.integers(1, MOST_SHARDS), st.integers(0, 100_000))
def test_slices_stay_far_below_a_broker_s_queue(size: int, heard: int) -> None:
    following = next_size(size, heard)
    assert 1 <= following <= MOST_SHARDS
    if following > 1:
        assert heard / size * following <= max(MESSAGES_PER_SLICE, heard / 2 + heard / size)
