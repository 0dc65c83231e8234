"""Snapshots that nobody has to ask for: each day at its time, before and after changes, and how long they are kept."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, time, timedelta

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.errors import StoreTrouble
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.services.snapshots_sealed import Proof
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, Ids, begun, boxes, ended, hear_all

MAINS = Asked(kind="apply", scope=Scope(rooms=("weir-hall",), group="mains"))


class Clock:
    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


@asynccontextmanager
async def venue(store: Store, clock: Clock, at: time | None = time(3), kept_days: int = 400) -> AsyncIterator[Services]:
    driver = MemoryDriver(boxes())
    proof = Proof(snapshot_at=at, kept_days=kept_days)
    services = wire(store=store, driver=driver, clock=clock, new_id=Ids(int(clock.now.timestamp())), proof=proof)
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await services.desired.load(FILES, "ines", allow=["older"])
    await hear_all(services, driver)
    yield services
    await services.close()


async def daily(services: Services) -> list[str]:
    """The moments of the daily ones, oldest first, in UTC."""
    return [f"{e.at:%m-%d %H:%M}" for e in reversed(await services.snapshots.entries(50, ("schedule",)))]


async def test_one_is_taken_each_day_on_the_venues_clock_and_once(store: Store) -> None:
    clock = Clock(datetime(2031, 5, 17, 0, 30, tzinfo=UTC))  # half past two in Berlin
    async with venue(store, clock) as services:
        while clock.now < datetime(2031, 5, 19, 12, tzinfo=UTC):
            await services.scheduled_snapshots.tick()
            await services.scheduled_snapshots.tick()
            clock.now += timedelta(minutes=10)
        assert await daily(services) == ["05-17 01:00", "05-18 01:00", "05-19 01:00"]
        (newest, *_) = await services.snapshots.entries()
        assert (newest.taken_by, newest.note, newest.devices) == ("schedule", "daily, at 03:00", 6)


@pytest.mark.parametrize(
    ("first", "at", "wanted"),
    [
        # Europe/Berlin puts its clock forward at 01:00 UTC on 30 March 2031: half past two is not there that day.
        (datetime(2031, 3, 29, tzinfo=UTC), time(2, 30), ["03-29 01:30", "03-30 01:00", "03-31 00:30"]),
        # and back at 01:00 UTC on 26 October 2031: half past two is there twice, and the first one counts.
        (datetime(2031, 10, 25, tzinfo=UTC), time(2, 30), ["10-25 00:30", "10-26 00:30", "10-27 01:30"]),
    ],
)
async def test_clocks_put_forward_and_back(store: Store, first: datetime, at: time, wanted: list[str]) -> None:
    clock = Clock(first)
    async with venue(store, clock, at) as services:
        while clock.now < first + timedelta(days=3):
            await services.scheduled_snapshots.tick()
            clock.now += timedelta(minutes=10)
        assert await daily(services) == wanted


async def test_a_daemon_that_was_off_takes_it_late_and_says_so(store: Store) -> None:
    clock = Clock(datetime(2031, 5, 17, 0, 0, tzinfo=UTC))
    async with venue(store, clock) as services:
        await services.scheduled_snapshots.tick()
        clock.now += timedelta(hours=1)
        await services.scheduled_snapshots.tick()
    clock.now += timedelta(days=2, hours=7)
    async with venue(store, clock) as services:
        for _ in range(3):
            await services.scheduled_snapshots.tick()
        assert await daily(services) == ["05-17 01:00", "05-19 08:00"]
        assert (await services.snapshots.entries())[0].note == "daily, at 03:00, taken late: it was due 2031-05-19"


async def test_a_new_venue_has_no_past_and_no_time_means_none(store: Store) -> None:
    clock = Clock(datetime(2031, 5, 17, 12, tzinfo=UTC))
    async with venue(store, clock) as services:
        await services.scheduled_snapshots.tick()
        assert await daily(services) == []
    async with venue(store, clock, None) as services:
        clock.now += timedelta(days=3)
        await services.scheduled_snapshots.tick()
        assert await daily(services) == []


async def test_one_by_a_clock_that_was_far_ahead_holds_none_up(store: Store) -> None:
    clock = Clock(datetime(2041, 5, 17, 0, 59, tzinfo=UTC))
    async with venue(store, clock) as services:
        await services.scheduled_snapshots.tick()
        clock.now += timedelta(minutes=1)
        await services.scheduled_snapshots.tick()
    clock.now = datetime(2031, 5, 17, 0, 59, tzinfo=UTC)
    async with venue(store, clock) as services:
        await services.scheduled_snapshots.tick()
        clock.now += timedelta(minutes=1)
        await services.scheduled_snapshots.tick()
        assert (await daily(services))[-1] == "05-17 01:00"


async def test_automatic_ones_are_kept_for_so_long_and_those_of_people_always(store: Store) -> None:
    clock = Clock(datetime(2031, 5, 17, 0, 59, tzinfo=UTC))
    async with venue(store, clock, kept_days=30) as services:
        record = await begun(services, MAINS)
        await ended(services, record.id)
        await services.snapshots_of_changes.settled()
        for minute in range(2):
            await services.scheduled_snapshots.tick()
            clock.now += timedelta(minutes=minute + 1)
        mine = await services.snapshots.take("ines", "mine")
        handed = await services.handing_over.gather("foyer", "ines")
        before, after = f"{record.id}-before", f"{record.id}-after"
        await services.snapshots.witness(before, name="Jo", note="", who="ines")
        (scheduled,) = [e.id for e in await services.snapshots.entries(9, ("schedule",))]
        every = {mine.id, handed.snapshot.id, before, after, scheduled}
        assert {e.id for e in await services.snapshots.entries(9, ())} == every
        clock.now += timedelta(days=29)
        await services.scheduled_snapshots.tick()
        assert every <= {e.id for e in await services.snapshots.entries(99, ())}
        clock.now += timedelta(days=2)
        await services.scheduled_snapshots.tick()
        left = {e.id for e in await services.snapshots.entries(99, ())}
        assert every & left == {mine.id, handed.snapshot.id, before}, "the witnessed one stays"
        log = [e.what for e in await services.audit.entries(2)]
        assert "removed 2 automatic snapshots older than 30 days" in log


async def test_a_change_has_one_before_and_one_after_of_its_own_devices(
    services: Services, driver: MemoryDriver
) -> None:
    record = await begun(services, MAINS)
    kept = await ended(services, record.id)
    await services.snapshots_of_changes.settled()
    before, after = [await services.snapshots.get(f"{record.id}-{when}") for when in ("before", "after")]
    assert [r.state.id for r in before.body.devices] == [r.state.id for r in after.body.devices]
    assert {r.state.id for r in after.body.devices} == {d.device for d in record.plan.devices}
    assert (before.body.taken, after.body.taken, after.body.change) == ("before", "after", record.id)
    assert after.body.scope == f"only the devices of change {record.id} (apply weir-hall, group mains)"
    for planned in kept.plan.devices:
        was, is_now = (next(r for r in s.body.devices if r.state.id == planned.device) for s in (before, after))
        assert was.state.moment == planned.expect, "the checkpoint's own reading"
        assert is_now.state.live == driver.devices[planned.device].state().live, "what was read back"
    assert (await services.snapshots.compare(before.id, after.id)).differences
    assert await services.snapshots.entries() == (), "the list is of those that hold everything"
    assert {e.taken for e in await services.snapshots.entries(9, ())} == {"before", "after"}


async def test_a_change_that_was_cancelled_has_none(services: Services, driver: MemoryDriver) -> None:
    record = await begun(services, MAINS)
    await services.changes.cancel(record.id, "ines")
    end = await ended(services, record.id)
    await services.snapshots_of_changes.settled()
    found = [e.taken for e in await services.snapshots.entries(9, ())]
    assert sorted(found) == ([] if end.state == "cancelled" else ["after", "before"])


async def test_a_snapshot_that_cannot_be_stored_stops_no_change(
    services: Services, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def full(_snapshot: object) -> None:
        raise StoreTrouble("no space left")

    monkeypatch.setattr(services.store, "save_snapshot", full)
    record = await begun(services, MAINS)
    assert (await ended(services, record.id)).state == "kept"
    await services.snapshots_of_changes.settled()
    assert "no snapshot before change" in caplog.text
