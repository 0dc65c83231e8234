"""A fresh look: every position is compared or named with the reason, and one device's trouble hides no other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import Described, Nonsense, WentOffline
from fleet.errors import BadInput, DeviceNonsense, NotFound
from fleet.model.description import Description
from fleet.model.state import Reported
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, FOYER, boxes, opened


async def test_every_position_is_compared_or_named(services: Services, driver: MemoryDriver) -> None:
    found = await services.lookout.differences()
    assert [place for place in found.checked if place[0] == "foyer"] == [("foyer", "desk"), ("foyer", "door")]
    assert [(n.position, n.reason) for n in found.not_checked] == [("horn", "life_safety")]
    assert {(d.position, d.setting) for d in found.differences if d.subject == "live" and d.room == "foyer"} == {
        ("desk", "level_db"),
        ("door", "level_db"),
    }


async def test_what_cannot_be_compared_is_named_and_hides_nothing(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-1"].online = False  # known to be alive, and silent when asked
    services.inventory.hear(WentOffline(device="box-2"))
    other = replace(driver.devices["box-3"].description, serial="SN-other")
    services.inventory.hear(Described(device="box-3", description=other))
    found = await services.lookout.differences()
    assert {(n.position, n.reason) for n in found.not_checked} == {
        ("main-left", "unreachable"),
        ("main-right", "missing"),
        ("fill", "conflicting"),
        ("horn", "life_safety"),
    }
    words = {n.position: n.words for n in found.not_checked}
    assert "last seen 2031-05-17 14:00 CEST" in words["main-right"]
    assert "SN-other" in words["fill"]
    assert found.checked == (("foyer", "desk"), ("foyer", "door"))
    assert len(found.differences) == 2


async def test_a_device_that_cannot_be_what_is_desired_is_unsuitable(store: Store) -> None:
    driver = MemoryDriver(boxes())
    services = await opened(store, driver)
    wish = FOYER.replace("desk: {device: box-4, ", "desk: {device: box-4, input: tape, ")
    await services.desired.load({**FILES, "rooms/foyer.yaml": wish}, "ines")
    found = await services.lookout.differences(rooms=["foyer"])
    assert [(n.position, n.reason) for n in found.not_checked] == [("desk", "unsuitable")]
    assert "tape" in found.not_checked[0].words
    assert found.checked == (("foyer", "door"),)


async def test_a_device_that_was_only_announced_is_named(store: Store) -> None:
    driver = MemoryDriver(boxes(["box-4"]))
    services = await opened(store, driver)
    services.inventory.hear(Nonsense(device="box-5", what="garbage"))
    found = await services.lookout.differences(rooms=["foyer"])
    assert [(n.position, n.reason) for n in found.not_checked] == [("door", "missing")]
    assert "has not told what it is" in found.not_checked[0].words


async def test_nonsense_from_one_device_hides_no_other(store: Store) -> None:
    class Babbling(MemoryDriver):
        async def read(self, description: Description) -> Reported:
            if description.id == "box-4":
                raise DeviceNonsense("box-4", "sent a level of nan")
            return await super().read(description)

    services = await opened(store, Babbling(boxes()))
    found = await services.lookout.differences(rooms=["foyer"])
    assert [n.words for n in found.not_checked] == ["box-4: sent a level of nan"]
    assert found.checked == (("foyer", "door"),)


async def test_nothing_is_asked_of_life_safety_devices(store: Store) -> None:
    asked = []

    class Listening(MemoryDriver):
        async def read(self, description: Description) -> Reported:
            asked.append(description.id)
            return await super().read(description)

    services = await opened(store, Listening(boxes()))
    await services.lookout.differences()
    assert sorted(asked) == ["box-1", "box-2", "box-3", "box-4", "box-5"]


async def test_narrowing(services: Services) -> None:
    differences = services.lookout.differences
    assert (await differences(rooms=["weir-hall"], group="mains")).checked == (
        ("weir-hall", "main-left"),
        ("weir-hall", "main-right"),
    )
    assert (await differences(rooms=["weir-hall"], position="fill")).checked == (("weir-hall", "fill"),)
    assert {room for room, _ in (await differences(rooms=["foyer"])).checked} == {"foyer"}
    with pytest.raises(BadInput, match="both given"):
        await differences(rooms=["weir-hall"], group="mains", position="fill")


@pytest.mark.parametrize(
    ("asked", "listed"),
    [
        ({"rooms": ["attic"]}, "foyer, weir-hall"),
        ({"rooms": ["weir-hall"], "group": "tops"}, "fills, mains"),
        ({"rooms": ["foyer"], "group": "tops"}, "none"),
        ({"rooms": ["foyer"], "position": "bar"}, "desk, door"),
    ],
)
async def test_unknown_names_list_the_known_ones(services: Services, asked: dict[str, Any], listed: str) -> None:
    with pytest.raises(NotFound) as error:
        await services.lookout.differences(**asked)
    assert listed in error.value.remedy


async def test_a_glance_asks_nobody(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-4"].online = False
    outlook = services.lookout.glance({"box-4", "box-5", "box-7"})
    assert set(outlook.reported) == {"box-4", "box-5"}, "what it last told counts while nothing says it is gone"
    assert outlook.unreachable == {"box-7": "box-7 was never seen"}
