"""The drift watch over devices in memory, ticked through virtual time."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.drivers.protocol import LinkDown, LinkUp
from fleet.errors import StoreTrouble
from fleet.model.change import ChangeState
from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Grade
from fleet.model.notice import Notice
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.services.guests import AskedGuest
from fleet.store.protocol import Store
from tests.services.small_venue import (
    FILES,
    FOYER,
    HALL,
    NOON,
    apply,
    begun,
    box,
    ended,
)
from tests.services.watched_venue import RESTFUL, Life, Lives, life, lives

__all__ = ["life", "lives"]


async def test_what_stood_when_the_watch_began_is_no_drift(lives: Lives) -> None:
    life = await lives.begin()
    compared = await life.services.lookout.differences()
    assert compared.counting()
    assert await life.go(timedelta(hours=2), step_s=10) == []
    assert life.words() == []


async def test_our_own_change_makes_no_drift(life: Life) -> None:
    life.press("box-1", level_db=-20.0)
    await life.go(10)
    record = await begun(life.services, apply())
    assert (await ended(life.services, record.id)).state is ChangeState.KEPT
    (over,) = await life.go(RESTFUL)
    assert (over.kind, over.words) == ("drift over", "weir-hall: main-left as desired again, by a change")
    rollback = await begun(life.services, replace(apply(), kind="rollback", scope=None, change=record.id))
    assert (await ended(life.services, rollback.id)).state is ChangeState.KEPT
    assert (await life.services.lookout.differences()).counting()
    assert await life.go(RESTFUL) == [], "we put it back to what it was before"


async def test_a_press_is_a_notice_with_room_cause_and_a_way_out(life: Life) -> None:
    pressed = life.now
    life.press("box-1", level_db=-20.0)
    (notice,) = await life.go(RESTFUL)
    assert (notice.kind, notice.room, notice.positions, notice.devices) == (
        "drift",
        "weir-hall",
        ("main-left",),
        ("box-1",),
    )
    assert notice.since == pressed
    assert notice.grade is not None
    assert notice.cause.startswith("edited (level)")
    assert notice.way_out == "fleet apply weir-hall"
    assert notice.words.startswith("weir-hall: main-left differs since 15:00: 14 dB quieter than wanted (serious)")
    life.press("box-1", level_db=-6.0)
    (over,) = await life.go(RESTFUL)
    assert over.words == "weir-hall: main-left as desired again, by itself"


async def test_a_slight_difference_is_no_matter(life: Life) -> None:
    life.press("box-1", level_db=-6.5)
    assert await life.go(RESTFUL) == []


async def test_positions_that_one_hand_changes_are_one_notice(life: Life) -> None:
    for name in ("box-1", "box-2", "box-3", "box-4"):
        life.press(name, level_db=-30.0)
        await life.go(0.5)
    await life.go(RESTFUL)
    assert [(n.room, n.positions) for n in life.notices] == [
        ("weir-hall", ("fill", "main-left", "main-right")),
        ("foyer", ("desk",)),
    ]


async def test_a_press_that_is_taken_back_at_once_is_no_notice(life: Life) -> None:
    life.press("box-1", level_db=-20.0)
    await life.go(1)
    assert life.words() != [], "it is shown at once"
    life.press("box-1", level_db=-6.0)
    assert await life.go(RESTFUL) == []


async def test_a_new_version_that_makes_rooms_differ_is_no_drift(life: Life) -> None:
    louder = {**FILES, "rooms/foyer.yaml": FOYER.replace("-10", "-4")}
    await life.services.desired.load(louder, "ines")
    assert await life.go(RESTFUL) == []
    assert (await life.services.lookout.differences(rooms=["foyer"])).counting()


async def test_a_box_that_comes_to_a_place_again_is_new_there(life: Life) -> None:
    """Bound, bound away, and bound again: what differs is the binding's doing each time, and nobody's at a panel."""
    life.driver.devices["box-7"] = box("box-7")
    life.press("box-7", level_db=0.0)
    for device in ("box-7", "box-5", "box-7"):
        there = {**FILES, "rooms/foyer.yaml": FOYER.replace("box-5", device)}
        await life.services.desired.load(there, "ines", allow=["older"])
        assert [n.words for n in await life.go(RESTFUL)] == []
    assert (await life.services.lookout.differences(rooms=["foyer"], position="door")).counting()


async def test_a_press_at_the_moment_of_a_new_version_is_drift_all_the_same(life: Life) -> None:
    life.press("box-4", polarity="inverted")
    fixed = FOYER.replace("level_db: -10", "level_db: -4, polarity: normal")
    await life.services.desired.load({**FILES, "rooms/foyer.yaml": fixed}, "ines")
    await life.go(RESTFUL)
    (episode,) = life.services.watching.episodes()
    assert episode.positions == ("foyer/desk",)
    assert episode.settings == ("live polarity",), "the level is the new version's doing"


async def test_a_position_that_leaves_the_files_leaves_the_watch(life: Life) -> None:
    life.press("box-4", level_db=-30.0)
    await life.go(RESTFUL)
    await life.services.desired.load({k: v for k, v in FILES.items() if "foyer" not in k}, "ines")
    (over,) = await life.go(RESTFUL)
    assert over.kind == "drift over"
    assert life.words() == []


async def test_nothing_is_told_while_a_box_settles_after_a_power_cut(life: Life) -> None:
    life.power("box-1", on=False)
    await life.go(5)
    life.power("box-1", on=True)
    life.boot("box-1", level_db=-30.0)
    assert await life.go(18) == []
    (notice,) = await life.go(10)
    assert notice.kind == "drift"
    assert "came back from a power cut or restart" in notice.cause
    life.boot("box-2", level_db=-30.0)
    await life.go(10)
    life.press("box-2", level_db=-6.0)
    assert await life.go(RESTFUL) == [], "it put itself right"


async def test_what_flaps_is_one_notice_and_then_silence(life: Life) -> None:
    for _ in range(20):
        life.press("box-1", level_db=-20.0)
        await life.go(10)
        life.press("box-1", level_db=-6.0)
        await life.go(10)
    assert [n.kind for n in life.notices] == ["drift", "drift over"] * 2 + ["drift", "flapping"]
    (calmed,) = await life.go(timedelta(minutes=11))
    assert calmed.words == "weir-hall: main-left: it stopped coming and going; the difference is over"


async def test_boxes_that_go_together_are_one_notice_and_are_back_in_one(life: Life) -> None:
    gone = life.now
    life.power("box-1", "box-2", on=False)
    await life.go(4)
    life.power("box-3", "box-9", on=False)
    (notice,) = await life.go(RESTFUL)
    assert (notice.kind, notice.devices) == ("missing", ("box-1", "box-2", "box-3", "box-9"))
    assert notice.since == gone - timedelta(seconds=0) or notice.since < gone  # type: ignore[operator]
    assert "Weir Hall" in notice.cause, "they are all that there is in it"
    life.power("box-1", "box-2", "box-3", "box-9", on=True)
    (back,) = await life.go(RESTFUL)
    assert (back.kind, back.devices) == ("back", notice.devices)


async def test_a_lost_link_is_one_matter_and_no_device_is_missing(life: Life) -> None:
    life.services.inventory.hear(LinkDown(why="connection refused"))
    (notice,) = await life.go(timedelta(minutes=10))
    assert (notice.kind, notice.cause) == ("link", "connection refused")
    assert notice.words == "the link to the devices' broker is down since 15:00: nothing is known of any room"
    assert life.services.watching.standing("foyer").not_known() == "not known since 15:00: connection refused"
    life.services.inventory.hear(LinkUp())
    await life.driver.census()
    (notice,) = await life.go(timedelta(minutes=10))
    assert notice.words.startswith("the link to the devices' broker is up again")


async def test_a_room_with_off_hours_is_not_missed_in_them(lives: Lives) -> None:
    files = {**FILES, "rooms/foyer.yaml": FOYER + "off_hours: [{start: '22:00', until: '07:00'}]\n"}
    life = await lives.begin(NOON.replace(hour=19), files)  # 21:00 in Berlin
    await life.go(timedelta(hours=2), step_s=10)
    life.power("box-4", on=False)
    assert await life.go(timedelta(hours=8), step_s=30) == []
    (notice,) = await life.go(timedelta(minutes=15), step_s=5)
    assert notice.kind == "missing"
    assert notice.words == "foyer: desk: box-4 is missing; last seen 2031-05-17 23:00"
    assert notice.at - NOON.replace(day=18, hour=5) >= timedelta(minutes=10), "somebody has to switch it on"


async def test_a_mute_by_an_alarm_is_told_and_is_no_drift(life: Life) -> None:
    life.device("box-1").mute_causes[1] = ("alarm",)
    life.driver.touched("box-1")
    (notice,) = await life.go(RESTFUL)
    assert (notice.kind, notice.positions) == ("muted", ("main-left",))
    life.device("box-1").mute_causes[1] = ()
    life.driver.touched("box-1")
    (notice,) = await life.go(RESTFUL)
    assert notice.words == "weir-hall: main-left not muted any more"


async def test_what_a_guest_does_is_no_drift(life: Life) -> None:
    asked = AskedGuest(room="weir-hall", guest="The Touring Band", until="2h", who="ines")
    await life.services.guests.begin(asked)
    life.press("box-1", level_db=-12.0)
    life.press("box-4", level_db=-30.0)
    told = [n for n in await life.go(RESTFUL) if n.kind == "drift"]
    assert [n.positions for n in told] == [("desk",)], "the foyer is nobody's"
    assert life.words() == ["drift foyer/desk: 20 dB quieter than wanted"]


async def test_what_somebody_agreed_to_is_no_drift_until_that_ends(life: Life) -> None:
    life.press("box-4", level_db=-30.0)
    await life.go(RESTFUL)
    live = DeviceSettings(outputs={1: OutputSettings(level_db=-30.0)})
    agreed = AgreedDeviation(
        id="d-1",
        room="foyer",
        position="desk",
        device="box-4",
        output=1,
        subject="live",
        setting="level_db",
        settings=live,
        grade=Grade.SERIOUS,
        words="20 dB quieter than wanted",
        wanted="-10",
        found="-30",
        owner="the house",
        reason="a conference",
        who="ines",
        at=life.now,
        until=life.now.date(),
        ends=life.now + timedelta(hours=5),
    )
    life.services.desired.deviations = {"d-1": agreed}
    (over,) = [n for n in await life.go(RESTFUL) if n.kind != "deviation"]
    assert over.words == "foyer: desk: what differs is agreed"
    told = await life.go(timedelta(hours=6), step_s=60)
    assert [n.kind for n in told if n.kind != "deviation"] == [], "that it ends is told by the deviation itself"


async def test_after_a_restart_nothing_is_told_twice_and_what_began_is_still_known(lives: Lives, life: Life) -> None:
    began = life.now
    life.press("box-1", level_db=-20.0)
    life.power("box-5", on=False)
    await life.go(RESTFUL)
    assert sorted(n.kind for n in life.notices) == ["drift", "missing"]
    again = await lives.begin(life.now + timedelta(minutes=3))
    assert await again.go(timedelta(minutes=30), step_s=5) == []
    drift, missing = sorted(again.services.watching.episodes(), key=lambda e: e.kind)
    assert (drift.since, missing.device) == (began, "box-5")
    assert drift.cause.startswith("edited (level)")
    again.press("box-1", level_db=-6.0)
    again.power("box-5", on=True)
    told = await again.go(RESTFUL)
    assert sorted(n.kind for n in told) == ["back", "drift over"]


async def test_what_drifts_while_no_daemon_runs_is_drift(lives: Lives, life: Life) -> None:
    life.press("box-4", level_db=-40.0)
    again = await lives.begin(life.now + timedelta(hours=3))
    (notice,) = await again.go(RESTFUL)
    assert (notice.kind, notice.positions) == ("drift", ("desk",))


async def test_what_was_accounted_for_stays_so_over_a_restart(lives: Lives) -> None:
    life = await lives.begin()
    await life.go(RESTFUL)
    again = await lives.begin(life.now)
    assert await again.go(RESTFUL) == []


async def test_a_version_that_comes_in_force_while_the_watch_is_not_there_makes_no_drift(
    lives: Lives, life: Life, store: Store
) -> None:
    await life.services.close()
    await life.services.desired.load({**FILES, "rooms/weir-hall.yaml": HALL.replace("-12", "-20")}, "ines")
    again = await lives.begin(life.now + timedelta(minutes=1))
    assert await again.go(RESTFUL) == []


async def test_a_notice_that_was_not_given_is_given_by_the_next_daemon(lives: Lives, life: Life) -> None:
    life.press("box-1", level_db=-20.0)
    await life.go(1)
    assert life.notices == []
    again = await lives.begin(life.now)
    (notice,) = await again.go(RESTFUL)
    assert notice.kind == "drift"


async def test_what_a_change_left_is_no_drift_where_a_daemon_stops_right_after_it(lives: Lives) -> None:
    """Slots that only tell what they hold once they are active are seen to be wrong by the change."""
    life = await lives.begin()
    record = await begun(life.services, apply())
    assert (await ended(life.services, record.id)).state is ChangeState.KEPT
    life.power("box-1", on=False)
    again = await lives.begin(life.now)
    await again.go(5)
    again.power("box-1", on=True)
    assert await again.go(RESTFUL) == []
    assert again.words() == []
    again.press("box-1", level_db=-20.0)
    assert [n.kind for n in await again.go(RESTFUL)] == ["drift"], "what comes later is drift"


async def test_a_daemon_that_dies_once_it_has_told_of_drift_does_not_tell_it_again(lives: Lives, life: Life) -> None:
    def die(_: Notice) -> None:
        raise StoreTrouble("the daemon dies")

    life.services.notices.listen(die)
    life.press("box-1", level_db=-20.0)
    with pytest.raises(StoreTrouble):
        await life.go(RESTFUL)
    again = await lives.begin(life.now)
    assert await again.go(RESTFUL) == []
    assert again.words() != []


async def test_a_notice_that_cannot_be_written_is_given_later(life: Life, monkeypatch: pytest.MonkeyPatch) -> None:
    life.press("box-1", level_db=-20.0)
    await life.go(2)

    async def full(*_: object) -> None:
        raise StoreTrouble("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(life.services.store, "save_notice", full)
        with pytest.raises(StoreTrouble):
            await life.go(5)
    (notice,) = await life.go(RESTFUL)
    assert notice.kind == "drift"


async def test_what_a_device_failed_to_tell_is_found_within_the_hour(life: Life) -> None:
    device = life.device("box-1")
    device.live = replace(device.live, outputs={1: replace(device.live.outputs[1], level_db=-20.0)})
    device.revision += 1
    told = await life.go(timedelta(minutes=75), step_s=20)
    assert [n.kind for n in told] == ["drift"]


async def test_ticks_that_are_far_apart_tell_the_same(life: Life) -> None:
    life.press("box-1", level_db=-20.0)
    life.power("box-5", on=False)
    told = await life.go(timedelta(hours=2), step_s=600)
    assert sorted(n.kind for n in told) == ["drift", "missing"]


async def test_a_tick_with_nothing_new_compares_nothing(life: Life, monkeypatch: pytest.MonkeyPatch) -> None:
    await life.go(1)

    def never(*_: object) -> None:
        raise AssertionError("nothing told anything new")

    monkeypatch.setattr(life.services.lookout, "glance", never)
    await life.go(60, step_s=0.25)
