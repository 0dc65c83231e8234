"""Notices on their way: nothing is lost, nothing is told twice after it arrived, the order is kept."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from fleet.errors import NotDelivered, StoreTrouble
from fleet.model.days import Hours
from fleet.model.difference import Grade
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery, ReceiverRules
from fleet.services.delivering import Delivering
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.services.receivers import Parcel
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, Ids, store_at, until

NIGHT = ReceiverRules(name="caretaker", quiet=Hours(start=time(23), until=time(7)))
EVENING = datetime(2031, 5, 17, 20, 0, tzinfo=UTC)
"""22:00 on the venue's clock."""


@dataclass
class Inbox:
    """A receiver that keeps what it is told, and is away or slow when it should be."""

    rules: ReceiverRules = field(default_factory=lambda: ReceiverRules(name="caretaker"))
    words: str = "an inbox"
    away: bool = False
    answers: asyncio.Event | None = None
    got: list[Parcel] = field(default_factory=list)
    tries: int = 0

    async def deliver(self, parcel: Parcel) -> None:
        self.tries += 1
        if self.answers is not None:
            await self.answers.wait()
        if self.away:
            raise NotDelivered("nobody answers", where=self.rules.name)
        self.got.append(parcel)

    @property
    def words_got(self) -> list[list[str]]:
        return [[n.words for n in parcel.notices] for parcel in self.got]


@dataclass
class Life:
    """One life of the daemon, as far as notices go, on a clock that is put by hand."""

    notices: Notices
    delivering: Delivering
    now: datetime = EVENING

    async def give(self, words: str, grade: Grade | None = None, room: str = "") -> Notice:
        return await self.notices.give(replace(self.notices.about("drift", words, room=room), grade=grade))

    async def after(self, **time_: float) -> None:
        self.now += timedelta(**time_)
        await self.delivering.tick()


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with store_at(tmp_path) as store:
        desired = Desired(store, lambda: EVENING)
        await desired.load(FILES, "ines")
        yield store


async def life(store: Store, *receivers: Inbox, ids: Ids | None = None) -> Life:
    held: list[Life] = []

    def clock() -> datetime:
        return held[0].now if held else EVENING

    numbers = ids or Ids()
    desired = Desired(store, clock)
    await desired.open()
    notices = Notices(store, clock, lambda: numbers("n"))
    delivering = Delivering(store=store, desired=desired, notices=notices, receivers=receivers, clock=clock)
    held.append(Life(notices, delivering))
    return held[0]


async def written_down(store: Store) -> Sequence[str]:
    return sorted(d.notice.words for d in (await store.standing(Delivery)).values())


async def test_a_notice_is_told_once_with_the_venue(store: Store) -> None:
    inbox = Inbox()
    alive = await life(store, inbox)
    notice = await alive.give("box-1 is 3 dB louder than wanted")
    assert await written_down(store) == ["box-1 is 3 dB louder than wanted"], "written down with the notice"
    for _ in range(3):
        await alive.after(seconds=1)
    assert inbox.words_got == [["box-1 is 3 dB louder than wanted"]]
    assert (inbox.got[0].id, inbox.got[0].venue, inbox.got[0].time_zone) == (
        notice.id,
        "Harbour House",
        "Europe/Berlin",
    )
    assert await written_down(store) == []


async def test_only_what_is_wanted_is_told(store: Store) -> None:
    hall = Inbox(ReceiverRules(name="hall", rooms=frozenset({"weir-hall"}), least=Grade.SERIOUS))
    everything = Inbox(ReceiverRules(name="all"))
    alive = await life(store, hall, everything)
    await alive.give("a", Grade.SERIOUS, "weir-hall")
    await alive.give("b", Grade.AUDIBLE, "weir-hall")
    await alive.give("c", Grade.SERIOUS, "foyer")
    await alive.after()
    assert hall.words_got == [["a"]]
    assert everything.words_got == [["a"], ["b"], ["c"]]


async def test_it_is_tried_again_at_growing_distances_and_the_order_is_kept(store: Store) -> None:
    inbox = Inbox(away=True)
    alive = await life(store, inbox)
    await alive.give("first")
    tried_at: list[float] = []
    for second in range(20):
        before = inbox.tries
        await alive.after(seconds=1 if second else 0)
        tried_at += [second] * (inbox.tries - before)
    assert tried_at == [0, 1, 3, 7, 15]
    await alive.give("second")
    inbox.away = False
    await alive.after(minutes=5)
    assert inbox.words_got == [["first"], ["second"]]
    assert {parcel.id for parcel in inbox.got} == {"n-0001", "n-0002"}


