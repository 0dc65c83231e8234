"""Changes of coherent sets over a slow network that reorders, loses and doubles messages: kept or rolled back whole."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import Refused
from fleet.model.change import ChangeRecord
from fleet.services.together import Services
from tests.network.relay import CALM, Relay, Weather
from tests.network.venue import (
    FOUND_DB,
    WANTED_DB,
    Witness,
    all_heard,
    begun,
    controlling,
    ended,
    simulated,
    until,
    witnessing,
    write_devices,
)

SLOW = Weather(delay_ms=200, overtake_ms=200)
"""A request and its reply cross the relay four times, so that every answer takes a second and more."""
BAD = Weather(delay_ms=50, overtake_ms=300, lost=0.08, doubled=0.2)


@dataclass
class House:
    """A venue whose controller and devices all reach the broker through one relay, with chances of its own."""

    seed: int
    relay: Relay
    rooms: tuple[str, ...]
    services: Services


async def open_house(stack: AsyncExitStack, folder: Path, broker_port: int, seed: int) -> House:
    rooms = tuple(f"{name}-{seed}" for name in ("north", "south", "east", "west"))
    relay = await stack.enter_async_context(Relay(broker_port, seed).listening())
    await stack.enter_async_context(simulated(relay.port, write_devices(folder, rooms)))
    services = await stack.enter_async_context(controlling(folder, relay.port, rooms))
    return House(seed, relay, rooms, services)


async def apply(house: House, room: str) -> ChangeRecord | Refused:
    try:
        return await ended(house.services, await begun(house.services, room))
    except Refused as refusal:
        return refusal


async def judge(witness: Witness, room: str, result: ChangeRecord | Refused) -> str:
    """How an apply ended, in a word that is true of the room's boxes."""
    if isinstance(result, Refused):
        print(f"{room}: refused, {result}")
        found = await witness.found(room)
        assert {(one.level_db, one.change) for one in found.values()} == {(FOUND_DB, "")}, found
        return "refused"
    if result.state != "kept":
        print(f"{room}: {result.state}, {dict(result.culprits)}")
    return await witness.judge(result, room, old_db=FOUND_DB, new_db=WANTED_DB)


async def all_applied(house: House, witness: Witness, weather: Weather) -> Counter[str]:
    """Apply all rooms at once in this weather; how that ended. What was not kept is kept after it."""
    house.relay.weather = weather
    results = await asyncio.gather(*(apply(house, room) for room in house.rooms))
    house.relay.weather = CALM
    await until("every device is there", all_heard(house.services))
    words = [await judge(witness, room, result) for room, result in zip(house.rooms, results, strict=True)]
    for room, word in zip(house.rooms, words, strict=True):
        if word != "kept":
            assert (await ended(house.services, await begun(house.services, room))).state == "kept"
    return Counter(words)


async def in_weather(
    folder: Path, broker_port: int, weather: Weather, seeds: Iterable[int]
) -> tuple[Counter[str], list[Relay]]:
    """The rooms of one house for each seed, all at once; how their changes ended."""
    async with AsyncExitStack() as stack:
        witness = await stack.enter_async_context(witnessing(broker_port))
        houses = [await open_house(stack, folder / str(seed), broker_port, seed) for seed in seeds]
        counts = await asyncio.gather(*(all_applied(house, witness, weather) for house in houses))
        total = sum(counts, Counter[str]())
        print(f"{sum(total.values())} changes under {weather}: {dict(total)}")
        return total, [house.relay for house in houses]


async def test_a_slow_network_that_reorders_leaves_no_set_half_changed(tmp_path: Path, broker_port: int) -> None:
    total, relays = await in_weather(tmp_path, broker_port, SLOW, seeds=(11, 12, 13))
    print(f"{sum(relay.overtaken for relay in relays)} messages overtook others")
    assert min(relay.overtaken for relay in relays) > 20
    assert set(total) <= {"kept", "rolled back", "cancelled", "refused"}
    assert total["kept"], "nothing was kept: the weather is too bad to show anything"


async def test_lost_doubled_and_late_messages_leave_no_set_half_changed(tmp_path: Path, broker_port: int) -> None:
    total, relays = await in_weather(tmp_path, broker_port, BAD, seeds=(21, 22))
    print(f"{sum(r.lost for r in relays)} messages lost, {sum(r.doubled for r in relays)} doubled")
    assert min(relay.lost for relay in relays) > 10
    assert min(relay.doubled for relay in relays) > 10
    assert total["kept"], "nothing was kept: the weather is too bad to show anything"
