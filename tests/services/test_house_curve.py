"""The house curve of a room: stored, not too often, recalled, offered again, brought back to earlier moments, told."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.errors import BadInput, NotFound, Refused
from fleet.model.change import ChangeState
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.scope import Scope
from fleet.services.as_of import asked_moment
from fleet.services.deviations import Signed
from fleet.services.planning import Asked
from fleet.services.storing_again import store_again
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.modes_venue import FILES_WITH_MODES
from tests.services.small_venue import (
    DRIVERS,
    FILES,
    FLAT,
    HALL,
    NOON,
    Ids,
    apply,
    begun,
    box,
    ended,
    hear_all,
    store_at,
)

CHOSEN = {"behaviour": "default_slot", "slot": 1, "slot_settable": True}
SLOTS = {
    "count": 8,
    "factory": [1, 2],
    "stores": ["level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass"],
    "store_interval_s": 60,
}
LIFT = ("rise", "half-room", "unmanaged")
BERLIN = ZoneInfo("Europe/Berlin")
QUIETER = {
    **FILES,
    "rooms/weir-hall.yaml": HALL.replace("together: true, level_db: -6", "together: true, level_db: -9"),
}


class Clock:
    """A clock that stands until it is set."""

    now = NOON

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def devices() -> list[MemoryDevice]:
    """Mains that may be stored once a minute and power up in a slot that can be chosen."""
    wearing = [box(name, power_up=CHOSEN, slots=SLOTS) for name in ("box-1", "box-2")]
    return [*wearing, *(box(name) for name in ("box-3", "box-4", "box-5", "box-9"))]


async def opened_at(store: Store, driver: MemoryDriver, clock: Clock, ids: Ids) -> Services:
    services = wire(store=store, driver=driver, clock=clock, new_id=ids)
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await hear_all(services, driver)
    return services


@pytest.fixture
async def services(store: Store, driver: MemoryDriver, clock: Clock):
    services = await opened_at(store, driver, clock, Ids())
    await services.desired.load(FILES, "ines")
    yield services
    await services.close()


def asked(kind: str, **other: object) -> Asked:
    as_of = other.pop("as_of", "")
    return Asked(kind=kind, scope=Scope(rooms=("weir-hall",), **other), as_of=as_of)


async def done(services: Services, what: Asked):
    change = await begun(services, what, allow=LIFT)
    record = await ended(services, change.id)
    assert record.state is ChangeState.KEPT
    return record


def level_db(driver: MemoryDriver, device: str) -> float | None:
    return driver.devices[device].live.outputs[1].level_db


def turn(driver: MemoryDriver, device: str, **settings: object) -> None:
    one = driver.devices[device]
    one.live = DeviceSettings(outputs={1: OutputSettings(**settings)}).over(one.live)
    driver.touched(device)


# store


async def test_a_store_writes_whole_settings_and_a_power_cut_comes_back_right(
    services: Services, driver: MemoryDriver
) -> None:
    await done(services, asked("store"))
    main = driver.devices["box-1"]
    held = main.slots[5]
    assert held.outputs is not None
    assert (held.name, held.outputs[1].level_db, main.live.power_up_slot) == ("warm", -6.0, 5)
    assert [band.frequency_hz for band in held.outputs[1].eq or ()] == [2500]
    main.restart()
    assert (main.active_slot, main.live.outputs[1].eq) == (5, held.outputs[1].eq)


async def test_a_rollback_of_a_store_takes_the_power_up_slot_back(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    driver.devices["box-1"].live = replace(driver.devices["box-1"].live, power_up_slot=1)
    driver.touched("box-1")
    record = await done(services, asked("store"))
    clock.now += timedelta(minutes=2)
    await done(services, Asked(kind="rollback", change=record.id))
    assert driver.devices["box-1"].live.power_up_slot == 1


async def test_a_store_too_soon_is_refused_before_anything_is_staged_with_device_and_time(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    await done(services, asked("store"))
    before = {name: dict(one.slots) for name, one in driver.devices.items()}
    clock.now += timedelta(seconds=59)
    with pytest.raises(Refused) as refusal:
        await begun(services, asked("store", group="mains"))
    assert refusal.value.guards == ("store-too-soon",)
    assert "the slots of box-1 were written at 14:00:00 and may be again from 14:01:00 on" in str(refusal.value)
    assert {name: dict(one.slots) for name, one in driver.devices.items()} == before
    clock.now += timedelta(seconds=1)
    await done(services, asked("store", group="mains"))


async def test_when_slots_were_written_outlives_the_daemon_and_a_rollback_counts(
    tmp_path: Path, devices: list[MemoryDevice], clock: Clock
) -> None:
    ids = Ids()
    driver = DRIVERS[1](devices)
    driver.devices["box-1"].active_slot = 5  # its contents can be read, and so be taken back
    async with store_at(tmp_path) as store:
        services = await opened_at(store, driver, clock, ids)
        await services.desired.load(FILES, "ines")
        record = await done(services, asked("store"))
        await services.close()
    clock.now += timedelta(seconds=50)
    async with store_at(tmp_path) as store:
        services = await opened_at(store, driver, clock, ids)
        plan = await services.changes.plan(Asked(kind="rollback", change=record.id))
        assert [hit.device for hit in plan.guards if hit.guard == "store-too-soon"] == ["box-1"]
        clock.now += timedelta(seconds=20)
        await done(services, Asked(kind="rollback", change=record.id))
        clock.now += timedelta(seconds=50)
        plan = await services.changes.plan(asked("store"))
        assert [hit.device for hit in plan.guards if hit.guard == "store-too-soon"] == ["box-1"]
        await services.close()


async def test_what_others_do_is_never_too_soon(services: Services) -> None:
    await done(services, asked("store"))
    await done(services, apply(group="fills"))
    await done(services, asked("recall"))


async def test_the_time_is_told_with_its_day_where_that_is_another_one(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    clock.now = datetime(2031, 5, 17, 21, 59, 30, 500_000, tzinfo=UTC)  # 23:59:30.5 in Berlin
    await done(services, asked("store"))
    (hit, _) = (await services.changes.plan(asked("store"))).guards
    assert hit.words.endswith("written at 23:59:30 and may be again from 2031-05-18 00:00:31 on")


# recall, and what wants storing again


async def test_after_a_recall_it_is_told_which_slots_want_storing_again(
    services: Services, driver: MemoryDriver
) -> None:
    await done(services, asked("store"))
    fill = driver.devices["box-3"]
    fill.slots[5] = SlotContents(slot=5, name="by hand", outputs={1: replace(FLAT, level_db=-20.0)})
    driver.touched("box-3")
    record = await done(services, asked("recall"))
    assert level_db(driver, "box-3") == -12.0
    again = await store_again(services.lookout, services.desired, record)
    assert again.places == (("weir-hall", "fill"),)
    assert again.words == (
        "the house-curve slot of fill does not hold what it should: `fleet store weir-hall --group fills` "
        "stores it again",
    )
    found = await services.deviations.look("weir-hall", "fill")
    terms = Signed(until="2031-06-30", reason="a trial", owner="Ana", who="ines")
    agreed = await services.deviations.agree("weir-hall", "fill", (), terms, digest=found.digest)
    assert (await store_again(services.lookout, services.desired, record)).places == (), "a store would leave it"
    await services.deviations.end("weir-hall", "fill", (), "ines")
    assert {one.subject for one in agreed} == {"stored"}
    await done(services, asked("store", positions=frozenset({"fill"})))
    assert (await store_again(services.lookout, services.desired, record)).places == ()


# as of a moment


async def test_a_room_comes_back_to_what_it_was_meant_to_be_that_day(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    await done(services, apply())
    clock.now += timedelta(days=3)
    await services.desired.load(QUIETER, "otto")
    await done(services, apply())
    assert [level_db(driver, d) for d in ("box-1", "box-3")] == [-9.0, -12.0]
    record = await done(services, asked("recall", as_of="2031-05-18"))
    assert record.plan.scope == "weir-hall, as of 2031-05-18"
    assert record.plan.notes[0] == "version 1, loaded 2031-05-17 14:00 CEST by ines, was in force"
    assert "`fleet recall weir-hall` brings that back" in record.plan.afterwards[0]
    assert [level_db(driver, d) for d in ("box-1", "box-3")] == [-6.0, -12.0]
    assert not (await services.lookout.differences(rooms=["weir-hall"])).same()
    await done(services, asked("recall"))
    assert level_db(driver, "box-1") == -9.0


async def test_a_change_as_of_a_moment_is_rolled_back_and_tried_like_any_other(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    await done(services, apply())
    clock.now += timedelta(days=3)
    await services.desired.load(QUIETER, "otto")
    await done(services, apply())
    plan = await services.changes.plan(asked("recall", as_of="2031-05-17"))
    change = await services.changes.start(
        asked("recall", as_of="2031-05-17"), digest=plan.digest, who="ines", why="", allow=LIFT, keep_within_s=60
    )
    record = await services.changes.wait(change.id, 20, or_trial=True)
    assert (record.state, level_db(driver, "box-1")) == (ChangeState.ON_TRIAL, -6.0)
    await services.changes.cancel(change.id, "ines")
    assert (await ended(services, change.id)).state is ChangeState.ROLLED_BACK
    assert level_db(driver, "box-1") == -9.0


async def test_a_room_comes_back_to_what_a_snapshot_found(services: Services, driver: MemoryDriver) -> None:
    turn(driver, "box-1", level_db=-17.5, delay_ms=7.0)
    snapshot = await services.snapshots.take("ines")
    await done(services, apply())
    assert level_db(driver, "box-1") == -6.0
    record = await done(services, asked("recall", as_of=snapshot.id))
    assert record.plan.notes[0] == f"snapshot {snapshot.id} was taken 2031-05-17 14:00 CEST by ines"
    live = driver.devices["box-1"].live.outputs[1]
    assert (live.level_db, live.delay_ms) == (-17.5, 7.0)


async def test_what_others_muted_stays_muted(services: Services, driver: MemoryDriver) -> None:
    snapshot = await services.snapshots.take("ines")
    driver.devices["box-3"].mute_causes[1] = ("alarm",)
    turn(driver, "box-3", level_db=-30.0)
    await done(services, asked("recall", as_of=snapshot.id))
    assert (level_db(driver, "box-3"), driver.devices["box-3"].mute_causes[1]) == (-6.0, ("alarm",))


async def test_a_box_put_in_anothers_place_since_gets_its_settings(
    services: Services, driver: MemoryDriver, clock: Clock
) -> None:
    turn(driver, "box-3", level_db=-14.0)
    snapshot = await services.snapshots.take("ines")
    moved = {**FILES, "rooms/foyer.yaml": FILES["rooms/foyer.yaml"].replace("box-5", "box-3")}
    moved["rooms/weir-hall.yaml"] = HALL.replace("box-3", "box-5")
    await services.desired.load(moved, "otto")
    record = await done(services, asked("recall", group="fills", as_of=snapshot.id))
    assert "box-5 (SN-box-5) stands where box-3 (SN-box-3) was then: it gets that one's settings" in record.plan.notes
    assert level_db(driver, "box-5") == -14.0


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        ("2031-05-16", Refused, "no version of the desired state was in force before 2031-05-17 14:00 CEST"),
        ("2031-05-17T13:59", Refused, "in force before 2031-05-17 14:00 CEST"),
        ("2031-05-18", BadInput, "2031-05-18 is still to come"),
        ("2031-02-30", BadInput, "'2031-02-30' is no time"),
        ("2031-05-17T25:00", BadInput, "is no time"),
        ("s-nothing", NotFound, "'s-nothing' is no date, and there is no such snapshot"),
    ],
)
async def test_a_moment_that_is_none_is_refused(
    services: Services, text: str, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words.replace("(", r"\(")):
        await services.changes.plan(asked("recall", as_of=text))


async def test_a_room_that_was_not_there_then_is_refused(services: Services, clock: Clock) -> None:
    clock.now += timedelta(days=1)
    attic = "format: 1\nroom: attic\nname: Attic\npositions: {desk: {device: box-7, level_db: -6}}\n"
    await services.desired.load({**FILES, "rooms/attic.yaml": attic}, "ines")
    with pytest.raises(Refused, match=r"there was no room attic in version 1 of 2031-05-17 14:00 CEST"):
        await services.changes.plan(Asked(kind="recall", scope=Scope(rooms=("attic",)), as_of="2031-05-17"))


async def test_a_moment_goes_with_a_recall_only(services: Services) -> None:
    for kind in ("store", "apply"):
        with pytest.raises(BadInput, match="a moment goes with a recall"):
            await services.changes.plan(asked(kind, as_of="2031-05-17"))


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2031-05-16", datetime(2031, 5, 16, 21, 59, 59, 999_999, tzinfo=UTC)),
        ("2031-03-30", datetime(2031, 3, 30, 21, 59, 59, 999_999, tzinfo=UTC)),  # a day of 23 hours
        ("2030-12-24", datetime(2030, 12, 24, 22, 59, 59, 999_999, tzinfo=UTC)),
        ("2031-05-16T20:30", datetime(2031, 5, 16, 18, 30, tzinfo=UTC)),
        ("2031-05-16T20:30Z", datetime(2031, 5, 16, 20, 30, tzinfo=UTC)),
        ("s-0001", None),
    ],
)
def test_a_date_counts_to_its_end_on_the_venues_clock(text: str, moment: datetime | None) -> None:
    assert asked_moment(text, BERLIN, NOON) == moment


@pytest.mark.parametrize(("text", "words"), [("2031-03-30T02:30", "left out"), ("2030-10-27T02:30", "twice")])
def test_a_time_that_the_venues_clock_has_not_just_once_is_refused(text: str, words: str) -> None:
    with pytest.raises(BadInput, match=rf"--as-of: .*{words}"):
        asked_moment(text, BERLIN, NOON)


# history


async def test_the_history_tells_what_changed_when_and_by_whom_and_the_last_store(
    services: Services, clock: Clock
) -> None:
    assert (await services.history.of_room("weir-hall", 10)).stored is None
    stored = await done(services, asked("store"))
    clock.now += timedelta(days=1)
    await services.desired.load(QUIETER, "otto")
    comment = {**QUIETER, "rooms/weir-hall.yaml": QUIETER["rooms/weir-hall.yaml"] + "# checked\n"}
    await services.desired.load(comment, "otto")
    foyer = {**comment, "rooms/foyer.yaml": FILES["rooms/foyer.yaml"].replace("-10", "-11")}
    await services.desired.load(foyer, "ines")
    told = await services.history.of_room("weir-hall", 10)
    assert told.stored is not None
    assert (told.stored.id, told.recalled, told.more) == (stored.id, None, False)
    assert [(v.version.number, v.version.who) for v in told.versions] == [(2, "otto"), (1, "ines")]
    assert [(c.position, c.words) for c in told.versions[0].changes] == [
        ("main-left", "3 dB quieter than wanted"),
        ("main-right", "3 dB quieter than wanted"),
    ]
    assert [v.version.number for v in (await services.history.of_room("foyer", 10)).versions] == [4, 1]


async def test_a_room_whose_mode_goes_together_with_another_has_a_history_too(services: Services) -> None:
    await services.desired.load(FILES_WITH_MODES, "otto")
    told = await services.history.of_room("weir-hall", 10)
    assert [[c.words for c in v.changes] for v in told.versions] == [
        ["mode combined is new", "mode divided is new", "mode night is new", "mode speech is new"],
        ["first version with this room: 4 positions"],
    ]


async def test_the_history_ends_at_the_limit_and_says_so(services: Services) -> None:
    for level in range(-20, -8):
        text = HALL.replace("fills: {level_db: -12}", f"fills: {{level_db: {level}}}")
        await services.desired.load({**FILES, "rooms/weir-hall.yaml": text}, "ines", allow=["older"])
    told = await services.history.of_room("weir-hall", 3)
    assert ([v.version.number for v in told.versions], told.more) == ([13, 12, 11], True)
    with pytest.raises(NotFound):
        await services.history.of_room("attic", 3)