async def test_a_restart_loses_nothing_and_repeats_nothing(store: Store) -> None:
    inbox, ids = Inbox(), Ids()
    alive = await life(store, inbox, ids=ids)
    await alive.give("told before")
    await alive.after()
    inbox.away = True
    await alive.give("one")
    await alive.after()
    await alive.give("two")  # and the daemon is killed before anything else
    inbox.away = False
    again = await life(store, inbox, ids=ids)
    await again.give("three")
    await again.after()
    assert inbox.words_got == [["told before"], ["one"], ["two"], ["three"]]
    assert await written_down(store) == []


async def test_a_daemon_that_dies_between_told_and_written_tells_it_again_under_the_same_id(store: Store) -> None:
    inbox = Inbox()
    alive = await life(store, inbox)
    await alive.give("one")
    standing = await store.standing(Delivery)
    await alive.after()
    for key, value in standing.items():
        await store.save_standing(key, value)  # as if it had not been taken back
    await (await life(store, inbox)).after()
    assert [parcel.id for parcel in inbox.got] == ["n-0001", "n-0001"]


class FullDisk:
    """The store, but for what cannot be taken back while the disk is full."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.full = True

    def __getattr__(self, name: str) -> object:
        return getattr(self._store, name)

    async def drop_standing(self, kind: type, key: str) -> None:
        if self.full:
            raise StoreTrouble("the disk is full")
        await self._store.drop_standing(kind, key)


async def test_what_arrived_is_not_told_again_though_the_disk_is_full(store: Store) -> None:
    inbox, disk = Inbox(), FullDisk(store)
    alive = await life(disk, inbox)  # type: ignore[arg-type]
    await alive.give("one")
    for _ in range(3):
        await alive.after(minutes=5)
    assert inbox.words_got == [["one"]]
    disk.full = False
    await alive.after(minutes=5)
    assert inbox.words_got == [["one"]]
    assert await written_down(store) == []


async def test_a_slow_receiver_holds_up_no_other(store: Store) -> None:
    slow, quick = Inbox(ReceiverRules(name="slow"), answers=asyncio.Event()), Inbox(ReceiverRules(name="quick"))
    alive = await life(store, slow, quick)
    for words in ("one", "two"):
        await alive.give(words)
        await alive.after(seconds=1)
    assert quick.words_got == [["one"], ["two"]]
    assert (slow.got, slow.tries) == ([], 1), "it is asked once at a time"
    assert slow.answers is not None
    slow.answers.set()
    await alive.after(seconds=1)
    assert slow.words_got == [["one"], ["two"]]


async def test_closing_leaves_what_was_not_told_for_the_next_life(store: Store) -> None:
    slow = Inbox(answers=asyncio.Event())
    alive = await life(store, slow)
    await alive.give("one")
    await alive.after()
    await alive.delivering.close()
    await alive.after(minutes=5)
    assert slow.tries == 1
    assert await written_down(store) == ["one"]


async def test_quiet_hours_end_with_one_digest_and_what_is_serious_does_not_wait(store: Store) -> None:
    inbox = Inbox(NIGHT)
    alive = await life(store, inbox)
    await alive.after(hours=2)  # midnight
    await alive.give("one")
    await alive.give("dead", Grade.SERIOUS)
    await alive.give("two")
    await alive.after(hours=6)
    assert inbox.words_got == [["dead"]]
    await alive.after(hours=1)  # 07:00
    await alive.give("after")
    await alive.after()
    assert inbox.words_got == [["dead"], ["one", "two"], ["after"]]
    assert inbox.got[1].id.startswith("digest-")


async def test_a_digest_that_fails_is_the_same_the_next_time_over_a_restart(store: Store) -> None:
    inbox = Inbox(NIGHT, away=True)
    ids = Ids()
    alive = await life(store, inbox, ids=ids)
    await alive.after(hours=2)
    await alive.give("one")
    await alive.give("two")
    await alive.after(hours=7)
    assert inbox.tries == 1
    inbox.away = False
    again = await life(store, inbox, ids=ids)
    again.now = alive.now
    await again.give("three")
    await again.after()
    assert inbox.words_got == [["one", "two"], ["three"]]
    assert await written_down(store) == []


async def test_a_night_with_one_notice_is_no_digest(store: Store) -> None:
    inbox = Inbox(NIGHT)
    alive = await life(store, inbox)
    await alive.after(hours=2)
    await alive.give("one")
    await alive.after(hours=7)
    assert [parcel.id for parcel in inbox.got] == ["n-0001"]


async def test_a_digest_is_bounded_and_says_how_many_more_there_were(store: Store) -> None:
    inbox = Inbox(NIGHT)
    alive = await life(store, inbox)
    await alive.after(hours=2)
    for number in range(205):
        await alive.give(str(number))
    await alive.after(hours=7)
    assert (len(inbox.got), len(inbox.got[0].notices), inbox.got[0].more) == (1, 200, 5)

    async def all_taken_back() -> bool:
        await alive.after()
        return await written_down(store) == []

    await until(all_taken_back)
    assert len(inbox.got) == 1


async def test_what_is_a_day_old_is_given_up_and_said(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    inbox = Inbox(away=True)
    alive = await life(store, inbox)
    await alive.give("old")
    await alive.after(hours=23)
    await alive.give("young")
    inbox.away = False
    await alive.after(hours=2)
    assert inbox.words_got == [["young"]]
    assert "notices given up, since caretaker could not be told for a day: 1" in caplog.text
    assert await written_down(store) == []


async def test_who_fails_for_long_is_complained_of_once(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    inbox = Inbox(away=True)
    alive = await life(store, inbox)
    caplog.set_level(logging.INFO)
    await alive.give("one")
    for _ in range(60):
        await alive.after(minutes=1)
    told = [r.message for r in caplog.records if "cannot be told of notices" in r.message]
    assert told == ["caretaker cannot be told of notices since 22:01: caretaker: nobody answers"]
    (state,) = await alive.delivering.states()
    assert (state.waiting, state.for_long, state.why) == (1, True, "caretaker: nobody answers")
    inbox.away = False
    await alive.after(minutes=5)
    assert "caretaker is told of notices again" in caplog.text
    (state,) = await alive.delivering.states()
    assert (state.waiting, state.for_long, state.failing_since) == (0, False, None)
    assert state.last_told == alive.now


async def test_what_waits_for_one_who_is_gone_is_dropped_and_said(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    gone = await life(store, Inbox(ReceiverRules(name="gone"), away=True))
    await gone.give("one")
    inbox = Inbox()
    await (await life(store, inbox)).after()
    assert inbox.got == []
    assert "notices that waited for gone are dropped" in caplog.text
    assert await written_down(store) == []


async def test_a_test_reaches_everybody_at_once_and_is_no_notice(store: Store) -> None:
    there, away = Inbox(NIGHT), Inbox(ReceiverRules(name="away", kinds=frozenset({"power"})), away=True)
    alive = await life(store, there, away)
    await alive.after(hours=2)  # also in quiet hours
    assert await alive.delivering.test() == {"caretaker": "", "away": "away: nobody answers"}
    assert [parcel.test for parcel in there.got] == [True]
    assert await alive.notices.recent() == ()
    assert await written_down(store) == []


async def test_a_fault_of_a_receiver_ends_nothing(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    inbox = Inbox()
    real = inbox.deliver

    async def broken(parcel: Parcel) -> None:
        raise ZeroDivisionError

    inbox.deliver = broken  # type: ignore[method-assign]
    alive = await life(store, inbox)
    await alive.give("one")
    await alive.after()
    inbox.deliver = real  # type: ignore[method-assign]
    await alive.after(seconds=1)
    assert inbox.words_got == [["one"]]
    assert "telling caretaker failed" in caplog.text


async def test_nobody_to_tell_writes_nothing_down(store: Store) -> None:
    alive = await life(store)
    await alive.give("one")
    await alive.after()
    assert await written_down(store) == []
    assert [n.words for n in await alive.notices.recent()] == ["one"]


async def test_the_list_is_picked_by_room_and_kind(store: Store) -> None:
    alive = await life(store)
    for number in range(5):
        await alive.give(f"hall {number}", room="weir-hall")
        await alive.give(f"foyer {number}", room="foyer")
    found = await alive.notices.recent(2, room="weir-hall", kind="drift")
    assert [n.words for n in found] == ["hall 4", "hall 3"]
    assert await alive.notices.recent(kind="power") == ()
