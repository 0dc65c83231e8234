"""Taking over: the epoch rises above the highest that devices know, and not without need."""

from __future__ import annotations

import logging

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BrokerDown
from fleet.model.change import ChangeState
from fleet.services.takeover import HIGHEST_EPOCH
from fleet.services.together import Services
from tests.services.small_venue import apply, begun, ended, hear_all


async def test_nothing_to_do_where_no_device_knows_a_higher_one(services: Services) -> None:
    before = await services.store.epoch()
    found = await services.take_over.take("ines")
    assert (dict(found.above), found.wanted, found.answered) == ({}, before, 5), "the horn serves life safety"
    assert await services.store.epoch() == before


async def test_a_refused_change_names_the_command_which_then_lets_it_through(
    services: Services, driver: MemoryDriver, caplog: pytest.LogCaptureFixture
) -> None:
    for device, epoch in (("box-2", 40), ("box-4", 7)):
        driver.devices[device].epoch = epoch
    refused = await ended(services, (await begun(services, apply())).id)
    assert refused.state is ChangeState.CANCELLED
    assert "stale_epoch" in refused.culprits["box-2"]
    assert "`fleet take-over`" in refused.culprits["box-2"]
    with caplog.at_level(logging.WARNING):
        found = await services.take_over.take("ines")
    assert dict(found.above) == {"box-2": 40, "box-4": 7}
    assert await services.store.epoch() == found.wanted == 41
    assert "ines took over: epoch 41" in caplog.text
    assert (await ended(services, (await begun(services, apply())).id)).state is ChangeState.KEPT
    assert dict((await services.take_over.take("ines")).above) == {}
    assert await services.store.epoch() == 41


async def test_looking_changes_nothing(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-2"].epoch = 40
    before = await services.store.epoch()
    assert (await services.take_over.look()).wanted == 41
    assert await services.store.epoch() == before


async def test_what_does_not_answer_is_named_and_what_it_last_told_counts(
    services: Services, driver: MemoryDriver
) -> None:
    driver.devices["box-2"].epoch = 40
    driver.touched("box-2")
    await hear_all(services, driver)
    driver.devices["box-2"].online = False
    driver.devices["box-3"].epoch = 9
    found = await services.take_over.take("ines")
    assert dict(found.above) == {"box-2": 40, "box-3": 9}
    assert dict(found.unsure) == {"box-2": "box-2 did not answer in time"}
    assert (found.answered, await services.store.epoch()) == (4, 41)


async def test_life_safety_is_sent_nothing_and_what_it_told_counts(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-9"].epoch = 12
    assert dict((await services.take_over.look()).above) == {}, "it was not asked"
    driver.touched("box-9")
    await hear_all(services, driver)
    assert dict((await services.take_over.look()).above) == {"box-9": 12}


async def test_a_device_that_lies_about_its_epoch_is_named_and_not_believed(
    services: Services, driver: MemoryDriver
) -> None:
    driver.devices["box-2"].epoch = HIGHEST_EPOCH
    driver.devices["box-3"].epoch = 5
    found = await services.take_over.take("ines")
    assert (dict(found.above), await services.store.epoch()) == ({"box-3": 5}, 6)
    assert "which no database reaches" in found.unsure["box-2"]


async def test_without_a_link_nothing_is_known(services: Services) -> None:
    services.inventory.link_trouble = "no broker"
    with pytest.raises(BrokerDown, match="no broker"):
        await services.take_over.take("ines")
