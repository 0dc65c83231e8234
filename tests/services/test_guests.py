"""Guest sessions: what stands still meanwhile, how the room is left, and how it comes back. Over days and restarts."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.errors import BadInput, Moved, NotFound, Refused
from fleet.model.change import ChangeRecord
from fleet.model.guest import GuestSession
from fleet.model.standing import OperatorLevel, RoomMode
from fleet.reconcile.scope import Scope
from fleet.services.binding import AskedBinding
from fleet.services.guests import AskedGuest
from fleet.services.planning import Asked
from fleet.services.walk_beginning import AskedWalk
from fleet.store.protocol import Store
from tests.services.guest_scene import ALLOW, Scene, a_scene
from tests.services.modes_venue import FILES_WITH_MODES
from tests.services.small_venue import all_sound, apply, box, end_of, hear_all

VISITORS = AskedGuest(room="weir-hall", guest="Visiting company", until="23:30", who="ines", ceiling_db=-3)
EVENING = datetime(2031, 5, 17, 21, 30, tzinfo=UTC)


@pytest.fixture
async def scene(store: Store) -> AsyncIterator[Scene]:
    async with a_scene(store) as scene:
        yield scene


async def session_of(scene: Scene) -> GuestSession:
    return (await scene.services.guests.sessions())[-1]


async def put_back(scene: Scene, allow: tuple[str, ...] = ALLOW) -> ChangeRecord:
    plan = await scene.services.guests.plan_put_back("weir-hall")
    record = await scene.services.guests.put_back("weir-hall", digest=plan.digest, who="ines", why="", allow=allow)
    record = await end_of(scene.services.changes, record.id)
    await hear_all(scene.services, scene.driver)
    await scene.wait()
    return record


async def test_a_guest_who_changes_nothing_leaves_nothing_to_be_done(scene: Scene) -> None:
    began = await scene.services.guests.begin(VISITORS)
    assert (began.until, began.state, began.unread) == (EVENING, "running", ())
    assert (await scene.services.snapshots.get(began.snapshot)).body.note == "before Visiting company in weir-hall"
    scene.now = EVENING
    for _ in range(3):
        await scene.wait(minutes=10)
    (notice,) = await scene.notices("guest")
    assert notice.words == ("The guest session of Visiting company in weir-hall has ended: all is as it was before.")
    assert (notice.way_out, (await session_of(scene)).state) == ("", "closed")


async def test_what_a_guest_left_is_offered_to_be_put_back_and_never_put_back_by_itself(scene: Scene) -> None:
    before = all_sound(scene.driver)
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-1", level_db=-4.0, delay_ms=7.0)
    await scene.at_desk("box-3", eq=(), polarity="inverted")
    await scene.restart()
    scene.now = EVENING
    await scene.wait()
    left = all_sound(scene.driver)
    await scene.restart()
    await scene.wait(hours=1)
    (notice,) = await scene.notices("guest")
    assert notice.words == (
        "The guest session of Visiting company in weir-hall has ended: 2 positions are not as before "
        "(fill and main-left), and can be put back."
    )
    assert (notice.positions, notice.devices) == (("fill", "main-left"), ("box-1", "box-3"))
    assert notice.way_out == "fleet guest weir-hall --put-back"
    assert all_sound(scene.driver) == left, "it was put back by itself"
    assert (await put_back(scene)).state == "kept"
    assert all_sound(scene.driver) == before
    assert (await session_of(scene)).state == "closed"
    assert len(await scene.notices("guest")) == 1


async def test_while_the_guest_is_there_changes_ask_and_nothing_runs_by_itself(scene: Scene) -> None:
    guests = scene.services.guests
    assert (guests.blocked("weir-hall"), guests.quiet("weir-hall")) == ("", "")
    await guests.begin(VISITORS)
    assert guests.blocked("weir-hall") == guests.quiet("weir-hall") == "Visiting company is the guest there"
    assert (guests.blocked("foyer"), guests.quiet("foyer")) == ("", "")
    await scene.at_desk("box-3", level_db=-20.0)
    plan = await scene.services.changes.plan(apply())
    assert [(h.guard, h.words) for h in plan.guards if h.guard == "guest"] == [
        ("guest", "weir-hall has a guest: Visiting company, until 2031-05-17 23:30 CEST")
    ]
    with pytest.raises(Refused, match="Visiting company") as refused:
        await scene.services.changes.begin(plan, who="ines", why="", allow=ALLOW)
    assert refused.value.guards == ("guest",)
    await scene.carry_out(plan, (*ALLOW, "guest"))
    foyer = await scene.services.changes.plan(apply("foyer"))
    assert "guest" not in [h.guard for h in foyer.guards]


async def test_a_hold_wins_over_a_guest(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.services.holds.hold("weir-hall", "14h", "ana", "show")
    scene.now = EVENING
    await scene.wait()
    plan = await scene.services.guests.plan_put_back("weir-hall")
    with pytest.raises(Refused, match="weir-hall is on hold: ana"):
        await scene.services.guests.put_back(
            "weir-hall", digest=plan.digest, who="ines", why="", allow=(*ALLOW, "guest", "hold")
        )
    await scene.services.holds.release("weir-hall")
    assert (await put_back(scene)).state == "kept"


async def test_levels_above_the_ceiling_are_told_once_for_each_position_while_they_last(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-1.0)
    for _ in range(3):
        await scene.wait(minutes=10)
    await scene.restart()
    await scene.at_desk("box-3", level_db=0.0)
    await scene.wait(minutes=10)
    (notice,) = await scene.notices("guest")
    assert notice.words == (
        "fill in weir-hall is at -1 dB, above the ceiling of -3 dB for Visiting company: a desk or a panel made it so."
    )
    assert (notice.positions, notice.devices) == (("fill",), ("box-3",))
    await scene.power("box-3", on=False)
    await scene.wait(minutes=1)
    await scene.power("box-3", on=True)
    await scene.wait(minutes=1)
    assert len(await scene.notices("guest")) == 1, "it is still the same"
    await scene.at_desk("box-3", level_db=-12.0)
    await scene.wait(minutes=1)
    await scene.at_desk("box-3", level_db=-2.0)
    await scene.at_desk("box-1", level_db=-2.5)
    await scene.wait(minutes=1)
    assert [n.positions for n in await scene.notices("guest")] == [("fill",), ("fill",), ("main-left",)]


async def test_what_was_above_the_ceiling_before_the_guest_is_not_the_guest_s_doing(scene: Scene) -> None:
    began = await scene.services.guests.begin(replace(VISITORS, ceiling_db=-8.0))
    assert began.above == ("main-left", "main-right")
    await scene.wait(minutes=1)
    assert await scene.notices("guest") == []


async def test_this_tool_raises_nothing_above_the_ceiling_of_a_guest(scene: Scene) -> None:
    await scene.at_desk("box-3", level_db=-30.0)
    await scene.services.guests.begin(replace(VISITORS, ceiling_db=-14.0))
    plan = await scene.services.changes.plan(apply(position="fill"))
    assert any(h.guard == "ceiling" and not h.may_allow for h in plan.guards)


async def test_boxes_that_are_off_at_the_end_are_named_and_the_offer_waits_for_them(scene: Scene) -> None:
    before = all_sound(scene.driver)
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-1", level_db=-10.0)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.power("box-3", on=False)
    scene.now = EVENING
    await scene.wait()
    (ended,) = await scene.notices("guest")
    assert ended.words == (
        "The guest session of Visiting company in weir-hall has ended: 1 position is not as before (main-left), and "
        "can be put back; fill could not be compared, since boxes are off, and can be put back once these are back."
    )
    record = await put_back(scene)
    assert [(x.position, x.unable) for x in record.plan.left_out] == [("fill", True)]
    assert scene.level_db("box-1") == -6.0
    session = await session_of(scene)
    assert (session.state, session.apart, session.away) == ("to put back", (), ("fill",))
    await scene.restart()
    await scene.wait(hours=10)
    assert len(await scene.notices("guest")) == 1
    await scene.power("box-3", on=True)
    for _ in range(3):
        await scene.wait(minutes=1)
    back = (await scene.notices("guest"))[1:]
    assert [n.words for n in back] == [
        "What was off after Visiting company in weir-hall is back (fill): 1 position is not as before (fill), and can "
        "be put back."
    ]
    await put_back(scene)
    assert all_sound(scene.driver) == before
    assert (await session_of(scene)).state == "closed"


async def test_a_box_that_is_back_as_it_was_closes_the_offer(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.power("box-3", on=False)
    scene.now = EVENING
    await scene.wait()
    assert (await session_of(scene)).state == "to put back"
    await scene.power("box-3", on=True)
    await scene.wait(minutes=1)
    first, second = await scene.notices("guest")
    assert "has ended: what could be compared is as it was before; fill could not be compared" in first.words
    assert second.words.endswith("is back (fill), and all is as it was before.")
    assert (await session_of(scene)).state == "closed"


async def test_a_dead_member_of_a_coherent_set_lets_the_others_wait_too(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-1", level_db=-10.0)
    await scene.power("box-2", on=False)
    scene.now = EVENING
    await scene.wait()
    session = await session_of(scene)
    assert (session.apart, session.away) == ((), ("main-left", "main-right"))
    await scene.power("box-2", on=True)
    await scene.wait(minutes=1)
    assert ((await session_of(scene)).apart, (await session_of(scene)).away) == (("main-left",), ())


async def test_a_box_that_was_off_before_the_guest_is_named_and_left_as_it_is(scene: Scene) -> None:
    await scene.power("box-3", on=False)
    began = await scene.services.guests.begin(VISITORS)
    assert began.unread == ("fill",)
    await scene.power("box-3", on=True)
    await scene.at_desk("box-1", level_db=-10.0)
    scene.now = EVENING
    await scene.wait()
    plan = await scene.services.guests.plan_put_back("weir-hall")
    assert [x.words for x in plan.left_out] == ["nothing was read of box-3 then, or it was not here"]
    await put_back(scene)
    assert (await session_of(scene)).state == "closed"


async def test_the_mode_and_the_chosen_levels_that_stood_come_back(scene: Scene) -> None:
    chosen = OperatorLevel(
        room="weir-hall", position="fill", level_db=-12.0, at=scene.now, who="a wall panel", change="c-77"
    )
    speech = RoomMode(room="weir-hall", mode="speech", since=scene.now, who="ben")
    await scene.services.desired.load(FILES_WITH_MODES, "ines")
    await scene.store.save_standing(chosen.key, chosen)
    await scene.store.save_standing("weir-hall", speech)
    await scene.restart()
    await scene.services.guests.begin(VISITORS)
    later = replace(chosen, level_db=-20.0, who="Visiting company")
    await scene.store.save_standing(later.key, later)
    await scene.store.save_standing("weir-hall", replace(speech, mode="house"))
    await scene.restart()
    scene.now = EVENING
    await scene.wait()
    (notice,) = await scene.notices("guest")
    assert "the room was in mode speech and other levels were chosen for fill, and can be put back" in notice.words
    await put_back(scene)
    assert (await scene.store.standing(RoomMode))["weir-hall"].mode == "speech"
    assert scene.services.desired.modes["weir-hall"].mode == "speech"
    assert (await scene.store.standing(OperatorLevel))["weir-hall/fill"] == chosen
    assert (await session_of(scene)).state == "closed"


async def test_a_mode_of_several_rooms_is_not_brought_back_for_one_of_them(scene: Scene) -> None:
    combined = RoomMode(room="weir-hall", mode="combined", since=scene.now, who="ben")
    await scene.services.desired.load(FILES_WITH_MODES, "ines")
    await scene.store.save_standing("weir-hall", combined)
    await scene.restart()
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.store.save_standing("weir-hall", replace(combined, mode="house"))
    await scene.restart()
    await scene.services.guests.end("weir-hall", "ines")
    assert (await scene.notices("guest"))[0].words.endswith("and can be put back; not put back by that: mode combined.")
    plan = await scene.services.guests.plan_put_back("weir-hall")
    assert plan.notes == (
        "the room was in mode combined and stays in house: `fleet recall weir-hall --mode combined` brings all its "
        "rooms there",
    )
    assert (plan.was.modes, plan.then.modes) == ({}, {})


async def test_what_cannot_be_put_back_by_itself_is_said(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    box = scene.driver.devices["box-3"]
    box.live = replace(box.live, panel_locked=True)
    await scene.told("box-3")
    scene.now = EVENING
    await scene.wait()
    (notice,) = await scene.notices("guest")
    assert notice.words.endswith("all is as it was before; not put back by that: the panel lock of box-3.")


async def test_a_box_put_in_anothers_place_meanwhile_is_compared_with_that_one(scene: Scene) -> None:
    scene.driver.devices["box-7"] = box("box-7")
    await scene.told("box-7")
    await scene.services.guests.begin(VISITORS)
    asked = AskedBinding(position="weir-hall/fill", device="box-7")
    await scene.services.binding.bind(asked, "otto")
    await scene.services.guests.end("weir-hall", "ines")
    assert ((await session_of(scene)).state, (await session_of(scene)).apart) == ("to put back", ("fill",))
    assert (await put_back(scene)).state == "kept"
    assert scene.level_db("box-7") == scene.level_db("box-3") == -12


async def test_what_cannot_be_compared_is_never_called_as_before(scene: Scene) -> None:
    """A box of another model is in the place by now."""
    scene.driver.devices["box-7"] = box("box-7", model="Tarn 8")
    await scene.told("box-7")
    await scene.services.guests.begin(VISITORS)
    await scene.services.binding.bind(AskedBinding(position="weir-hall/fill", device="box-7"), "otto")
    session = await scene.services.guests.end("weir-hall", "ines")
    assert (session.state, session.apart) == ("closed", ())
    assert session.not_compared == ("fill (box-7 is a Tarn 8; a Brae 10 was there then)",)
    (notice,) = await scene.notices("guest")
    assert "what could be compared is as it was before; not compared: fill (box-7" in notice.words


async def test_a_session_can_be_ended_by_hand_and_an_offer_turned_down(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    session = await scene.services.guests.end("weir-hall", "ben")
    assert (session.state, session.ended_by, session.apart) == ("to put back", "ben", ("fill",))
    assert scene.services.guests.blocked("weir-hall") == ""
    assert (
        scene.services.guests.quiet("weir-hall") == "Visiting company was the guest there, and the room can be put back"
    )
    with pytest.raises(Refused, match="can still be put back to how it was before Visiting company"):
        await scene.services.guests.begin(VISITORS)
    closed = await scene.services.guests.end("weir-hall", "ana")
    assert (closed.state, closed.closed_by) == ("closed", "ana")
    assert scene.level_db("box-3") == -20.0
    with pytest.raises(Refused, match="weir-hall has no guest"):
        await scene.services.guests.end("weir-hall", "ana")
    assert scene.services.guests.quiet("weir-hall") == ""
    await scene.services.guests.begin(VISITORS)


async def test_an_offer_keeps_drift_quiet_for_half_a_day(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.services.guests.end("weir-hall", "ben")
    await scene.wait(hours=11)
    assert scene.services.guests.quiet("weir-hall")
    await scene.wait(hours=2)
    assert scene.services.guests.quiet("weir-hall") == ""


async def test_an_offer_that_is_no_longer_needed_is_closed_when_it_is_looked_at(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.services.guests.end("weir-hall", "ben")
    await scene.at_desk("box-3", level_db=-12.0)
    assert (await scene.services.guests.plan_put_back("weir-hall")).empty()
    assert (await session_of(scene)).state == "closed"


async def test_while_no_device_can_be_reached_the_end_waits(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    scene.now = EVENING
    scene.services.inventory.hear(LinkDown(why="the broker is gone"))
    await scene.wait(minutes=1)
    assert ((await session_of(scene)).state, await scene.notices("guest")) == ("ending", [])
    assert scene.services.guests.blocked("weir-hall")
    await scene.restart()
    await scene.wait(minutes=1)
    assert ((await session_of(scene)).state, len(await scene.notices("guest"))) == ("closed", 1)
    scene.services.inventory.hear(LinkUp())


async def test_putting_back_is_refused_while_the_guest_is_there_and_where_the_room_moved(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    with pytest.raises(Refused, match="is the guest in weir-hall until 2031-05-17 23:30 CEST"):
        await scene.services.guests.plan_put_back("weir-hall")
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.services.guests.end("weir-hall", "ben")
    plan = await scene.services.guests.plan_put_back("weir-hall")
    await scene.at_desk("box-3", level_db=-25.0)
    with pytest.raises(Moved):
        await scene.services.guests.put_back("weir-hall", digest=plan.digest, who="ines", why="", allow=ALLOW)


async def test_a_put_back_that_fails_leaves_the_offer_open(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-20.0)
    await scene.services.guests.end("weir-hall", "ben")
    plan = await scene.services.guests.plan_put_back("weir-hall")
    record = await scene.services.guests.put_back(
        "weir-hall", digest=plan.digest, who="ines", why="", allow=ALLOW, keep_within_s=60
    )
    assert (await scene.services.changes.wait(record.id, 10, or_trial=True)).state == "on trial"
    await scene.wait()
    assert (await session_of(scene)).change == record.id
    await scene.services.changes.cancel(record.id, "ines")
    await end_of(scene.services.changes, record.id)
    await scene.wait()
    session = await session_of(scene)
    assert (session.state, session.change, session.apart) == ("to put back", "", ("fill",))


async def test_what_no_session_can_be_is_refused(scene: Scene) -> None:
    guests = scene.services.guests
    for asked, error, words in (
        (replace(VISITORS, room="attic"), NotFound, "attic"),
        (replace(VISITORS, guest=" "), BadInput, "--who"),
        (replace(VISITORS, until="soon"), BadInput, "--until"),
        (replace(VISITORS, ceiling_db=99.0), BadInput, "--ceiling-db"),
    ):
        with pytest.raises(error, match=words):
            await guests.begin(asked)
    await guests.begin(VISITORS)
    with pytest.raises(Refused, match="Visiting company is the guest in weir-hall until"):
        await guests.begin(replace(VISITORS, guest="Others"))
    await guests.begin(replace(VISITORS, room="foyer"))
    await guests.end("foyer", "ines")
    with pytest.raises(Refused, match="foyer has no guest"):
        await guests.plan_put_back("foyer")


async def test_sessions_are_listed_for_thirty_days_after_they_closed(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.wait(days=1)
    assert [s.state for s in await scene.services.guests.sessions()] == ["closed"]
    await scene.wait(days=31)
    assert await scene.services.guests.sessions() == ()


async def test_a_store_in_a_room_with_a_guest_asks_too(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    plan = await scene.services.changes.plan(Asked(kind="store", scope=Scope(rooms=("weir-hall",))))
    assert "guest" in [h.guard for h in plan.guards]


async def test_no_guest_is_let_in_while_the_room_is_walked_or_changed(scene: Scene) -> None:
    walk = await scene.services.walking.begin(AskedWalk(room="weir-hall"), "otto")
    with pytest.raises(Refused, match="otto is walking weir-hall"):
        await scene.services.guests.begin(VISITORS)
    await scene.services.walking.end(walk.id, "otto")
    await scene.at_desk("box-3", level_db=-20.0)
    plan = await scene.services.changes.plan(apply("weir-hall"))
    record = await scene.services.changes.begin(plan, who="otto", why="", allow=ALLOW, keep_within_s=600)
    await scene.services.changes.wait(record.id, 5, or_trial=True)
    with pytest.raises(Refused, match=r"change c-0004 of otto .* holds box-3. Keep or cancel c-0004 first"):
        await scene.services.guests.begin(VISITORS)
    await scene.services.changes.cancel(record.id, "otto")
    await end_of(scene.services.changes, record.id)
    assert await scene.services.guests.sessions() == ()


async def test_a_daemon_that_dies_once_it_has_told_how_a_room_was_left_does_not_tell_it_again(scene: Scene) -> None:
    await scene.services.guests.begin(VISITORS)
    await scene.at_desk("box-3", level_db=-2.0)
    for _ in range(2):
        dies_once_told(scene)
        with pytest.raises(Dead):
            await scene.wait(minutes=1)
        await scene.restart()
        scene.now = EVENING
    for _ in range(2):
        await scene.wait(minutes=1)
    assert [n.words.partition(",")[0] for n in await scene.notices("guest")] == [
        "fill in weir-hall is at -2 dB",
        "The guest session of Visiting company in weir-hall has ended: 1 position is not as before (fill)",
    ]


class Dead(Exception):
    """The daemon dies at this moment."""


def dies_once_told(scene: Scene) -> None:
    """Let this life of the daemon end as soon as a notice is written down."""

    def die(_: object) -> None:
        raise Dead

    scene.services.notices.listen(die)
