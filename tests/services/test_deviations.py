"""Agreeing to differences: what is taken, what is refused, what is told, and that a restart forgets nothing."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from fleet.errors import BadInput, Moved, NotFound, Refused
from fleet.reconcile.scope import Scope
from fleet.services.deviations import Signed
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from tests.services.guest_scene import Scene, a_scene
from tests.services.small_venue import apply

SIGNED = Signed(until="2031-06-30", reason="balcony is closed", owner="Ana", who="ines")
DESK = Asked(kind="apply", scope=Scope(rooms=("foyer",)))


@pytest.fixture
async def scene(store: Store) -> AsyncIterator[Scene]:
    async with a_scene(store) as scene:
        await scene.at_desk("box-4", level_db=-20.0)
        yield scene


async def agree(scene: Scene, *settings: str, signed: Signed = SIGNED) -> None:
    found = await scene.services.deviations.look("foyer", "desk", settings)
    await scene.services.deviations.agree("foyer", "desk", settings, signed, digest=found.digest)


async def test_an_agreed_difference_is_shown_and_does_not_count(scene: Scene) -> None:
    assert not (await scene.services.lookout.differences(rooms=["foyer"])).same()
    await agree(scene)
    found = await scene.services.lookout.differences(rooms=["foyer"])
    assert found.same()
    (difference,) = found.agreed()
    assert difference.agreed is not None
    assert (difference.position, difference.agreed.owner, difference.agreed.reason, difference.agreed.until) == (
        *("desk", "Ana", "balcony is closed", date(2031, 6, 30)),
    )
    (listed,) = scene.services.deviations.listed()
    assert (listed.found, listed.wanted, listed.who) == ("-20 dB", "-10 dB", "ines")


async def test_apply_leaves_it_and_with_also_agreed_puts_it_right(scene: Scene) -> None:
    await agree(scene)
    plan = await scene.services.changes.plan(DESK)
    assert plan.empty()
    assert plan.notes == (
        "desk: level stays -20 dB instead of -10 dB, as agreed by Ana until 2031-06-30 (balcony is closed)",
    )
    await scene.carry_out(await scene.services.changes.plan(replace(DESK, also_agreed=True)), ("rise",))
    assert scene.level_db("box-4") == -10.0
    assert (await scene.services.lookout.differences(rooms=["foyer"])).differences == ()


async def test_a_recall_keeps_an_agreed_level_and_the_plan_says_so(scene: Scene) -> None:
    await scene.at_desk("box-3", level_db=-15.0)
    await scene.carry_out(await scene.services.changes.plan(Asked(kind="store", scope=Scope(rooms=("weir-hall",)))))
    found = await scene.services.deviations.look("weir-hall", "fill")
    await scene.services.deviations.agree("weir-hall", "fill", (), SIGNED, digest=found.digest)
    await scene.at_desk("box-3", eq=())
    plan = await scene.services.changes.plan(Asked(kind="recall", scope=Scope(rooms=("weir-hall",))))
    assert any(note.startswith("fill: level stays -15 dB") for note in plan.notes)
    await scene.carry_out(plan)
    fill = scene.driver.devices["box-3"].live.outputs[1]
    assert (fill.level_db, [band.gain_db for band in fill.eq or ()]) == (-15.0, [-4.0])


async def test_what_moves_further_is_a_difference_again_and_put_right(scene: Scene) -> None:
    await agree(scene)
    await scene.at_desk("box-4", level_db=-26.0)
    found = await scene.services.lookout.differences(rooms=["foyer"])
    assert (found.same(), found.agreed()) == (False, ())
    plan = await scene.services.changes.plan(DESK)
    assert (plan.notes, plan.empty()) == ((), False)


async def test_it_counts_again_once_its_last_day_is_over_in_the_venue_and_is_told(scene: Scene) -> None:
    await agree(scene)
    await scene.restart()
    scene.now = datetime(2031, 6, 22, 12, tzinfo=UTC)
    await scene.wait(minutes=1)
    assert await scene.notices("deviation") == []
    scene.now = datetime(2031, 6, 23, 8, tzinfo=UTC)
    for _ in range(3):
        await scene.wait(minutes=1)
    await scene.restart()
    scene.now = datetime(2031, 6, 30, 21, 59, tzinfo=UTC)
    await scene.wait()
    assert (await scene.services.lookout.differences(rooms=["foyer"])).same()
    scene.now = datetime(2031, 6, 30, 22, 0, tzinfo=UTC)  # midnight in Berlin
    await scene.wait()
    await scene.wait(days=3)
    assert not (await scene.services.lookout.differences(rooms=["foyer"])).same()
    told = await scene.notices("deviation")
    what = "The deviation of foyer/desk (10 dB quieter than wanted; balcony is closed), agreed by Ana"
    assert [n.words for n in told] == [
        f"{what}, ends on 2031-06-30; then it counts as a difference again.",
        f"{what}, ends today; then it counts as a difference again.",
    ]
    assert {(n.room, n.positions, n.devices, n.way_out) for n in told} == {
        ("foyer", ("desk",), ("box-4",), "fleet apply foyer --position desk")
    }
    assert [d.stands(scene.now) for d in scene.services.deviations.listed()] == [False]
    await scene.wait(days=30)
    assert scene.services.deviations.listed() == ()


async def test_nobody_is_told_of_the_end_of_a_deviation_that_is_right_by_now(scene: Scene) -> None:
    await agree(scene)
    await scene.at_desk("box-4", level_db=-10.0)
    await scene.wait(days=60)
    assert await scene.notices("deviation") == []


async def test_whoever_slept_through_the_end_is_told_once_that_it_has_ended(scene: Scene) -> None:
    await agree(scene)
    await scene.services.close()
    scene.now = datetime(2031, 7, 9, tzinfo=UTC)
    await scene.open()
    for _ in range(2):
        await scene.wait(minutes=1)
    (notice,) = await scene.notices("deviation")
    assert notice.words.endswith("agreed by Ana, has ended with 2031-06-30: it counts as a difference again.")


async def test_it_can_be_ended_before_and_agreed_anew(scene: Scene) -> None:
    await agree(scene)
    (ended,) = await scene.services.deviations.end("foyer", "desk", ["level-db"], "ben")
    assert (ended.ended_by, ended.stands(scene.now)) == ("ben", False)
    assert not (await scene.services.lookout.differences(rooms=["foyer"])).same()
    with pytest.raises(NotFound, match="no agreed deviation stands for foyer/desk"):
        await scene.services.deviations.end("foyer", "desk", [], "ben")
    await agree(scene)
    longer = replace(SIGNED, until="2031-08-01", reason="it stays closed")
    await agree(scene, "level_db", signed=longer)
    standing = [d for d in scene.services.deviations.listed() if d.stands(scene.now)]
    assert [(d.until, d.reason) for d in standing] == [(date(2031, 8, 1), "it stays closed")]


async def test_what_cannot_be_agreed_is_refused_in_words(scene: Scene) -> None:
    deviations = scene.services.deviations
    with pytest.raises(Refused, match="foyer/door is as desired"):
        await deviations.look("foyer", "door")
    with pytest.raises(Refused, match="life safety") as refused:
        await deviations.look("weir-hall", "horn")
    assert refused.value.guards == ("life-safety",)
    with pytest.raises(NotFound, match="attic"):
        await deviations.look("attic", "desk")
    with pytest.raises(BadInput, match="more than a year away"):
        await agree(scene, signed=replace(SIGNED, until="2032-06-30"))
    with pytest.raises(BadInput, match="--owner"):
        await agree(scene, signed=replace(SIGNED, owner=" "))
    await scene.power("box-4", on=False)
    with pytest.raises(Refused, match="bring the device back first"):
        await deviations.look("foyer", "desk")


async def test_nothing_but_what_was_shown_is_agreed(scene: Scene) -> None:
    found = await scene.services.deviations.look("foyer", "desk")
    await scene.at_desk("box-4", level_db=-30.0)
    with pytest.raises(Moved, match="others by now"):
        await scene.services.deviations.agree("foyer", "desk", (), SIGNED, digest=found.digest)
    assert scene.services.deviations.listed() == ()


async def test_while_a_change_holds_the_device_nothing_is_agreed(scene: Scene) -> None:
    plan = await scene.services.changes.plan(apply("foyer"))
    record = await scene.services.changes.begin(plan, who="ines", why="", allow=("rise",), keep_within_s=60)
    with pytest.raises(
        Refused, match=rf"change {record.id} of ines \(foyer, planned\) holds box-4\. Wait until it has ended\."
    ):
        await scene.services.deviations.look("foyer", "desk")
    await scene.services.changes.cancel(record.id, "ines")
    await scene.services.changes.wait(record.id, 10)


async def test_snapshots_that_are_compared_tell_what_was_agreed_when_the_later_one_was_taken(scene: Scene) -> None:
    await scene.at_desk("box-4", level_db=-10.0)
    before = await scene.services.snapshots.take("ines")
    await scene.at_desk("box-4", level_db=-20.0)
    without = await scene.services.snapshots.take("ines")
    scene.now = datetime(2031, 5, 18, tzinfo=UTC)
    await agree(scene)
    later = await scene.services.snapshots.take("ines")
    assert (await scene.services.snapshots.compare(before.id, without.id)).agreed() == ()
    (difference,) = (await scene.services.snapshots.compare(before.id, later.id)).agreed()
    assert (difference.room, difference.position, difference.setting) == ("box-4", "output-1", "level_db")


async def test_a_hand_over_lists_what_is_agreed(scene: Scene) -> None:
    await agree(scene)
    pack = await scene.services.handing_over.gather(None, "ines")
    assert [(d.position, d.owner) for d in pack.deviations] == [("desk", "Ana")]
    assert (await scene.services.handing_over.gather("weir-hall", "ines")).deviations == ()


async def test_what_is_agreed_of_a_whole_position_is_one_matter_for_people(scene: Scene) -> None:
    """Each setting is a deviation; what is told of them, in plans and notices, is one sentence."""
    await scene.put_right("weir-hall")
    await scene.at_desk("box-3", level_db=-15.0, eq=())
    found = await scene.services.deviations.look("weir-hall", "fill")
    assert [(d.subject, d.setting) for d in found.differences][:2] == [("live", "level_db"), ("live", "eq")]
    found = await scene.services.deviations.look("weir-hall", "fill", ("level_db", "eq"))
    await scene.services.deviations.agree("weir-hall", "fill", (), SIGNED, digest=found.digest)
    plan = await scene.services.changes.plan(Asked(kind="apply", scope=Scope(rooms=("weir-hall",))))
    (note,) = (n for n in plan.notes if n.startswith("fill:"))
    assert note == (
        "fill: level and EQ, and the same in slot 5 stay as they are, as agreed by Ana until 2031-06-30 "
        "(balcony is closed)"
    )
    scene.now = datetime(2031, 6, 30, 8, tzinfo=UTC)
    await scene.wait(seconds=1)
    await scene.wait(seconds=1)
    (notice,) = await scene.notices("deviation")
    assert notice.words.startswith("The deviation of weir-hall/fill (3 dB quieter than wanted; also ")
