"""A device that is there by its presence and does not answer: what is known of it is never shown as right."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fleet.drivers.protocol import LinkDown, LinkUp, Nonsense
from fleet.errors import DeviceNonsense
from fleet.faces.diff_documents import sentence
from fleet.model.description import Description
from fleet.model.inventory import DeviceStatus
from fleet.model.state import Reported
from tests.services.watched_venue import RESTFUL, Life, Lives, life, lives

__all__ = ["life", "lives"]

RESYNCS = timedelta(minutes=22)
"""Two of them, and the time that the questions take."""


def foyer(life: Life) -> str:
    """What a room says of itself by what its devices last told."""
    positions = list(life.services.desired.venue().rooms["foyer"].positions.values())
    outlook = life.services.lookout.glance({p.device for p in positions})
    return sentence(life.services.lookout.compare(outlook, positions), life.services.watching.standing("foyer"))


async def replay(life: Life) -> None:
    """The broker tells again what it retains, as at each census."""
    await life.driver.census()


async def test_a_box_that_hangs_is_told_once_and_its_room_is_not_called_right(life: Life) -> None:
    assert foyer(life) == "as it should be"
    life.device("box-4").hangs = True
    for _ in range(5):
        await replay(life)
        await life.go(RESYNCS / 5, step_s=10)
    (notice,) = life.notices
    assert (notice.kind, notice.room, notice.devices) == ("unreachable", "foyer", ("box-4",))
    assert notice.words.startswith("foyer: desk: box-4 does not answer since 15:")
    assert ", last seen 1" in notice.words
    assert "power off and on" in notice.way_out
    assert foyer(life).startswith("1 position could not be checked: its device does not answer since 15:")
    assert ", last seen 1" in foyer(life)
    assert life.services.inventory.statuses({"box-4"})["box-4"] is DeviceStatus.MISSING
    assert life.words() == ["unreachable foyer/desk, foyer/horn: box-4 does not answer"] or life.words() == [
        "unreachable foyer/desk: box-4 does not answer"
    ]
    assert await life.go(timedelta(hours=2), step_s=30) == [], "told once"


async def test_a_box_that_answers_again_is_told_and_compared_at_once(life: Life) -> None:
    life.device("box-4").hangs = True
    await life.go(RESYNCS, step_s=10)
    life.press("box-4", level_db=-30.0)
    life.device("box-4").hangs = False
    drift, back = sorted(await life.go(RESTFUL), key=lambda n: n.kind, reverse=True)
    assert (drift.kind, drift.positions) == ("drift", ("desk",))
    assert back.kind == "back"
    assert back.words.startswith("box-4 answers again; it did not since 15:")
    assert life.words() == ["drift foyer/desk: 20 dB quieter than wanted"]


async def test_what_it_tells_by_itself_proves_it_as_well_as_an_answer(life: Life) -> None:
    life.device("box-4").hangs = True
    await life.go(RESYNCS, step_s=10)
    assert "does not answer" in foyer(life)
    life.device("box-4").hangs = False
    life.press("box-4", level_db=-10.0)
    await life.go(1)
    assert foyer(life) == "as it should be"


async def test_boxes_that_hang_together_are_one_notice_each_way(life: Life) -> None:
    for name in ("box-1", "box-2", "box-4"):
        life.device(name).hangs = True
    (notice,) = await life.go(RESYNCS, step_s=10)
    assert notice.devices == ("box-1", "box-2", "box-4")
    assert notice.words.startswith("box-1, box-2 and box-4 do not answer since 15:")
    for name in notice.devices:
        life.device(name).hangs = False
    (back,) = await life.go(RESTFUL)
    assert back.words.startswith("box-1, box-2 and box-4 answer again; they did not since 15:")


async def test_people_who_ask_find_it_before_the_watch_does(life: Life) -> None:
    life.device("box-4").hangs = True
    await life.services.lookout.differences(rooms=["foyer"])
    await life.services.lookout.differences(rooms=["foyer"])
    assert foyer(life) == "as it should be", "one failure is none"
    await life.go(RESTFUL)
    assert "does not answer since 15:00, last seen" in foyer(life)
    assert [n.kind for n in life.notices] == ["unreachable"]


async def test_a_question_that_is_lost_is_no_matter(life: Life) -> None:
    life.device("box-4").hangs = True
    await life.services.lookout.differences(rooms=["foyer"])
    life.device("box-4").hangs = False
    assert await life.go(timedelta(hours=1), step_s=10) == []
    assert foyer(life) == "as it should be"


async def test_one_that_goes_altogether_is_missing_and_comes_back_as_that(life: Life) -> None:
    life.device("box-4").hangs = True
    await life.go(RESYNCS, step_s=10)
    life.device("box-4").hangs = False
    life.power("box-4", on=False)
    (missing,) = await life.go(RESTFUL)
    assert missing.words.startswith("foyer: desk: box-4 is missing; last seen ")
    assert missing.since is not None
    assert missing.since < life.now - timedelta(minutes=10), "it was not there up to now: it hung"
    life.power("box-4", on=True)
    (back,) = await life.go(RESTFUL)
    assert back.words.startswith("box-4 is back; missing since")


async def test_it_is_known_over_a_restart_and_over_a_lost_link(lives: Lives, life: Life) -> None:
    life.device("box-4").hangs = True
    (notice,) = await life.go(RESYNCS, step_s=10)
    again = await lives.begin(life.now + timedelta(minutes=1))
    await again.go(1)
    assert "does not answer since 15:" in foyer(again), "what the broker retains proves nothing"
    assert await again.go(timedelta(minutes=30), step_s=10) == []
    again.services.inventory.hear(LinkDown(why="connection refused"))
    await again.go(5)
    again.services.inventory.hear(LinkUp())
    await replay(again)
    assert await again.go(timedelta(minutes=30), step_s=10) == []
    (episode,) = again.services.watching.episodes()
    assert episode.since == notice.since
    again.device("box-4").hangs = False
    (back,) = await again.go(RESTFUL)
    assert back.kind == "back"


async def test_a_box_that_hung_before_the_daemon_began_is_found(lives: Lives, life: Life) -> None:
    life.device("box-4").hangs = True
    again = await lives.begin(life.now + timedelta(hours=1))
    (notice,) = await again.go(RESYNCS, step_s=10)
    assert (notice.kind, notice.devices) == ("unreachable", ("box-4",))


async def test_what_comes_and_goes_is_damped(life: Life) -> None:
    for _ in range(8):
        life.device("box-4").hangs = True
        for _ in range(3):
            await life.services.lookout.read(["box-4"])
            await life.go(11)
        life.device("box-4").hangs = False
        await life.go(30)
    assert [n.kind for n in life.notices].count("flapping") == 1
    assert len(life.notices) <= 6
    told = await life.go(timedelta(minutes=15), step_s=5)
    assert [n.words for n in told] == ["foyer: desk: it stopped coming and going; its device answers"]


async def test_an_answer_that_cannot_be_read_is_none(life: Life, monkeypatch: pytest.MonkeyPatch) -> None:
    read = life.driver.read

    async def garbled(description: Description) -> Reported:
        if description.id == "box-4":
            life.services.inventory.hear(Nonsense(device="box-4", what="not JSON"))
            raise DeviceNonsense("box-4", "not JSON")
        return await read(description)

    monkeypatch.setattr(life.driver, "read", garbled)
    (notice,) = await life.go(RESYNCS, step_s=10)
    assert notice.kind == "unreachable"
    assert "does not answer" in foyer(life)
