"""Contacts by a virtual clock: a value that stood brings rooms into modes, chatter and strangers do not."""

from __future__ import annotations

import asyncio

import pytest

from fleet.model.selecting import ContactMark
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from tests.services.selecting_venue import EAST, FILES, WEST, Clock, House, house, right_boxes
from tests.services.small_venue import StagingDriver, ended

WALL = "building/partition-1"
OPEN = {"east": ("combined", f"contact {WALL}"), "west": ("combined", f"contact {WALL}")}
CLOSED = {"east": ("house", f"contact {WALL}"), "west": ("house", f"contact {WALL}")}


@pytest.fixture
def clock() -> Clock:
    one = Clock()
    one.at("12:00")
    return one


async def say(hall: House, *values: bytes, every_s: float = 1, kept: bool = False, topic: str = WALL) -> None:
    """The contact says values, and the daemon looks after each, and before the next."""
    for value in values:
        hall.services.contacts.heard(topic, value, kept)
        await hall.tick()
        hall.clock.later(seconds=every_s)
        await hall.tick()


async def wait(hall: House, seconds: float) -> None:
    hall.clock.later(seconds=seconds)
    await hall.tick()


async def recalled(hall: House, room: str, mode: str) -> None:
    plan = await hall.services.changes.plan(Asked(kind="recall", scope=Scope(rooms=(room,)), modes={room: mode}))
    record = await hall.services.changes.begin(plan, who="ines", why="", allow={hit.guard for hit in plan.guards})
    await ended(hall.services, record.id)


async def test_a_value_that_stood_brings_both_rooms_into_their_modes_together(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"open", every_s=2.9)
        await hall.tick()
        assert hall.modes() == {}
        await wait(hall, 0.1)
        assert hall.modes() == OPEN
        assert hall.levels_db() == {"box-1": -12, "box-2": -12, "box-4": -12}
        record = (await hall.services.changes.records())[0]
        assert (record.who, record.why) == (f"contact {WALL}", f"{WALL} says open")
        await say(hall, b" CLOSED\n", every_s=3)
        await hall.tick()
        assert hall.modes() == CLOSED
        assert await hall.changes() == 2
        assert await hall.told() == []


async def test_a_bounce_does_nothing(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"closed", every_s=5)
        await say(hall, b"open", b"closed", every_s=1)
        await wait(hall, 60)
        assert await hall.changes() == 0


async def test_repeated_values_leave_what_a_person_chose(store: Store, clock: Clock) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        await say(hall, b"open", b"open", b"open", b"open", every_s=2)
        assert hall.modes() == OPEN
        await recalled(hall, "east", "day")
        await say(hall, b"open", b"open", b"open", every_s=30)
        assert hall.modes()["east"] == ("day", "ines")
    async with house(store, clock, driver) as hall:  # nor does a restart make them new
        await say(hall, b"open", b"open", every_s=30)
        assert hall.modes()["east"] == ("day", "ines")
        assert await hall.told() == []


async def test_chatter_brings_one_notice_and_no_mode(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, *[b"open", b"closed"] * 30)
        assert hall.modes() == {}
        (notice,) = await hall.notices()
        assert (notice.kind, notice.room) == ("contact", "east")
        assert notice.words == (
            f"the contact {WALL} changed 7 times within a minute; it is left out of account until it has been quiet "
            "for a minute."
        )
        await say(hall, b"open", every_s=59)
        await hall.tick()
        assert hall.modes() == {}
        await wait(hall, 1)
        assert hall.modes() == OPEN
        assert len(await hall.told()) == 1


async def test_unknown_values_are_told_once_each_and_not_without_end(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"half", b"open", b"half", every_s=30)
        assert await hall.told() == [
            f"contact: the contact {WALL} says `half`, for which no mode is given; nothing is done. Known are: open, "
            "closed."
        ]
        await say(hall, b"\x1b[31mred", every_s=30)
        await hall.tick()
        assert "says something that is no value" in (await hall.told())[1]
        await say(hall, *[f"value {n}".encode() for n in range(30)], every_s=30)
        assert len(await hall.told()) == 8


async def test_what_the_broker_kept_is_old_unless_the_contact_chose_last(store: Store, clock: Clock) -> None:
    driver = StagingDriver(right_boxes())
    async with house(store, clock, driver) as hall:
        await say(hall, b"open", kept=True, every_s=5)
        await hall.tick()
        assert hall.modes() == {}  # nobody has ever chosen by this contact
        await say(hall, b"closed", b"open", every_s=5)
        await hall.tick()
        assert hall.modes() == OPEN
    async with house(store, clock, driver) as hall:  # the partition was closed while the daemon was away
        await say(hall, b"closed", kept=True, every_s=5)
        await hall.tick()
        assert hall.modes() == CLOSED
        await recalled(hall, "east", "night")
    async with house(store, clock, driver) as hall:  # now a person has chosen: it is left
        await say(hall, b"open", kept=True, every_s=5)
        await hall.tick()
        assert hall.modes()["east"] == ("night", "ines")
        assert await hall.told() == []


