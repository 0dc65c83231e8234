"""Schedules by a virtual clock: what is due is done once, never over people, and never in silence where it is not."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fleet.errors import DeviceRefused
from fleet.model.description import Description
from fleet.model.guest import GuestSession
from fleet.model.selecting import ScheduleMark
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.services.walk_beginning import AskedWalk
from fleet.store.protocol import Store
from tests.services.selecting_venue import EAST, FILES, TUESDAY, Clock, House, house, right_boxes
from tests.services.small_venue import StagingDriver, ended


@pytest.fixture
def clock() -> Clock:
    return Clock()


async def recalled(hall: House, room: str, mode: str, who: str = "ines") -> None:
    """A person brings a room into a mode."""
    plan = await hall.services.changes.plan(Asked(kind="recall", scope=Scope(rooms=(room,)), modes={room: mode}))
    allow = {hit.guard for hit in plan.guards}
    record = await hall.services.changes.begin(plan, who=who, why="", allow=allow)
    await ended(hall.services, record.id)


async def test_an_entry_brings_its_room_into_its_mode_at_its_time_and_once(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick_at("07:29:59")
        assert hall.modes() == {}
        await hall.tick_at("07:30")
        assert await hall.told() == []
        assert hall.modes() == {"east": ("day", "schedule")}
        record = (await hall.services.changes.records())[0]
        assert (record.who, record.why) == ("schedule", "scheduled for 07:30")
        await hall.tick_at("07:30:01")
        await hall.tick_at("22:00")
        assert hall.modes() == {"east": ("night", "schedule")}
        assert hall.levels_db() == {"box-1": -20, "box-2": -20, "box-4": -10}
        await hall.tick_at("22:10")
        assert await hall.changes() == 2
        assert await hall.told() == []


@pytest.mark.parametrize("minutes", [1, 14])
async def test_however_far_apart_ticks_are_nothing_is_missed(store: Store, clock: Clock, minutes: int) -> None:
    clock.at("00:00", day=23)  # a Friday
    async with house(store, clock) as hall:
        seen = []
        while clock.now < TUESDAY + timedelta(days=7):
            await hall.tick()
            if [*hall.modes().values()][-1:] != seen[-1:]:
                seen += hall.modes().values()
            clock.later(minutes=minutes)
        assert [mode for mode, _ in seen] == ["day", "night", "day", "night"]  # no day at the weekend
        assert await hall.told() == []


async def test_a_mode_that_stands_is_not_recalled_again(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick()
        await recalled(hall, "east", "day")
        await hall.tick_at("07:30")
        assert hall.modes() == {"east": ("day", "ines")}
        assert await hall.changes() == 1
        assert await hall.told() == []


async def test_a_new_schedule_has_no_past(store: Store, clock: Clock) -> None:
    clock.at("07:35")
    async with house(store, clock) as hall:
        await hall.tick()
        assert hall.modes() == {}
        changed = {**FILES, "rooms/east.yaml": EAST.replace('"22:00"', '"07:36"')}
        clock.at("07:40")
        await hall.services.desired.load(changed, "ines", allow=["older"])
        await hall.tick()
        assert hall.modes() == {}
        assert await hall.told() == []


async def test_after_a_stop_the_latest_entry_is_caught_up_within_a_quarter_of_an_hour(
    store: Store, clock: Clock
) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        await hall.tick()
    clock.at("07:45")
    async with house(store, clock, driver) as hall:
        await hall.tick()
        assert hall.modes() == {"east": ("day", "schedule")}
        assert await hall.told() == []


async def test_a_later_one_is_not_and_that_is_told_once_with_the_way_out(store: Store, clock: Clock) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        await hall.tick()
    clock.at("07:45:01")
    for _ in range(2):
        async with house(store, clock, driver) as hall:
            await hall.tick()
            assert hall.modes() == {}
    async with house(store, clock, driver) as hall:
        await hall.tick()
        (notice,) = await hall.notices()
        assert (notice.kind, notice.room) == ("schedule", "east")
        assert notice.words == (
            "east was not brought into day at 07:30 by its schedule: that was missed by more than 15 minutes, so it is "
            "left as it is."
        )
        assert notice.way_out == "fleet recall east --mode day"
        await hall.tick_at("22:00")
        assert hall.modes() == {"east": ("night", "schedule")}


async def test_only_the_latest_of_what_a_week_without_a_daemon_missed_is_told(store: Store, clock: Clock) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        await hall.tick()
    clock.at("12:00", day=27)
    async with house(store, clock, driver) as hall:
        await hall.tick()
        (told,) = await hall.told()
        assert "into day at 07:30" in told


async def test_a_room_on_hold_is_left_alone_told_of_once_and_not_caught_up(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick()
        await hall.services.holds.hold("east", "26h", "ines", "premiere")
        await hall.tick_at("07:30")
        await hall.tick_at("07:31")
        await hall.tick_at("22:00")
        assert hall.modes() == {}
        (notice,) = await hall.notices()
        assert notice.words == (
            "east was not brought into day at 07:30 by its schedule: east is on hold by ines until "
            "2031-05-21 04:00 CEST."
        )
        assert notice.way_out == "fleet recall east --mode day"
        await hall.services.holds.release("east")
        await hall.tick_at("22:05")
        assert hall.modes() == {}
        await hall.tick_at("07:30", day=21)
        assert hall.modes() == {"east": ("day", "schedule")}
        assert len(await hall.told()) == 1


async def test_another_hold_is_another_matter(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick()
        for day in (20, 21):
            clock.at("07:00", day)
            await hall.services.holds.hold("east", "1h", "ines")
            await hall.tick_at("07:30", day)
        assert len(await hall.told()) == 2


async def test_while_a_room_is_walked_or_changed_it_is_left_alone(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick()
        clock.at("07:29")
        walk = await hall.services.walking.begin(AskedWalk(room="east"), "ines")
        await hall.tick_at("07:30")
        assert await hall.told() == [
            "schedule: east was not brought into day at 07:30 by its schedule: ines is walking east."
        ]
        await hall.services.walking.end(walk.id, "ines")
        clock.at("21:59")
        asked = Asked(kind="recall", scope=Scope(rooms=("east",)), modes={"east": "combined"})
        plan = await hall.services.changes.plan(asked)
        record = await hall.services.changes.begin(
            plan, who="ines", why="", allow={h.guard for h in plan.guards}, keep_within_s=600
        )
        await hall.services.changes.wait(record.id, 10, or_trial=True)
        await hall.tick_at("22:00")
        assert hall.modes() == {}
        assert (await hall.told())[1:] == [
            "schedule: east was not brought into night at 22:00 by its schedule: a change is running on box-1 and "
            "box-2."
        ]
        await hall.services.changes.cancel(record.id, "ines")
        await ended(hall.services, record.id)


async def test_it_waits_two_minutes_for_devices_that_are_switched_on_at_that_time(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.off("box-2")
        await hall.tick()
        await hall.tick_at("22:00")
        await hall.tick_at("22:01")
        assert hall.modes() == {}
        hall.on("box-2")
        await hall.tick_at("22:01:01")
        assert hall.modes() == {"east": ("night", "schedule")}
        assert hall.levels_db()["box-2"] == -20
        assert await hall.told() == []


async def test_then_it_goes_on_without_them_and_names_them(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.off("box-2")
        await hall.tick()
        await hall.tick_at("22:00")
        await hall.tick_at("22:01:59")
        assert hall.modes() == {}
        await hall.tick_at("22:02")
        assert hall.modes() == {"east": ("night", "schedule")}
        assert hall.levels_db() == {"box-1": -20, "box-2": -10, "box-4": -10}
        (notice,) = await hall.notices()
        assert notice.words.startswith("east was brought into night at 22:00 by its schedule, without right (box-2 is ")
        assert (notice.positions, notice.devices) == (("east/right",), ("box-2",))
        await hall.tick_at("22:05")
        assert await hall.changes() == 1
        await hall.tick_at("07:30", day=21)
        await hall.tick_at("07:33", day=21)
        assert hall.modes() == {"east": ("day", "schedule")}
        assert len(await hall.notices()) == 1  # a box that stays dead is not named each time
        hall.on("box-2")
        await hall.tick_at("22:00", day=21)
        hall.off("box-2")
        await hall.tick_at("07:30", day=22)
        await hall.tick_at("07:33", day=22)
        assert len(await hall.notices()) == 2


async def test_what_a_person_chooses_while_it_waits_stays(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.off("box-2")
        await hall.tick()
        await hall.tick_at("22:00")
        clock.at("22:01")
        await recalled(hall, "east", "day")
        await hall.tick_at("22:03")
        assert hall.modes() == {"east": ("day", "ines")}


async def test_a_daemon_that_stops_while_it_waits_does_it_afterwards(store: Store, clock: Clock) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        hall.off("box-2")
        await hall.tick()
        await hall.tick_at("22:00")
    clock.at("22:10")
    async with house(store, clock, driver) as hall:
        hall.on("box-2")
        await hall.tick()
        assert hall.modes() == {"east": ("night", "schedule")}


async def test_a_recall_that_fails_is_told_once_with_its_reason_and_the_way_out(store: Store, clock: Clock) -> None:
    class Stubborn(StagingDriver):
        stubborn = False

        async def prepare(self, description: Description, *rest: Any) -> None:
            if self.stubborn:
                raise DeviceRefused(description.id, "bad_request", "ask somebody else")
            await super().prepare(description, *rest)

    driver = Stubborn(right_boxes())
    async with house(store, clock, driver) as hall:
        driver.stubborn = True
        await hall.tick()
        await hall.tick_at("22:00")
        await hall.tick_at("22:01")
        assert hall.modes() == {}
        (notice,) = await hall.notices()
        assert notice.words.startswith(
            "east could not be brought into night at 22:00 by its schedule: the change is cancelled: "
        )
        assert "ask somebody else" in notice.words
        assert notice.way_out == "fleet recall east --mode night"
        await hall.tick_at("22:00", day=21)  # the next day it is another matter
        assert [n.room for n in await hall.notices()] == ["east"] * 2


async def test_rooms_that_go_together_are_recalled_together_or_not_at_all(store: Store, clock: Clock) -> None:
    files = {**FILES, "rooms/east.yaml": EAST.replace("mode: night", "mode: combined")}
    async with house(store, clock, files=files) as hall:
        await hall.tick()
        await hall.services.holds.hold("west", "23h", "ines")
        await hall.tick_at("22:00")
        assert hall.modes() == {}
        assert "west is on hold by ines" in (await hall.told())[0]
        await hall.services.holds.release("west")
        await hall.tick_at("22:00", day=21)
        assert hall.modes() == {"east": ("combined", "schedule"), "west": ("combined", "schedule")}


async def test_a_room_with_a_guest_is_left_alone(store: Store, clock: Clock) -> None:
    until = clock.now + timedelta(hours=23)
    guest = GuestSession(
        id="g-1", room="east", guest="Vale Quartet", who="ines", began=clock.now, until=until, snapshot="s-1"
    )
    await store.save_standing(guest.id, guest)
    async with house(store, clock) as hall:
        await hall.tick()
        await hall.tick_at("22:00")
        assert hall.modes() == {}
        assert await hall.told() == [
            "schedule: east was not brought into night at 22:00 by its schedule: east has a guest, Vale Quartet, until "
            "2031-05-21 01:00 CEST."
        ]


async def test_a_mark_of_a_wrong_clock_and_one_of_a_room_that_is_gone_go(store: Store, clock: Clock) -> None:
    await store.save_standing("east", ScheduleMark(room="east", until=clock.now + timedelta(days=400)))
    await store.save_standing("attic", ScheduleMark(room="attic", until=clock.now))
    async with house(store, clock) as hall:
        await hall.tick()
        assert set(await store.standing(ScheduleMark)) == {"east"}
        await hall.tick_at("07:30")
        assert hall.modes() == {"east": ("day", "schedule")}


async def test_a_clock_that_is_put_back_a_little_does_nothing_twice(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.tick()
        await hall.tick_at("07:30:10")
        await recalled(hall, "east", "combined")
        await hall.tick_at("07:29:50")
        await hall.tick_at("07:30:20")
        assert hall.modes()["east"] == ("combined", "ines")


async def test_without_files_a_tick_does_nothing(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.services.desired.version = None
        await hall.tick()


async def test_over_both_changes_of_the_clock_each_entry_comes_once(store: Store, clock: Clock) -> None:
    """In Berlin clocks go forward at 01:00 UTC on 2031-03-30, and back at 01:00 UTC on 2031-10-26 (IANA, Rule EU)."""
    schedule = 'schedule:\n  - {at: "02:30", mode: night}\n  - {at: "02:45", mode: day}\n'
    east = re.sub(r"schedule:\n.*?(?=contacts)", schedule, EAST, flags=re.DOTALL)
    clock.now = datetime(2031, 3, 29, 12, tzinfo=UTC)
    async with house(store, clock, files={**FILES, "rooms/east.yaml": east}) as hall:
        await hall.tick()
        clock.now = datetime(2031, 3, 30, 0, 59, 59, tzinfo=UTC)
        await hall.tick()
        assert hall.modes() == {}
        clock.now = datetime(2031, 3, 30, 1, 0, tzinfo=UTC)
        await hall.tick()
        assert hall.modes() == {"east": ("day", "schedule")}  # 02:30 and 02:45 are both 03:00 then; the later one holds
        assert await hall.changes() == 1
        await store.save_standing("east", ScheduleMark(room="east", until=datetime(2031, 10, 25, 12, tzinfo=UTC)))
    clock.now = datetime(2031, 10, 26, 0, 0, tzinfo=UTC)
    async with house(store, clock, files={**FILES, "rooms/east.yaml": east}) as hall:
        while clock.now < datetime(2031, 10, 26, 4, 0, tzinfo=UTC):
            await hall.tick()
            clock.later(minutes=7)
        assert await hall.told() == []
        assert await hall.changes() == 3
