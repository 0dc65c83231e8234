"""Writing a checkpoint back to a device on which a stopped daemon has begun to do so, too."""

from __future__ import annotations

from fleet.model.plan import DevicePlan, Phase, Target, Work
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.reconcile.progress import Done, WriteBack
from fleet.reconcile.standing import back_name
from fleet.services.performing import Performer
from tests.services.small_venue import StagingDriver, box, description

BEFORE = DeviceSettings(outputs={1: OutputSettings(level_db=-6.0)})
AFTER = DeviceSettings(outputs={1: OutputSettings(level_db=-3.0)})


async def test_an_earlier_writing_back_is_ended_although_the_device_says_the_change_is_reverted() -> None:
    driver, it = StagingDriver([device := box("box-1")]), description("box-1")
    start = device.moment()
    await driver.prepare(it, "c-1", {Phase.SET: Work(settings=AFTER)}, start, 1)
    await driver.commit(it, "c-1", Phase.SET, start, 1)
    moment = await driver.revert(it, "c-1", 1)
    earlier = back_name("c-1", "1-4")
    await driver.prepare(it, earlier, {Phase.SET: Work(settings=AFTER)}, moment, 1)
    await driver.commit(it, earlier, Phase.SET, moment, 1)
    plan = DevicePlan(
        device="box-1",
        positions=(("hall", "main-left"),),
        expect=start,
        before=Target(live=BEFORE),
        after=Target(live=AFTER),
        quiet=Target(live=AFTER),
        work={Phase.SET: Work(settings=AFTER)},
        undo={Phase.SET: Work(settings=BEFORE)},
        stages=True,
    )
    performer = Performer(driver, "c-1", 2, {"box-1": it})
    event = await performer.perform(WriteBack(device="box-1", turn=4, alone_s=60.0), plan, lambda: True)
    assert event == Done(device="box-1", turn=4, moment=device.moment())
    assert device.live.outputs[1].level_db == -6.0
    assert driver.open == {}