async def test_a_room_on_hold_is_left_alone_told_of_once_and_not_caught_up(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await hall.services.holds.hold("west", "2h", "ines")
        await say(hall, b"open", b"closed", b"open", every_s=30)
        await hall.tick()
        assert hall.modes() == {}
        (notice,) = await hall.notices()
        assert notice.words == (
            f"east was not brought into combined by the contact {WALL}, which says open: west is on hold by ines until "
            "2031-05-20 14:00 CEST."
        )
        assert (notice.kind, notice.way_out) == ("contact", "fleet recall east --mode combined")
        await hall.services.holds.release("west")
        await say(hall, b"open", every_s=60)
        await hall.tick()
        assert hall.modes() == {}
        await say(hall, b"closed", b"open", every_s=30)
        assert hall.modes() == OPEN


async def test_a_dead_box_is_named_and_nothing_is_waited_for(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.off("box-2")
        await say(hall, b"open", every_s=3)
        await hall.tick()
        assert hall.modes() == OPEN
        (notice,) = await hall.notices()
        assert notice.words.startswith(
            f"east was brought into combined by the contact {WALL}, which says open, without right ("
        )
        assert notice.devices == ("box-2",)


async def test_ticks_may_be_far_apart(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        hall.services.contacts.heard(WALL, b"open")
        await wait(hall, 600)
        assert hall.modes() == OPEN


async def test_what_is_heard_before_the_first_tick_counts(store: Store, clock: Clock) -> None:
    await store.save_standing(WALL, ContactMark(topic=WALL, value="closed"))
    async with house(store, clock) as hall:
        hall.services.contacts.heard(WALL, b"closed")
        await wait(hall, 5)
        assert await hall.changes() == 0
        await say(hall, b"open", every_s=3)
        await hall.tick()
        assert hall.modes() == OPEN


async def test_topics_follow_the_files(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        topics: list[frozenset[str]] = []
        hall.services.contacts.follow(topics.append)
        other = EAST.replace(WALL, "building/wall")
        panel = WEST + "contacts: [{topic: building/panel, modes: {a: house, b: combined}}]\n"
        await hall.services.desired.load({**FILES, "rooms/east.yaml": other, "rooms/west.yaml": panel}, "ines")
        await hall.tick()
        assert topics == [frozenset({WALL}), frozenset({"building/wall", "building/panel"})]
        await say(hall, b"open", every_s=10)
        assert hall.modes() == {}
        await say(hall, b"b", every_s=3, topic="building/panel")
        await hall.tick()
        assert {room: mode for room, (mode, _) in hall.modes().items()} == {"east": "combined", "west": "combined"}


async def test_a_button_of_a_panel_that_is_pressed_again_counts_again(store: Store, clock: Clock) -> None:
    panel = EAST.replace("settle_s: 3", "settle_s: 0, repeats: true")
    async with house(store, clock, files={**FILES, "rooms/east.yaml": panel}) as hall:
        await say(hall, b"open", every_s=5)
        assert hall.modes() == OPEN
        await recalled(hall, "east", "day")
        await say(hall, b"open", every_s=5)
        assert hall.modes() == OPEN
        await say(hall, b"open", b"open", every_s=5)
        assert await hall.changes() == 3


async def test_other_topics_and_empty_payloads_are_nothing(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"open", topic="building/other", every_s=5)
        await say(hall, b"", every_s=5)
        await hall.tick()
        assert await hall.changes() == 0
        assert await hall.told() == []


async def test_messages_during_a_recall_are_acted_on_after_it(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"open", every_s=2)
        hall.clock.later(seconds=1)
        ticking = asyncio.create_task(hall.tick())
        while not hall.services.changes.devices_in_change():  # noqa: ASYNC110  # it has no event
            await asyncio.sleep(0)
        hall.services.contacts.heard(WALL, b"closed")
        await ticking
        assert hall.modes() == OPEN
        await wait(hall, 3)
        assert hall.modes() == CLOSED
        assert await hall.told() == []


async def test_where_the_daemon_stops_in_mid_recall_nothing_counts_yet(store: Store, clock: Clock) -> None:
    async with house(store, clock) as hall:
        await say(hall, b"open", every_s=2)
        hall.clock.later(seconds=1)
        hall.services.bringing.close()
        await hall.services.changes.close()
        with pytest.raises(Exception, match="the daemon is stopping"):
            await hall.tick()
        assert await hall.told() == []
        assert not await store.standing(ContactMark)
