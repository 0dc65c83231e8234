"""Which positions a change is about, and that a coherent set is never left half changed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import untimed, venue_of
from samples_plans import hall, position

from fleet.errors import BadInput, NotFound
from fleet.model.venue import Group
from fleet.reconcile.scope import Scope, place, room_of, select, work_out

NAMES = ("left", "rear", "right", "sub")
HALL_SETS = {"tops": ("left", "right"), "right-stack": ("right", "sub")}


def venue(together=None, names=NAMES):
    room = hall(*(position(n, f"box-{n}") for n in names), together=HALL_SETS if together is None else together)
    room.groups["fills"] = Group(name="fills", room="hall", positions=("rear",))
    bar = hall(position("counter", "box-counter", room="bar"), position("left", "box-bar", room="bar"), name="bar")
    return venue_of(room, bar)


def scope(**other):
    return Scope(**{"rooms": ("hall",), **other})


def names(scoped):
    return [p.name for p in scoped.positions]


def left_out(scoped):
    return {left.position: left.words for left in scoped.left_out}


def test_a_room_is_all_its_positions_by_name():
    scoped = work_out(venue(), scope(), {})
    assert (names(scoped), scoped.left_out, scoped.notes) == (list(NAMES), (), ())
    assert scoped.named_rooms == {"hall"}


def test_rooms_add_up_and_further_rooms_may_be_touched():
    scoped = work_out(venue(), scope(rooms=("hall", "bar"), also=frozenset({"yard"})), {})
    assert [place(p)[0] for p in scoped.positions] == ["bar"] * 2 + ["hall"] * 4
    assert scoped.named_rooms == {"hall", "bar", "yard"}


def test_a_group_or_a_position_narrows_it():
    assert names(work_out(venue(), scope(group="fills"), {})) == ["rear"]
    assert names(work_out(venue(), scope(position="rear"), {})) == ["rear"]


@pytest.mark.parametrize(
    "asked", [{"position": "reer"}, {"positions": frozenset({"reer"})}, {"without": frozenset({"reer"})}]
)
def test_a_position_that_is_not_there_is_told_with_those_that_are(asked):
    with pytest.raises(NotFound, match=r"no position '?reer'? in .*Positions: left, rear, right, sub\."):
        work_out(venue(), scope(**asked), {})


def test_a_set_goes_together_and_draws_in_the_sets_of_its_members():
    scoped = work_out(venue(), scope(position="left"), {})
    assert names(scoped) == ["left", "right", "sub"]
    assert scoped.notes == (
        "right goes with left: both belong to the coherent set tops",
        "sub goes with right: both belong to the coherent set right-stack",
    )


def test_without_a_member_leaves_out_its_set_and_what_hangs_on_that():
    scoped = work_out(venue(), scope(without=frozenset({"sub"})), {})
    assert names(scoped) == ["rear"]
    assert left_out(scoped) == {
        "sub": "left out as asked",
        "right": "stays as it is: sub of its coherent set right-stack is left out",
        "left": "stays as it is: right of its coherent set tops is left out",
    }


def test_a_member_drawn_in_can_be_left_out_too():
    scoped = work_out(venue(), scope(position="left", without=frozenset({"right"})), {})
    assert names(scoped) == []
    assert set(left_out(scoped)) == {"left", "right", "sub"}


def test_the_dead_are_left_out_only_where_told_to():
    dead = {"box-rear": "is silent"}
    assert names(work_out(venue(), scope(), dead)) == list(NAMES)
    scoped = work_out(venue(), scope(), dead, leave_out_dead=True)
    assert (names(scoped), left_out(scoped)) == (["left", "right", "sub"], {"rear": "is silent"})


@pytest.mark.parametrize(
    ("asked", "error", "words"),
    [
        (scope(rooms=("yard",)), NotFound, "no room 'yard'.*Rooms: bar, hall"),
        (scope(group="tips"), NotFound, "no group 'tips' in hall.*Groups: fills, right-stack, tops"),
        (scope(position="lift"), NotFound, "no position 'lift' in hall.*Positions: left, rear, right, sub"),
        (scope(without=frozenset({"lift"})), NotFound, "no position lift in hall, without lift"),
        (scope(group="tops", position="left"), BadInput, "a group and a position were both given"),
    ],
)
def test_unknown_names_are_refused_with_what_there_is(asked, error, words):
    with pytest.raises(error, match=words):
        work_out(venue(), asked, {})


def test_a_venue_without_rooms_says_so():
    with pytest.raises(NotFound, match="none loaded"):
        room_of(venue_of(), "hall")


def test_select_does_not_expand_sets():
    assert [p.name for p in select(venue(), "hall", position="left")] == ["left"]


def test_a_scope_is_said_as_a_person_would():
    asked = Scope(rooms=("hall", "bar"), group="tops", without=frozenset({"right", "left"}))
    assert asked.words == "hall, bar, group tops, without left, right"
    assert scope(position="left").words == "hall, position left"


@untimed
@given(
    sets=st.lists(st.sets(st.sampled_from(NAMES), min_size=2), max_size=3),
    asked=st.sampled_from([None, *NAMES]),
    without=st.sets(st.sampled_from(NAMES), max_size=2),
    dead=st.sets(st.sampled_from(NAMES), max_size=2),
)
def test_no_set_is_ever_left_half_changed(sets, asked, without, dead):
    together = {f"set-{n}": tuple(sorted(s)) for n, s in enumerate(sets)}
    drawn_in = work_out(venue(together), scope(position=asked), {})
    without &= set(names(drawn_in))
    reasons = {f"box-{n}": "is silent" for n in dead}
    scoped = work_out(venue(together), scope(position=asked, without=frozenset(without)), reasons, leave_out_dead=True)
    inside = set(names(scoped))
    assert all(set(members) <= inside or not set(members) & inside for members in together.values())
    assert inside | set(left_out(scoped)) == set(names(drawn_in))
    assert not inside & (without | dead)
