"""Levels are turned up and down within their ranges, by a command, at a wall panel, and for a time."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadInput, Refused
from fleet.model.change import ChangeState
from fleet.model.standing import OperatorLevel
from fleet.reconcile.following import ELSEWHERE
from fleet.reconcile.scope import Scope
from fleet.services.level_view import level_views
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from tests.services.level_venue import FILES_WITH_NIGHT, Life, devices, level, life
from tests.services.small_venue import DRIVERS, hear_all

RECALL = Asked(kind="recall", scope=Scope(rooms=("bar",)))
COUNTER = {"position": "counter"}


async def test_what_has_a_range_moves_and_what_is_fixed_stays(store: Store) -> None:
    async with life(store) as bar:
        record = await bar.do(level(+2))
        assert record.state is ChangeState.KEPT
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3, 4)] == [-8.0, -6.0, -6.0, -12.0]
        assert await bar.standing() == {"counter": (-8.0, "ines"), "left": (-6.0, "ines"), "right": (-6.0, "ines")}


@pytest.mark.parametrize("kind", DRIVERS, ids=lambda kind: kind.name)
async def test_a_long_way_up_is_ramped_and_a_long_way_down_is_not(store: Store, kind: type[MemoryDriver]) -> None:
    async with life(store, kind(devices())) as bar:
        down = await bar.services.changes.plan(level(to_db=-20, position="counter"))
        assert [p.word for p in down.devices[0].work] == ["set"]
        await bar.do(level(to_db=-20, position="counter"))
        up = await bar.services.changes.plan(level(to_db=-4, position="counter"))
        assert {p.word for p in up.devices[0].work} == {"ramp"}
        assert up.guards == ()
        await bar.do(level(to_db=-4, position="counter"))
        assert bar.level_db("box-1") == -4.0


async def test_it_is_all_or_nothing_and_the_refusal_names_what_is_possible(store: Store) -> None:
    async with life(store) as bar:
        with pytest.raises(Refused, match=r"left would be at -3 dB.*\+4 is possible for all of them"):
            await bar.services.changes.plan(level(+5))
        await bar.turned("box-1", -4.0)
        with pytest.raises(Refused, match="No step up is possible"):
            await bar.services.changes.plan(level(+1))


async def test_where_nothing_has_a_range_the_line_that_would_give_one_is_named(store: Store) -> None:
    async with life(store) as bar:
        with pytest.raises(Refused, match=r"rooms/foyer\.yaml:5:\d+ is the line .*between: \[-12, -6\]"):
            await bar.services.changes.plan(level(+1, room="foyer"))


async def test_a_dead_box_is_left_out_and_named_and_its_coherent_set_stays(store: Store) -> None:
    async with life(store) as bar:
        bar.driver.devices["box-2"].online = False
        bar.driver.touched("box-2")
        await hear_all(bar.services, bar.driver)
        plan = await bar.services.changes.plan(level(-2))
        assert [(x.position, x.unable) for x in plan.left_out] == [("left", True), ("right", False)]
        await bar.do(level(-2))
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-12.0, -8.0, -8.0]
        assert await bar.standing() == {"counter": (-12.0, "ines")}


async def test_while_a_show_runs_anybody_turns_down_and_only_the_holder_up(store: Store) -> None:
    async with life(store) as bar:
        await bar.services.holds.hold("bar", "2h", "tom")
        assert (await bar.do(level(-2))).state is ChangeState.KEPT
        with pytest.raises(Refused, match="hold"):
            await bar.do(level(+1))
        assert (await bar.do(level(+1, who="tom"), who="tom")).state is ChangeState.KEPT


async def test_a_recall_keeps_the_level_also_after_a_power_cut_and_takes_the_slots_when_told(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(to_db=-6))
        for n in (1, 2, 3):
            one = bar.driver.devices[f"box-{n}"]
            one.live = replace(one.live, outputs={1: one.slots[5].outputs[1]})
            one.boot_count += 1
            one.revision = 1
            bar.driver.touched(f"box-{n}")
        await bar.tick()
        assert bar.level_db("box-1") == -12.0
        assert (await bar.standing())["counter"] == (-6.0, "ines")
        await bar.do(RECALL)
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3, 4)] == [-6.0, -6.0, -6.0, -12.0]
        await bar.do(replace(RECALL, levels_from_slot=True))
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3, 4)] == [-12.0] * 4
        assert await bar.standing() == {}


async def test_a_rollback_brings_back_who_chose_what(store: Store) -> None:
    async with life(store) as bar:
        first = await bar.do(level(-1, position="counter"), who="ines")
        second = await bar.do(level(-3, position="counter"), who="tom")
        await bar.do(Asked(kind="rollback", change=second.id), who="eva")
        assert bar.level_db("box-1") == -11.0
        assert await bar.standing() == {"counter": (-11.0, "ines")}
        await bar.do(Asked(kind="rollback", change=first.id), who="eva")
        assert await bar.standing() == {}


# what somebody turns elsewhere


async def test_a_wall_panel_is_followed_once_it_has_settled(store: Store) -> None:
    async with life(store) as bar:
        for level_db in (-11.0, -12.0, -13.0):
            await bar.turned("box-1", level_db)
            await bar.tick()
        assert await bar.standing() == {"counter": (-13.0, ELSEWHERE)}
        assert await store.standing(OperatorLevel) == {}
        bar.clock.pass_by(seconds=3)
        await bar.tick()
    async with life(store, bar.driver, bar.clock) as again:
        assert await again.standing() == {"counter": (-13.0, ELSEWHERE)}


async def test_a_level_outside_of_its_range_or_on_a_fixed_position_is_nobodys_choice(store: Store) -> None:
    async with life(store) as bar:
        await bar.turned("box-1", -2.0)
        await bar.turned("box-4", -10.0)
        bar.clock.pass_by(seconds=3)
        await bar.tick()
        assert await bar.standing() == {}


async def test_a_recall_keeps_what_was_turned_at_the_panel(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(to_db=-6))
        await bar.turned("box-1", -15.0)
        bar.driver.devices["box-1"].active_slot = 3
        bar.driver.touched("box-1")
        await bar.tick()
        await bar.do(RECALL, allow=("rise", "half-room", "unmanaged"))
        assert [bar.level_db(f"box-{n}") for n in (1, 2)] == [-15.0, -6.0]


async def test_what_our_own_changes_do_is_nobodys_choice_however_late_it_is_told(store: Store) -> None:
    async with life(store) as bar:
        await bar.turned("box-1", -2.0)
        plan = await bar.services.changes.plan(Asked(kind="apply", scope=Scope(rooms=("bar",))))
        record = await bar.services.changes.begin(plan, who="ines", why="", allow=("half-room", "rise"))
        while not (await bar.services.changes.wait(record.id, 5)).state.ended:
            pass  # what the devices tell stays unheard meanwhile
        assert bar.level_db("box-1") == -4.0
        await bar.tick()
        bar.clock.pass_by(seconds=3)
        await bar.tick()
        assert await bar.standing() == {}


# for a time


async def test_a_level_with_an_end_is_taken_back_then(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(+2, position="counter"), who="tom")
        await bar.do(level(+2, until="2h"))
        bar.clock.pass_by(hours=1, minutes=59)
        await bar.tick()
        assert bar.level_db("box-1") == -6.0
        bar.clock.pass_by(minutes=1)
        await bar.tick()
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-8.0, -8.0, -8.0]
        assert await bar.standing() == {"counter": (-8.0, "tom")}
        newest = (await bar.services.changes.records(1))[0]
        assert newest.who == "ines"
        assert "is up" in newest.why
        assert await bar.services.level_ends.current() == ()


async def test_the_end_survives_a_restart(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(-2, until="2h"))
    bar.clock.pass_by(hours=30)
    async with life(store, bar.driver, bar.clock) as again:
        await again.tick()
        assert [again.level_db(f"box-{n}") for n in (1, 2, 3)] == [-10.0, -8.0, -8.0]
        assert await again.standing() == {}


async def test_a_later_choice_wins_over_an_end(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(-2, until="2h"))
        await bar.turned("box-1", -19.0)
        await bar.do(level(to_db=-15, position="left"))
        bar.clock.pass_by(hours=3)
        await bar.tick()
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-19.0, -15.0, -15.0]
        assert await bar.services.level_ends.current() == ()


async def test_an_end_within_an_end_comes_first_and_the_outer_one_afterwards(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(+4, until="3h", position="counter"))
        await bar.do(level(-2, until="1h", position="counter"))
        bar.clock.pass_by(hours=1)
        await bar.tick()
        assert bar.level_db("box-1") == -6.0
        bar.clock.pass_by(hours=2)
        await bar.tick()
        assert bar.level_db("box-1") == -10.0


async def test_a_room_on_hold_is_told_once_and_goes_back_when_it_is_released(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(-2, until="1h"))
        await bar.services.holds.hold("bar", "3h", "tom")
        bar.clock.pass_by(hours=1)
        await bar.tick()
        bar.clock.pass_by(minutes=30)
        await bar.tick()
    async with life(store, bar.driver, bar.clock) as again:
        await again.tick()
        notices = await again.services.notices.recent()
        assert [n.kind for n in notices] == ["level"]
        assert "on hold" in notices[0].words
        assert "fleet release bar" in notices[0].way_out
        await again.services.holds.release("bar")
        again.clock.pass_by(minutes=2)
        await again.tick()
        assert again.level_db("box-1") == -10.0


async def test_a_dead_box_is_told_once_and_a_recall_brings_its_level_back(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(-2, until="1h"))
        bar.driver.devices["box-1"].online = False
        bar.driver.touched("box-1")
        bar.clock.pass_by(hours=1)
        await bar.tick()
        bar.clock.pass_by(hours=1)
        await bar.tick()
        notices = await bar.services.notices.recent()
        assert [n.positions for n in notices] == [("counter",)]
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-12.0, -8.0, -8.0]
        bar.driver.devices["box-1"].online = True
        bar.driver.touched("box-1")
        await bar.tick()
        await bar.do(RECALL)
        assert bar.level_db("box-1") == -10.0


async def test_boxes_on_their_way_back_are_waited_for_and_none_is_left_at_its_level(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(-2, until="1h"))
        bar.driver.devices["box-1"].online = False
        bar.driver.touched("box-1")
        bar.clock.pass_by(hours=1)
        await bar.tick()
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-12.0, -10.0, -10.0]
        bar.driver.devices["box-1"].online = True
        bar.driver.touched("box-1")
        bar.clock.pass_by(seconds=5)
        await bar.tick()
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-10.0, -8.0, -8.0]
        assert await bar.services.notices.recent() == ()


async def test_a_position_that_is_left_out_keeps_its_level(store: Store) -> None:
    async with life(store) as bar:
        plan = await bar.services.changes.plan(level(-2, without=frozenset({"left"})))
        assert {x.position: x.words for x in plan.left_out}.keys() == {"left", "right"}, "with its coherent set"
        await bar.do(level(-2, without=frozenset({"left"})))
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-12.0, -8.0, -8.0]


async def test_an_end_that_is_no_time_or_past_is_refused(store: Store) -> None:
    async with life(store) as bar:
        for until in ("soon", "2020-01-01T00:00"):
            with pytest.raises(BadInput):
                await bar.services.changes.plan(level(+1, until=until))


async def test_asking_twice_for_the_same_level_is_nothing_to_do_and_keeps_who_chose_it(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(to_db=-9), who="ines")
        plan = await bar.services.changes.plan(level(to_db=-9, who="tom"))
        assert plan.empty()


async def test_a_level_that_stands_already_can_be_chosen(store: Store) -> None:
    async with life(store) as bar:
        record = await bar.do(level(to_db=-10, position="counter"))
        assert record.plan.devices == ()
        assert await bar.standing() == {"counter": (-10.0, "ines")}


# each mode has its own


async def into(bar: Life, mode: str, *, levels_from_slot: bool = False) -> None:
    asked = replace(RECALL, modes={"bar": mode}, levels_from_slot=levels_from_slot)
    record = await bar.do(asked, allow=("rise", "half-room", "unmanaged"))
    assert record.state is ChangeState.KEPT


async def shown(bar: Life) -> dict[str, str | None]:
    """Who chose the level of each position of the bar, as its operator is shown it."""
    services = bar.services
    positions = services.desired.venue().rooms["bar"].positions.values()
    outlook = services.lookout.glance({p.device for p in positions})
    views = level_views(positions, outlook, await services.chosen.current(), await services.level_ends.current())
    return {view.position: view.chosen.who if view.chosen else None for view in views}


async def test_each_mode_keeps_its_own_levels_also_after_a_restart(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.do(level(to_db=-6))
        await into(bar, "night")
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-25.0] * 3, "nobody chose one: the nearest allowed one"
        await bar.do(level(to_db=-31, **COUNTER), who="tom")
        assert (await bar.standing())["counter"] == (-6.0, "ines")
        assert (await bar.standing())["counter@night"] == (-31.0, "tom")
        assert await shown(bar) == {"counter": "tom", "left": None, "right": None, "door": None}
        await into(bar, "house")
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-6.0] * 3
        assert await shown(bar) == {"counter": "ines", "left": "ines", "right": "ines", "door": None}
    async with life(store, bar.driver, bar.clock, FILES_WITH_NIGHT) as again:
        await into(again, "night")
        assert [again.level_db(f"box-{n}") for n in (1, 2, 3)] == [-31.0, -25.0, -25.0]


async def test_a_level_that_stands_by_its_position_alone_is_that_of_no_mode(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.do(level(to_db=-6, **COUNTER))
        assert list(await store.standing(OperatorLevel)) == ["bar/counter"]
        await into(bar, "night")
        await bar.do(level(to_db=-30, **COUNTER))
        assert list(await store.standing(OperatorLevel)) == ["bar/counter", "bar/counter@night"]


async def test_what_is_turned_at_a_panel_counts_for_the_mode_the_room_is_in_then(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.turned("box-1", -9.0)
        await into(bar, "night")
        await bar.turned("box-1", -33.0)
        bar.clock.pass_by(seconds=3)
        await bar.tick()
    async with life(store, bar.driver, bar.clock, FILES_WITH_NIGHT) as again:
        assert await again.standing() == {"counter": (-9.0, ELSEWHERE), "counter@night": (-33.0, ELSEWHERE)}
        await into(again, "house")
        assert again.level_db("box-1") == -9.0


async def test_levels_from_the_slots_forget_those_of_that_mode_alone(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.do(level(to_db=-6, **COUNTER))
        await into(bar, "night")
        await bar.do(level(to_db=-30, **COUNTER))
        await into(bar, "night", levels_from_slot=True)
        assert bar.level_db("box-1") == -25.0
        assert await bar.standing() == {"counter": (-6.0, "ines")}


async def test_a_rollback_brings_back_what_stood_in_that_mode_and_a_mode_with_its_levels(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.do(level(to_db=-6, **COUNTER))
        await into(bar, "night")
        await bar.do(level(to_db=-30, **COUNTER))
        second = await bar.do(level(to_db=-35, **COUNTER), who="tom")
        await bar.do(Asked(kind="rollback", change=second.id), who="eva", allow=("rise",))
        assert bar.level_db("box-1") == -30.0
        both = {"counter": (-6.0, "ines"), "counter@night": (-30.0, "ines")}
        assert await bar.standing() == both
        forgetting = await bar.do(
            replace(RECALL, modes={"bar": "house"}, levels_from_slot=True), allow=("rise", "half-room", "unmanaged")
        )
        assert await bar.standing() == {"counter@night": (-30.0, "ines")}
        await bar.do(Asked(kind="rollback", change=forgetting.id), allow=("rise", "half-room", "unmanaged"))
        assert bar.services.desired.modes["bar"].mode == "night"
        assert bar.level_db("box-1") == -30.0
        assert await bar.standing() == both


async def test_an_end_in_another_mode_puts_back_what_stands_and_nothing_sounds(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await bar.do(level(to_db=-9, **COUNTER), who="tom")
        await bar.do(level(to_db=-5, until="1h"))
        await into(bar, "night")
        await bar.do(level(to_db=-30))
        bar.clock.pass_by(hours=1)
        await bar.tick()
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-30.0] * 3
        assert (await bar.services.changes.records(1))[0].plan.devices == ()
        assert await bar.services.level_ends.current() == ()
        assert (await bar.standing())["counter"] == (-9.0, "tom")
        await into(bar, "house")
        assert [bar.level_db(f"box-{n}") for n in (1, 2, 3)] == [-9.0, -8.0, -8.0]


async def test_an_end_that_comes_when_the_room_is_back_in_its_mode_takes_the_level_back(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await into(bar, "night")
        await bar.do(level(to_db=-30, **COUNTER), who="tom")
        await bar.do(level(to_db=-35, until="2h", **COUNTER))
        await into(bar, "house")
        await bar.do(level(to_db=-6, **COUNTER))
        await into(bar, "night")
        assert bar.level_db("box-1") == -35.0
        bar.clock.pass_by(hours=2)
        await bar.tick()
        assert bar.level_db("box-1") == -30.0
        assert await bar.standing() == {"counter": (-6.0, "ines"), "counter@night": (-30.0, "tom")}
