"""Swaps on devices in memory: muted first and unmuted last, all of it or nothing, undone, and taken up after a kill."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.drivers.protocol import LinkUp, WentOffline
from fleet.errors import BadInput, DeviceRefused, FleetError, Moved, NotFound, Refused, StoreTrouble
from fleet.model.description import Description, PowerUp
from fleet.model.inventory import DeviceStatus
from fleet.model.plan import Phase
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Moment
from fleet.model.swap import Swap, SwapState
from fleet.services.deviations import Signed
from fleet.services.swap_asked import AskedSwap
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.modes_venue import EVERY_GUARD, FILES_WITH_MODES, recall
from tests.services.small_venue import (
    DRIVERS,
    FILES,
    NOON,
    Ids,
    StagingDriver,
    apply,
    begun,
    box,
    boxes,
    end_of,
    hear_all,
    opened,
    sound,
    until,
)

SPARE, DEAD = "box-7", "box-3"
HALL = "rooms/weir-hall.yaml"


class Watching:
    """Keeps what is done to a device, in order, and breaks where it is told to."""

    def __init__(self, driver: MemoryDriver) -> None:
        self.driver = driver
        self.done: list[tuple[str, str]] = []
        self.break_at: tuple[str, Phase] | None = None
        self.for_good = False
        self.before: Any = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.driver, name)

    async def commit(
        self, description: Description, change: str, phase: Phase, expect: Moment, epoch: int, **more: Any
    ) -> Moment:
        if self.before is not None:
            await self.before(description.id, phase)
        if self.break_at == (description.id, phase):
            self.break_at = self.break_at if self.for_good else None
            raise DeviceRefused(description.id, "hardware", "the amplifier does not answer")
        self.done.append((description.id, phase.word))
        return await self.driver.commit(description, change, phase, expect, epoch, **more)


on_both = pytest.mark.parametrize("watching", DRIVERS, ids=lambda kind: kind.name, indirect=True)


@pytest.fixture
def watching(request: pytest.FixtureRequest) -> Watching:
    kind: type[MemoryDriver] = getattr(request, "param", StagingDriver)
    return Watching(kind([*boxes(), box(SPARE)]))


@pytest.fixture
async def services(store: Store, watching: Watching) -> AsyncIterator[Services]:
    services = await opened(store, watching, watching.driver)
    await dies(services, watching.driver, DEAD)
    yield services
    await services.close()


async def dies(services: Services, driver: MemoryDriver, device: str) -> None:
    driver.devices[device].online = False
    services.inventory.hear(WentOffline(device=device))


async def comes_back(services: Services, driver: MemoryDriver, device: str) -> None:
    driver.devices[device].online = True
    services.inventory.take(await driver.read(driver.devices[device].description))


def asked(**other: Any) -> AskedSwap:
    return AskedSwap(**{"position": "fill", "device": SPARE, **other})


async def swapped(services: Services, what: AskedSwap) -> Swap:
    """The swap, at its end."""
    plan = await services.swapping.plan(what)
    begun = await services.swapping.begin(what, digest=plan.digest, who="ines", why="it is dead")
    return await ended(services, begun.id)


async def ended(services: Services, swap: str) -> Swap:
    one = await services.swapping.wait(swap, 30)
    assert one.state.ended
    return one


async def in_mode(services: Services, mode: str) -> None:
    """Bring the hall into a mode, without the box that is dead."""
    record = await begun(services, recall(mode), allow=EVERY_GUARD)
    assert (await end_of(services.changes, record.id)).state == "kept"


def stored_level_db(device: MemoryDevice, slot: int) -> float | None:
    """The level that a slot holds."""
    outputs = device.slots[slot].outputs
    return outputs[1].level_db if outputs is not None else None


def as_before(watching: Watching, before: tuple[Any, ...], swap: Swap) -> None:
    """The spare is as it was; of these devices nobody can tell what an inactive slot held, and that is said."""
    *heard, slots = sound(watching.driver.devices[SPARE])
    assert heard == list(before[:-1])
    changed = [n for n in slots if slots[n] != before[-1][n]]
    said = "the swap but slot 5 of box-7: what it held could not be read." in swap.words
    assert (changed == [5]) is said
    assert changed in ([], [5])


def hall(services: Services) -> str:
    return services.desired.in_force().files[HALL]


def muted(driver: MemoryDriver, device: str) -> bool | None:
    return driver.devices[device].state().output(1).mute


@on_both
async def test_the_spare_is_muted_first_and_unmuted_last(services: Services, watching: Watching) -> None:
    done = await swapped(services, asked())
    assert done.state is SwapState.DONE, done.words
    phases = [phase for device, phase in watching.done if device == SPARE]
    assert phases[0] == "mute"
    assert phases.index("unmute") > max(phases.index(p) for p in ("recall", "set", "store"))
    assert phases.count("unmute") == 1
    spare = watching.driver.devices[SPARE]
    assert not muted(watching.driver, SPARE)
    assert spare.state().output(1).level_db == -12
    assert spare.active_slot == 5
    stored = spare.slots[5].outputs
    assert stored is not None
    assert stored[1].level_db == -12
    assert hall(services) == FILES[HALL].replace("device: box-3", "device: box-7")
    assert (await services.lookout.differences(position="fill", rooms=["weir-hall"])).same()


async def test_the_new_box_holds_the_slots_of_every_mode(services: Services, watching: Watching) -> None:
    """Also where the room is in one of them: a power cut ends in the slot of the room without modes."""
    await services.desired.load(FILES_WITH_MODES, "ines")
    await in_mode(services, "speech")
    done = await swapped(services, asked())
    assert done.words == "weir-hall/fill: box-7 in place of box-3"
    spare = watching.driver.devices[SPARE]
    assert spare.active_slot == 6
    assert [stored_level_db(spare, slot) for slot in (5, 6, 7)] == [-12, -10, -12]


async def test_what_a_box_lacks_that_stores_only_what_is_live_is_said(services: Services, watching: Watching) -> None:
    spare = watching.driver.devices[SPARE]
    spare.description = replace(spare.description, slots=replace(spare.description.slots, store_needs_live=True))
    watching.driver.touched(SPARE)
    await hear_all(services, watching.driver)
    await services.desired.load(FILES_WITH_MODES, "ines")
    await in_mode(services, "speech")
    done = await swapped(services, asked())
    assert done.state is SwapState.DONE, done.words
    assert done.words == (
        "weir-hall/fill: box-7 in place of box-3. It stores only what is live, and so still lacks "
        "slot 5 (`fleet recall weir-hall --mode house`, then `fleet store weir-hall`), "
        "slot 7 (`fleet recall weir-hall --mode combined`, then `fleet store weir-hall`)"
    )
    assert stored_level_db(spare, 6) == -10


async def test_the_new_box_powers_up_in_its_house_curve_slot(services: Services, watching: Watching) -> None:
    spare = watching.driver.devices[SPARE]
    default = PowerUp(behaviour="default_slot", slot=1, slot_settable=True)
    spare.description = replace(spare.description, power_up=default)
    spare.live = replace(spare.live, power_up_slot=1)
    watching.driver.touched(SPARE)
    await hear_all(services, watching.driver)
    assert (await swapped(services, asked())).state is SwapState.DONE
    assert spare.live.power_up_slot == 5


async def test_what_was_agreed_of_the_old_box_is_told_since_the_new_one_is_as_desired(
    services: Services, watching: Watching
) -> None:
    await comes_back(services, watching.driver, DEAD)
    found = await services.deviations.look("weir-hall", "fill", ["level_db"])
    signed = Signed(until="2031-06-30", reason="the row is closed", owner="Ana", who="ines")
    await services.deviations.agree("weir-hall", "fill", ["level_db"], signed, digest=found.digest)
    plan = await services.swapping.plan(asked())
    assert (
        "fill: box-3 alone is left as it is (6 dB louder than wanted; agreed by Ana: the row is closed); "
        "the new one is not"
    ) in plan.notes


async def test_the_old_box_is_retired_and_stays_so_when_it_answers_again(
    services: Services, watching: Watching
) -> None:
    await swapped(services, asked())
    await comes_back(services, watching.driver, DEAD)
    record = services.inventory.known(DEAD).record
    assert record.retired is not None
    assert (record.retired.serial, record.retired.positions) == ("SN-box-3", ("weir-hall/fill",))
    assert services.inventory.statuses(services.desired.bound())[DEAD] is DeviceStatus.RETIRED
    stored = {r.id: r.retired for r in await services.store.devices()}
    assert stored[DEAD] == record.retired


@on_both
async def test_undo_brings_the_old_one_and_its_file_back(services: Services, watching: Watching) -> None:
    await swapped(services, asked())
    with pytest.raises(Refused, match=r"box-3 cannot be put in: .* is missing"):
        await services.swapping.plan(asked(device="", undo=True))
    await comes_back(services, watching.driver, DEAD)
    undone = await swapped(services, asked(device="", undo=True))
    assert undone.state is SwapState.DONE, undone.words
    assert hall(services) == FILES[HALL]
    assert muted(watching.driver, SPARE), "it was still there, so that both would have sounded"
    assert not muted(watching.driver, DEAD)
    assert services.inventory.known(DEAD).record.retired is None
    with pytest.raises(NotFound, match="did not come to weir-hall/fill by a swap"):
        await services.swapping.plan(asked(device="", undo=True))


@on_both
@pytest.mark.parametrize("phase", [Phase.MUTE, Phase.RECALL, Phase.SET, Phase.STORE, Phase.UNMUTE])
async def test_where_a_step_fails_all_is_as_it_was(services: Services, watching: Watching, phase: Phase) -> None:
    before = sound(watching.driver.devices[SPARE])
    watching.break_at = (SPARE, phase)
    swap = await swapped(services, asked())
    assert swap.state is SwapState.TAKEN_BACK, swap.words
    assert "the amplifier does not answer" in swap.words
    assert "All is as it was before the swap" in swap.words
    assert services.desired.in_force().files == FILES
    as_before(watching, before, swap)
    assert services.inventory.known(DEAD).record.retired is None


async def test_what_cannot_be_taken_back_is_told_as_it_stands(services: Services, watching: Watching) -> None:
    watching.break_at, watching.for_good = (SPARE, Phase.UNMUTE), True
    swap = await swapped(services, asked())
    assert swap.state is SwapState.NEEDS_PERSON
    assert "It could not all be taken back" in swap.words
    assert "Now the files name box-3 for weir-hall/fill; box-7 is muted." in swap.words
    assert services.desired.in_force().files == FILES


async def test_the_old_box_may_come_back_in_the_middle(services: Services, watching: Watching) -> None:
    async def before(device: str, phase: Phase) -> None:
        if (device, phase) == (SPARE, Phase.SET):
            watching.before = None
            await comes_back(services, watching.driver, DEAD)

    spare = sound(watching.driver.devices[SPARE])
    watching.before = before
    swap = await swapped(services, asked())
    assert swap.state is SwapState.TAKEN_BACK
    assert "box-3 came back in the middle of the swap and is not muted: both would sound" in swap.words
    assert services.desired.in_force().files == FILES
    as_before(watching, spare, swap)


async def test_an_old_box_that_answers_is_muted_before_the_new_one_sounds(
    services: Services, watching: Watching
) -> None:
    await comes_back(services, watching.driver, DEAD)
    plan = await services.swapping.plan(asked())
    assert "box-3 still answers: it is muted first, so that both do not sound" in plan.notes
    assert (await swapped(services, asked())).state is SwapState.DONE
    assert watching.done.index((DEAD, "mute")) < watching.done.index((SPARE, "unmute"))
    assert muted(watching.driver, DEAD)


async def test_of_a_coherent_set_only_what_differs_is_touched(services: Services, watching: Watching) -> None:
    change = await begun(services, apply(group="mains"))
    await end_of(services.changes, change.id)
    await dies(services, watching.driver, "box-1")
    watching.done.clear()
    assert (await swapped(services, asked(position="main-left"))).state is SwapState.DONE
    assert {device for device, _ in watching.done} == {SPARE}


async def refused(services: Services, what: AskedSwap, kind: type[FleetError] = Refused) -> str:
    with pytest.raises(kind) as refusal:
        await swapped(services, what)
    assert services.desired.in_force().files == FILES
    assert await services.swapping.swaps() == ()
    assert getattr(refusal.value, "remedy", "")
    return str(refusal.value)


async def test_what_speaks_against_a_swap_is_told_with_the_way_out(services: Services, watching: Watching) -> None:
    assert "box-4 serves foyer/desk already. Name a device that is free" in await refused(
        services, asked(device="box-4")
    )
    assert "life safety" in await refused(services, asked(position="horn"))
    assert "life safety" in await refused(services, asked(device="box-9"))
    assert "no device 'box-77'" in await refused(services, asked(device="box-77"), NotFound)
    assert "box-3 serves weir-hall/fill already" in await refused(services, asked(device=DEAD))
    await dies(services, watching.driver, "box-2")
    words = await refused(services, asked(position="main-left"))
    assert "the other members of its coherent set have to take part: " in words
    assert "a set is never left half changed" in words
    await services.holds.hold("weir-hall", "2h", "ana")
    assert "weir-hall is on hold: ana" in await refused(services, asked())
    await services.holds.release("weir-hall")
    await dies(services, watching.driver, SPARE)
    assert "box-7 cannot be put in: box-7 is missing" in await refused(services, asked())


async def test_a_conflicting_spare_is_accepted_first(services: Services, watching: Watching) -> None:
    device = watching.driver.devices[SPARE]
    device.description = box(SPARE, serial="SN-other").description
    services.inventory.take(await watching.driver.read(device.description))
    assert "`fleet accept box-7`" in await refused(services, asked())


async def test_a_spare_is_only_for_the_positions_that_it_is_kept_for(services: Services) -> None:
    spares = "spares: {box-7: {spare_for: [main-left]}}\n"
    files = {**FILES, HALL: FILES[HALL] + spares}
    await services.desired.load(files, "ines")
    with pytest.raises(Refused, match=r"kept as a spare for weir-hall/main-left, not for weir-hall/fill.*spare_for"):
        await services.swapping.plan(asked())
    assert (await services.swapping.plan(asked(position="main-left"))).losses == ()


async def test_a_swap_that_was_shown_is_the_one_that_is_done(services: Services) -> None:
    plan = await services.swapping.plan(asked())
    await services.desired.load({**FILES, HALL: FILES[HALL] + "# edited\n"}, "ana")
    with pytest.raises(Moved):
        await services.swapping.begin(asked(), digest=plan.digest, who="ines", why="")


def lesser() -> MemoryDevice:
    """A smaller box: it stops at -15 dB, has one band, and needs a protective high-pass."""
    made = box(SPARE)
    (output,) = made.description.outputs
    assert output.eq is not None
    less = replace(
        output,
        level_db=replace(output.level_db, max=-15.0),
        passband_hz=(90.0, 18000.0),
        eq=replace(output.eq, bands=1, gain_db=replace(output.eq.gain_db, min=-2.0, max=2.0)),
    )
    made.description = replace(made.description, model="Brae 6", outputs=(less,))
    return made


@pytest.fixture
async def with_lesser(services: Services, watching: Watching) -> Services:
    watching.driver.devices[SPARE] = lesser()
    made = watching.driver.devices[SPARE]
    made.live = DeviceSettings(outputs={1: OutputSettings(level_db=-20.0)}).over(made.live)
    services.inventory.take(await watching.driver.read(made.description))
    await hear_all(services, watching.driver)
    return services


async def test_what_is_lost_by_a_lesser_box_is_told_as_it_is_heard(with_lesser: Services) -> None:
    plan = await with_lesser.swapping.plan(asked())
    said = [(loss.serious, loss.words) for loss in plan.losses]
    assert (True, "cannot reach the level: 3 dB too quiet") in said
    assert (False, "plays from 90 Hz up, the old one from 60 Hz") in said
    assert any("too much at 2.5 kHz" in words and not serious for serious, words in said)
    assert "another model: Brae 6 for Brae 10, whose own sound may differ" in plan.notes
    words = await refused(with_lesser, asked())
    assert "--allow lesser" in words
    allowed = asked(allow=frozenset({"lesser"}))
    assert "Give the last day" in await refused(with_lesser, allowed, BadInput)
    past = asked(allow=frozenset({"lesser"}), until=date(2031, 5, 16))
    with pytest.raises(BadInput, match="2031-05-16 is past"):
        await with_lesser.swapping.plan(past)


async def test_a_lesser_box_stands_in_until_its_day_and_leaves_no_trace_when_undone(
    with_lesser: Services, watching: Watching
) -> None:
    until_day = date(2031, 5, 20)
    swap = await swapped(with_lesser, asked(allow=frozenset({"lesser"}), until=until_day))
    assert swap.state is SwapState.DONE, swap.words
    position = with_lesser.desired.venue().rooms["weir-hall"].positions["fill"]
    assert position.stands_in is not None
    assert (position.stands_in.instead_of, position.stands_in.until) == (DEAD, until_day)
    assert position.fixed.level_db == -15
    assert (await with_lesser.lookout.differences(rooms=["weir-hall"], position="fill")).same()
    (version, *_) = await with_lesser.store.versions()
    assert version.note.endswith("from box-3 to box-7, which may stand in until 2031-05-20")
    found = [f for f in with_lesser.checking.check().findings if f.name == "temporary-swap"]
    assert [(f.severity, f.complaint.text) for f in found] == [
        ("note", "`box-7` stands in for `box-3` until 2031-05-20")
    ]
    await comes_back(with_lesser, watching.driver, DEAD)
    assert (await swapped(with_lesser, asked(device="", undo=True))).state is SwapState.DONE
    assert hall(with_lesser) == FILES[HALL]


async def test_the_box_after_a_stand_in_gets_what_was_meant_first(with_lesser: Services, watching: Watching) -> None:
    await swapped(with_lesser, asked(allow=frozenset({"lesser"}), until=date(2031, 5, 20)))
    watching.driver.devices["box-8"] = box("box-8")
    with_lesser.inventory.take(await watching.driver.read(watching.driver.devices["box-8"].description))
    assert (await swapped(with_lesser, asked(device="box-8"))).state is SwapState.DONE
    position = with_lesser.desired.venue().rooms["weir-hall"].positions["fill"]
    assert (position.device, position.stands_in, position.fixed.level_db) == ("box-8", None, -12)


async def test_what_was_edited_meanwhile_stays_when_a_swap_is_undone(services: Services, watching: Watching) -> None:
    await swapped(services, asked())
    edited = {**services.desired.in_force().files}
    edited[HALL] = edited[HALL].replace("fills: {level_db: -12}", "fills: {level_db: -13}  # softer")
    await services.desired.load(edited, "ana")
    await comes_back(services, watching.driver, DEAD)
    assert (await swapped(services, asked(device="", undo=True))).state is SwapState.DONE
    assert hall(services) == edited[HALL].replace("device: box-7", "device: box-3")


@pytest.mark.parametrize("phase", [Phase.MUTE, Phase.SET, Phase.STORE, Phase.UNMUTE])
async def test_a_daemon_that_is_killed_before_all_is_set_and_stored_undoes_its_swap(
    services: Services, watching: Watching, store: Store, phase: Phase
) -> None:
    """The first life stops dead before a phase of the spare; the next one reads how far it came."""
    before = sound(watching.driver.devices[SPARE])
    dead = False

    async def kill(device: str, at: Phase) -> None:
        nonlocal dead
        if (device, at) == (SPARE, phase) or dead:
            dead = True
            for task in (*services.swapping._tasks.values(), *services.changes._runs._tasks):
                task.cancel()
            raise DeviceRefused(device, "killed")

    watching.before = kill
    plan = await services.swapping.plan(asked())
    swap = await services.swapping.begin(asked(), digest=plan.digest, who="ines", why="")
    await until(lambda: _true(dead and not services.swapping._tasks))
    watching.before = None

    second = await opened_again(store, watching)
    await dies(second, watching.driver, DEAD)
    await second.changes.recover()
    await second.swapping.recover()
    settled = await ended(second, swap.id)
    bound = second.desired.venue().rooms["weir-hall"].positions["fill"].device
    assert settled.state is SwapState.TAKEN_BACK, settled.words
    assert "the daemon stopped in the middle of it" in settled.words
    assert bound == DEAD
    as_before(watching, before, settled)
    await second.close()


@pytest.mark.parametrize("unsaved", [SwapState.UNMUTING, SwapState.DONE])
async def test_a_daemon_that_is_killed_when_all_is_set_and_stored_finishes_its_swap(
    services: Services, watching: Watching, store: Store, monkeypatch: pytest.MonkeyPatch, unsaved: SwapState
) -> None:
    """The first life stops dead before it can note that it came to a step; the next one finds the step's change."""
    save, dead = store.save_swap, False

    async def die(swap: Swap) -> None:
        nonlocal dead
        dead = dead or swap.state is unsaved
        if dead:
            raise StoreTrouble("killed")
        await save(swap)

    monkeypatch.setattr(store, "save_swap", die)
    plan = await services.swapping.plan(asked())
    swap = await services.swapping.begin(asked(), digest=plan.digest, who="ines", why="")
    await services.swapping.wait(swap.id, 30)
    assert dead
    assert muted(watching.driver, SPARE) is (unsaved is SwapState.UNMUTING)
    monkeypatch.undo()

    second = await opened_again(store, watching)
    await dies(second, watching.driver, DEAD)
    await second.changes.recover()
    await second.swapping.recover()
    settled = await ended(second, swap.id)
    assert settled.state is SwapState.DONE, settled.words
    assert second.desired.venue().rooms["weir-hall"].positions["fill"].device == SPARE
    assert (await second.lookout.differences(rooms=["weir-hall"], position="fill")).same()
    assert not muted(watching.driver, SPARE)
    assert second.inventory.known(DEAD).record.retired is not None
    await second.close()


async def opened_again(store: Store, watching: Watching) -> Services:
    """The next life of the daemon, on the same store and devices."""
    services = wire(store=store, driver=watching, clock=lambda: NOON, new_id=Ids(100))  # type: ignore[arg-type]
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    for device in watching.driver.devices.values():
        if device.online:
            services.inventory.take(await watching.driver.read(device.description))
    return services


async def _true(value: bool) -> bool:
    return value
