"""Writing a checkpoint back to a device on which a stopped daemon has begun to do so, too."""

from __future__ import annotations

from typing import Any

from fleet.model.plan import DevicePlan, Phase, Target, Work
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.reconcile.progress import Done, Event, WriteBack
from fleet.reconcile.standing import back_name
from fleet.services.performing import Performer
from tests.services.small_venue import StagingDriver, box, description

IT = description("box-1")
BEFORE = DeviceSettings(outputs={1: OutputSettings(level_db=-6.0)})
AFTER = DeviceSettings(outputs={1: OutputSettings(level_db=-3.0)})
WORK = {Phase.SET: Work(settings=AFTER)}


class Noting(StagingDriver):
    """Takes down under which names work was prepared."""

    def __init__(self) -> None:
        super().__init__([box("box-1")])
        self.names: list[str] = []

    async def prepare(self, description: Any, change: str, *more: Any) -> None:
        self.names.append(change)
        await super().prepare(description, change, *more)

    async def commit_under(self, change: str) -> None:
        start = self.devices["box-1"].moment()
        await self.prepare(IT, change, WORK, start, 1)
        await self.commit(IT, change, Phase.SET, start, 1)


async def written_back(driver: StagingDriver, *, epoch: int, turn: int) -> Event | None:
    plan = DevicePlan(
        device="box-1",
        positions=(("hall", "main-left"),),
        expect=driver.devices["box-1"].moment(),
        before=Target(live=BEFORE),
        after=Target(live=AFTER),
        quiet=Target(live=AFTER),
        work=WORK,
        undo={Phase.SET: Work(settings=BEFORE)},
        stages=True,
    )
    effect = WriteBack(device="box-1", turn=turn, alone_s=60.0)
    return await Performer(driver, "c-1", epoch, {"box-1": IT}, took=lambda _: None).perform(effect, plan, lambda: True)


async def test_an_earlier_writing_back_is_ended_although_the_device_says_the_change_is_reverted() -> None:
    driver = Noting()
    await driver.commit_under("c-1")
    await driver.revert(IT, "c-1", 1)
    await driver.commit_under(back_name("c-1", "1-4"))
    event = await written_back(driver, epoch=2, turn=4)
    assert event == Done(device="box-1", turn=4, moment=driver.devices["box-1"].moment())
    assert driver.devices["box-1"].live.outputs[1].level_db == -6.0
    assert driver.open == {}


async def test_two_daemons_that_write_back_in_the_same_turn_do_it_under_names_of_their_own() -> None:
    """One that was only staged has left the revision as it was, and the device refuses a name that ended."""
    names = []
    for epoch in (1, 2):
        driver = Noting()
        assert isinstance(await written_back(driver, epoch=epoch, turn=4), Done)
        names += driver.names
    assert len(names) == len(set(names)) == 2
