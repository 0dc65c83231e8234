"""Changes: only the plan that was shown is carried out, all of it or nothing, the journal before everything sent."""

from __future__ import annotations

import asyncio
import functools
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import DeviceRefused, DeviceSilent, Moved, NotFound, Refused, StoreTrouble
from fleet.model.change import ChangeState
from fleet.model.plan import Phase
from fleet.reconcile.progress import Limits
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import (
    DRIVERS,
    NOON,
    Ids,
    StagingDriver,
    all_sound,
    apply,
    begun,
    boxes,
    end_of,
    ended,
    opened,
    sound,
)

SENT = ("prepare", "commit", "keep", "revert", "abort")
"""What the journal must have been told of before; reading changes nothing on a device."""


class Watched:
    """A driver, with something to be done before each call that sends a change to a device."""

    def __init__(self, driver: MemoryDriver, before: Any) -> None:
        self._driver = driver
        self._before = before

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._driver, name)
        if name not in SENT:
            return call

        async def watched(description: Any, *arguments: Any, **named: Any) -> Any:
            await self._before(name, description.id, arguments)
            return await call(description, *arguments, **named)

        return watched


def changes_over(
    services: Services, *, driver: Any = None, store: Any = None, limits: Limits | None = None, start: int = 1
) -> Changes:
    """The service of a daemon that starts anew over the same devices and database."""
    return Changes(
        store=store or services.store,
        driver=driver or services.driver,
        inventory=services.inventory,
        desired=services.desired,
        lookout=services.lookout,
        clock=lambda: NOON,
        new_id=functools.partial(Ids(start), "d"),
        limits=limits,
    )


async def start(changes: Changes, asked: Asked) -> str:
    plan = await changes.plan(asked)
    allow = ("rise", "half-room")
    return (await changes.start(asked, digest=plan.digest, who="ines", why="a test", allow=allow)).id


async def test_after_a_change_nothing_differs(services: Services, driver: MemoryDriver) -> None:
    before = {d: sound(driver.devices[d]) for d in ("box-4", "box-5", "box-9")}
    record = await ended(services, (await begun(services, apply())).id)
    assert record.state == ChangeState.KEPT
    assert [(o.device, o.word) for o in record.outcomes] == [("box-1", "kept"), ("box-2", "kept"), ("box-3", "kept")]
    assert (await services.changes.plan(apply())).empty()
    found = await services.lookout.differences(rooms=["weir-hall"])
    assert [d for d in found.counting() if d.subject == "live"] == []
    assert {d: sound(driver.devices[d]) for d in before} == before, "nothing else was touched"
    story = [(e.device, e.what) for e in await services.changes.story(record.id)]
    assert [what for device, what in story if not device] == [
        *("staging", "committing", "verifying", "committing", "verifying", "keeping", "kept")
    ], "unmuting is a phase of its own, after a read-back"
    assert {d for d, what in story if what == "keep"} == {"box-1", "box-2", "box-3"}


async def test_only_the_plan_that_was_shown_is_carried_out(services: Services, driver: MemoryDriver) -> None:
    plan = await services.changes.plan(apply("foyer"))
    driver.touched("box-4")
    with pytest.raises(Moved, match="moved since"):
        await services.changes.start(apply("foyer"), digest=plan.digest, who="ines", why="")
    assert await services.changes.records() == ()
    assert driver.devices["box-4"].live.outputs[1].level_db == -6


async def test_a_guard_says_how_to_lift_it(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-3"].mute_causes[1] = ("panel",)
    driver.touched("box-3")
    plan = await services.changes.plan(apply())
    with pytest.raises(Refused) as refusal:
        await services.changes.start(apply(), digest=plan.digest, who="ines", why="")
    assert refusal.value.guards == ("rise", "half-room")
    assert "fill is muted and would sound" in refusal.value.what
    assert "--allow rise --allow half-room" in refusal.value.remedy
    with pytest.raises(Refused) as refusal:
        await services.changes.start(apply(), digest=plan.digest, who="ines", why="", allow=["rise"])
    assert refusal.value.guards == ("half-room",)
    assert await services.store.changes() == ()


async def test_unknown_names_and_changes(services: Services) -> None:
    for asked in (apply("attic"), apply(group="tops"), apply(position="bar"), Asked(kind="rollback", change="c-9")):
        with pytest.raises(NotFound):
            await services.changes.plan(asked)
    for call in (services.changes.record, services.changes.story):
        with pytest.raises(NotFound, match="c-9"):
            await call("c-9")


async def test_the_second_change_is_told_who_holds_the_device(store: Store) -> None:
    gate = asyncio.Event()

    async def wait_for_gate(name: str, device: str, _: Any) -> None:
        if name == "commit" and device == "box-3":
            await gate.wait()

    memory = StagingDriver(boxes())
    services = await opened(store, Watched(memory, wait_for_gate), memory)
    first = await begun(services, apply())
    with pytest.raises(
        Refused, match=r"change c-0001 of ines \(weir-hall, (planned|staging|committing)\) holds box-1, box-2"
    ):
        await begun(services, apply(group="mains"))
    other = await ended(services, (await begun(services, apply("foyer"))).id)
    assert other.state == ChangeState.KEPT, "a change elsewhere does not wait"
    gate.set()
    assert (await ended(services, first.id)).state == ChangeState.KEPT
    assert (await services.changes.plan(apply(group="mains"))).empty()


async def test_everything_sent_was_journaled_before(store: Store) -> None:
    seen: list[str] = []
    words = {"prepare": "stage", "keep": "keep", "revert": "revert", "abort": "forget"}

    async def look(name: str, device: str, arguments: tuple[Any, ...]) -> None:
        change = arguments[0]
        record = await store.change(change)
        assert record is not None
        assert not record.state.ended
        step = f"commit {arguments[1].word}" if name == "commit" else words[name]
        journaled = [e.what for e in await store.entries(change) if e.device == device]
        assert journaled[-1] == step or step in journaled
        seen.append(step)

    memory = StagingDriver(boxes())
    services = await opened(store, Watched(memory, look), memory)
    record = await ended(services, (await begun(services, apply(group="mains"))).id)
    assert record.state == ChangeState.KEPT
    assert seen.count("stage") == seen.count("keep") == seen.count("commit set") == 2


@pytest.mark.parametrize("kind", DRIVERS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("at", ["prepare", "commit mute", "commit recall", "commit set", "commit unmute", "keep"])
async def test_whatever_fails_takes_the_whole_scope_back(store: Store, kind: type[MemoryDriver], at: str) -> None:
    async def refuse(name: str, device: str, arguments: tuple[Any, ...]) -> None:
        change, *rest = arguments
        step = f"commit {rest[0].word}" if name == "commit" else name
        if device == "box-2" and step == at and "back" not in change:
            raise DeviceRefused(device, "unsupported", "not today")

    memory = kind(boxes())
    services = await opened(store, Watched(memory, refuse), memory)
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    record = await ended(services, (await begun(services, apply())).id)
    assert record.state == (ChangeState.CANCELLED if at == "prepare" else ChangeState.ROLLED_BACK)
    assert dict(record.culprits) == {"box-2": "refused (unsupported): not today"}
    assert {d: sound(memory.devices[d]) for d in memory.devices} == before
    word = "untouched" if at == "prepare" else "rolled back"
    assert {o.word for o in record.outcomes} == {word}


async def test_a_read_back_that_is_not_as_wanted_takes_all_back(store: Store) -> None:
    async def turn_a_knob(name: str, device: str, arguments: tuple[Any, ...]) -> None:
        if name == "commit" and device == "box-2" and arguments[1] == Phase.SET:
            asyncio.get_running_loop().call_soon(turn)

    def turn() -> None:
        device = memory.devices["box-2"]
        device.live = type(device.live)(input="analogue", panel_locked=False, outputs=device.live.outputs)

    memory = StagingDriver(boxes())
    services = await opened(store, Watched(memory, turn_a_knob), memory)
    hall = (
        services.desired.in_force()
        .files["rooms/weir-hall.yaml"]
        .replace("mains: {together: true,", "mains: {together: true, input: network,")
    )
    await services.desired.load({**services.desired.in_force().files, "rooms/weir-hall.yaml": hall}, "ines")
    for device in ("box-1", "box-2"):
        live = memory.devices[device].live
        memory.devices[device].live = type(live)(input="analogue", panel_locked=False, outputs=live.outputs)
        memory.touched(device)
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    record = await ended(services, (await begun(services, apply(group="mains"))).id)
    assert record.state == ChangeState.ROLLED_BACK
    assert record.culprits["box-2"] == "reads back input is analogue, should be network"
    assert {d: sound(memory.devices[d]) for d in memory.devices} == before


@pytest.mark.parametrize("at", ["prepare", "commit", "keep"])
async def test_cancelling_takes_back_what_was_touched(store: Store, at: str) -> None:
    reached = asyncio.Event()

    async def stop(name: str, device: str, arguments: tuple[Any, ...]) -> None:
        if name == at and device == "box-2" and not reached.is_set():
            reached.set()
            await asyncio.Event().wait()

    memory = StagingDriver(boxes())
    services = await opened(store, Watched(memory, stop), memory)
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    change = (await begun(services, apply())).id
    await reached.wait()
    await services.changes.cancel(change, "jo")
    record = await ended(services, change)
    assert record.state == (ChangeState.CANCELLED if at == "prepare" else ChangeState.ROLLED_BACK)
    assert dict(record.culprits) == {"": "cancelled by jo"}
    assert {d: sound(memory.devices[d]) for d in memory.devices} == before
    with pytest.raises(Refused, match="has ended"):
        await services.changes.cancel(change, "jo")


async def test_a_silent_device_ends_the_change_at_the_deadline(store: Store) -> None:
    async def hang(name: str, device: str, _: Any) -> None:
        if name == "commit" and device == "box-2":
            await asyncio.Event().wait()

    memory = StagingDriver(boxes())
    services = await opened(store, memory)
    changes = changes_over(services, driver=Watched(memory, hang), limits=Limits(committing_s=0.05))
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    record = await end_of(changes, await start(changes, apply()))
    assert record.state == ChangeState.ROLLED_BACK
    assert dict(record.culprits) == {"box-2": "did not answer in time while committing"}
    assert {d: sound(memory.devices[d]) for d in memory.devices} == before


async def test_a_device_that_cannot_be_taken_back_needs_a_person(store: Store) -> None:
    async def die(name: str, device: str, arguments: tuple[Any, ...]) -> None:
        if device == "box-2" and name == "keep":
            memory.devices["box-2"].online = False
            raise DeviceSilent(device)

    memory = MemoryDriver(boxes())
    services = await opened(store, memory)
    limits = Limits(rolling_back_s=0.2, checking_s=0.2)
    changes = changes_over(services, driver=Watched(memory, die), limits=limits)
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    record = await end_of(changes, await start(changes, apply()))
    assert record.state == ChangeState.NEEDS_PERSON
    assert {o.device: o.word for o in record.outcomes} == {
        "box-1": "rolled back",
        "box-2": "needs a person",
        "box-3": "rolled back",
    }
    assert sound(memory.devices["box-1"]) == before["box-1"]


async def test_a_kept_change_is_rolled_back_by_another(services: Services, driver: MemoryDriver) -> None:
    before = all_sound(driver)
    first = await ended(services, (await begun(services, apply())).id)
    asked = Asked(kind="rollback", change=first.id)
    plan = await services.changes.plan(asked)
    assert plan.undoes == first.id
    second = await ended(services, (await begun(services, asked)).id)
    assert second.state == ChangeState.KEPT
    assert all_sound(driver) == before
    assert [r.id for r in await services.changes.records()] == [second.id, first.id]


async def test_storing_writes_the_house_curve_slot(services: Services, driver: MemoryDriver) -> None:
    scope = apply(group="mains").scope
    await ended(services, (await begun(services, apply(group="mains"))).id)
    record = await ended(services, (await begun(services, Asked(kind="store", scope=scope))).id)
    assert record.state == ChangeState.KEPT
    stored = driver.devices["box-1"].slots[5].outputs
    assert stored is not None
    assert stored[1].eq == driver.devices["box-1"].live.outputs[1].eq != ()
    assert driver.devices["box-3"].slots[5].outputs == {1: driver.devices["box-4"].live.outputs[1]}


@pytest.mark.parametrize("first_write", ["begin_change", "journal", "save_change"])
async def test_nothing_is_sent_while_the_journal_cannot_be_written(store: Store, first_write: str) -> None:
    sent = []

    async def note(name: str, device: str, _: Any) -> None:
        sent.append((name, device))

    class Full:
        """The store, once its disk is full."""

        full = True

        def __getattr__(self, name: str) -> Any:
            async def refuse(*_: Any) -> None:
                raise StoreTrouble("the disk is full")

            return refuse if self.full and name == first_write else getattr(store, name)

    memory = StagingDriver(boxes())
    services = await opened(store, memory)
    disk = Full()
    changes = changes_over(services, driver=Watched(memory, note), store=disk)
    if first_write == "begin_change":
        with pytest.raises(StoreTrouble):
            await start(changes, apply())
    else:
        change = await start(changes, apply())
        await changes.wait(change, 0.3)
        with pytest.raises(Refused, match="holds box-1"):
            await start(changes, apply(group="mains"))
        record = await changes.record(change)
        assert not record.state.ended
    assert sent == []
    disk.full = False
    await changes.close()
    again = changes_over(services, start=2)
    await again.recover()
    for record in await again.records():
        assert (await end_of(again, record.id)).state in {ChangeState.CANCELLED, ChangeState.ROLLED_BACK}
    assert (await end_of(again, await start(again, apply()))).state == ChangeState.KEPT


async def test_a_change_that_lost_its_journal_is_taken_back_once_that_works(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.services.runs.AGAIN_AFTER_S", 0.01)

    class Full:
        """The store, its disk full while the devices commit."""

        full = False

        def __getattr__(self, name: str) -> Any:
            async def refuse(*_: Any) -> None:
                raise StoreTrouble("the disk is full")

            return refuse if self.full and name == "journal" else getattr(store, name)

    async def fill(name: str, device: str, _: Any) -> None:
        if name == "commit" and device == "box-2" and not filled:
            filled.append(device)
            disk.full = True
            asyncio.get_running_loop().call_later(0.1, setattr, disk, "full", False)

    disk = Full()
    filled: list[str] = []
    memory = MemoryDriver(boxes())
    services = await opened(store, memory)
    before = {d: sound(memory.devices[d]) for d in memory.devices}
    changes = changes_over(services, driver=Watched(memory, fill), store=disk)
    record = await end_of(changes, await start(changes, apply()))
    assert record.state == ChangeState.ROLLED_BACK
    assert {d: sound(memory.devices[d]) for d in memory.devices} == before
