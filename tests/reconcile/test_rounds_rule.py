"""The rules of a round: who counts, each device once; when it stops; what an earlier room excuses."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from parts import untimed

from fleet.errors import BrokerDown, Moved, NotFound, Refused, StoreTrouble
from fleet.model.change import ENDS, ChangeRecord, ChangeState, Outcome
from fleet.model.plan import DevicePlan, LeftOut, Plan, Target
from fleet.model.round import DONE, RoomResult, RoomState, Round
from fleet.model.state import Moment
from fleet.reconcile.rounds import as_shown, counted, of_change, of_empty, of_error, unable, why_stop

NOON = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)
S = ChangeState
DEVICES = tuple(f"box-{n}" for n in range(1, 7))

devices = st.dictionaries(st.sampled_from(DEVICES), st.just("is silent"), max_size=4)
results = st.lists(
    st.builds(RoomResult, room=st.sampled_from("abcdef"), state=st.sampled_from(RoomState), counted=devices), max_size=6
)


def device_plan(device):
    return DevicePlan(
        device=device,
        positions=(("hall", "left"),),
        expect=Moment(boot_id="b", revision=1),
        work={},
        before=Target(),
        after=Target(),
        undo={},
        quiet=Target(),
    )


def plan(*names, sha="v1", digest="d1", left_out=()):
    return Plan(
        kind="recall",
        rooms=("hall",),
        scope="hall",
        devices=tuple(device_plan(name) for name in names),
        left_out=left_out,
        desired_sha256=sha,
        digest=digest,
    )


def out(device, words, *, dead):
    return LeftOut(room="hall", position=f"at-{device}", device=device, words=words, unable=dead)


SILENT = out("box-7", "box-7 is missing", dead=True)
SLOTLESS = out("box-8", "box-8 has no house-curve slot", dead=False)


def record(state, culprits=None, outcomes=(), left_out=()):
    return ChangeRecord(
        id="c-1",
        plan=plan("box-1", "box-2", left_out=left_out),
        who="ines",
        why="",
        started=NOON,
        state=state,
        outcomes=tuple(outcomes),
        culprits=culprits or {},
    )


def test_a_kept_change_counts_nobody_but_those_that_could_not_take_part():
    assert of_change("hall", record(S.KEPT)) == RoomResult(room="hall", state=RoomState.KEPT, change="c-1")
    result = of_change("hall", record(S.KEPT, left_out=(SILENT, SLOTLESS)))
    assert result.counted == {"box-7": "box-7 is missing"}
    assert result.words == "left out: at-box-8: box-8 has no house-curve slot"


def test_culprits_and_devices_that_need_a_person_all_count():
    stuck = [Outcome(device=d, word="needs a person", words="is silent") for d in ("box-2", "box-3")]
    gone = Outcome(device="box-4", word="rolled back")
    result = of_change("hall", record(S.NEEDS_PERSON, {"box-1": "is hot", "box-2": "did not answer"}, (*stuck, gone)))
    assert result.counted == {
        "box-1": "is hot",
        "box-2": "did not answer; needs a person",
        "box-3": "is silent; needs a person",
    }
    assert (result.state, result.stops) == (RoomState.NEEDS_PERSON, False)


def test_a_change_that_a_person_stopped_counts_nobody_and_stops_the_round():
    result = of_change("hall", record(S.ROLLED_BACK, {"": "cancelled by otto"}))
    assert (result.counted, result.words) == ({}, "cancelled by otto")
    assert why_stop([result], 99) == "hall: cancelled by otto"


@pytest.mark.parametrize("state", ChangeState)
def test_every_end_of_a_change_is_an_end_of_its_room_and_nothing_else_is(state):
    result = of_change("hall", record(state, {"box-1": "is hot"} if state is not S.KEPT else None))
    assert (result.state is RoomState.RUNNING) == (state not in ENDS)
    assert (result.state in DONE) == (state is S.KEPT)
    assert result.stops == (state not in ENDS), "what does not end here must not be overtaken"


def test_an_empty_plan_is_as_it_should_be_only_where_nothing_was_left_out():
    assert of_empty("hall", plan()).state is RoomState.AS_IT_SHOULD_BE
    result = of_empty("hall", plan(left_out=(SILENT, SLOTLESS)))
    assert result.state is RoomState.NOTHING_TO_DO
    assert result.counted == unable(plan(left_out=(SILENT, SLOTLESS))) == {"box-7": "box-7 is missing"}


def test_a_guard_counts_nobody_and_devices_that_cannot_take_part_count():
    guarded = of_error("hall", Refused("hold: hall is on hold", guards=("hold",), remedy="Wait."))
    assert (guarded.state, guarded.counted, guarded.words) == (RoomState.REFUSED, {}, "hold: hall is on hold. Wait.")
    gone = of_error("hall", Refused("not every device can take part: …", unable={"box-1": "silent", "box-2": "lost"}))
    assert (gone.state, gone.counted) == (RoomState.REFUSED, {"box-1": "silent", "box-2": "lost"})
    assert not guarded.stops
    assert not gone.stops


def test_what_moved_counts_nobody_and_what_cannot_be_tried_stops_the_round():
    for error in (Moved("it moved"), NotFound("no room 'hall'")):
        assert of_error("hall", error) == RoomResult(room="hall", state=RoomState.MOVED, words=str(error.what))
    for trouble in (BrokerDown("no link"), StoreTrouble("no disk")):
        result = of_error("hall", trouble)
        assert (result.state, result.stops) == (RoomState.FAILED, True)
        assert why_stop([result], 99) == f"hall: {trouble.what}"


@untimed
@given(results, st.integers(min_value=1, max_value=8))
def test_it_stops_at_so_many_devices_each_counted_once(rooms, stop_after):
    together = {device for room in rooms for device in room.counted}
    assert counted(rooms) == together
    assert bool(why_stop(rooms, stop_after)) == (len(together) >= stop_after)


@untimed
@given(results, results, st.integers(min_value=1, max_value=8))
def test_more_rooms_never_take_a_stop_back(rooms, more, stop_after):
    assert not why_stop(rooms, stop_after) or why_stop([*rooms, *more], stop_after)
    assert counted(rooms) <= counted([*rooms, *more])


@untimed
@given(st.permutations(DEVICES))
def test_the_order_of_rooms_counts_nothing_twice(order):
    rooms = [RoomResult(room=f"r{i}", counted={a: "x", b: "x"}) for i, (a, b) in enumerate(pairwise(order))]
    assert len(counted(rooms)) == len(DEVICES)


def test_the_plan_that_was_shown_may_go():
    assert as_shown(plan("box-1"), "d1", earlier=(), devices={"box-1"})
    assert not as_shown(plan("box-1"), "d2", earlier=(), devices={"box-1"})


def test_an_earlier_room_of_the_round_excuses_another_plan_only_on_a_device_of_the_room():
    now = plan("box-1", digest="d2")
    before = plan("box-1", "box-9")
    assert as_shown(now, "d1", earlier=[plan("box-5"), before], devices={"box-1"})
    assert as_shown(plan("box-2", digest="d2"), "d1", earlier=[before], devices={"box-9", "box-2"})
    assert not as_shown(now, "d1", earlier=[plan("box-5")], devices={"box-1"})
    assert not as_shown(now, "d1", earlier=[replace(before, desired_sha256="v2")], devices={"box-1"}), "desired moved"


def test_what_had_no_plan_when_it_was_shown_never_goes():
    assert not as_shown(plan("box-1", digest=""), "", earlier=[plan("box-1")], devices={"box-1"})


@untimed
@given(results)
def test_a_round_is_all_done_when_no_room_is_left_wanting(rooms):
    one = Round(
        id="round-1", kind="apply", who="ines", why="", started=NOON, stop_after=1, rooms=tuple(rooms), ended=NOON
    )
    assert one.all_done == all(r.state.value in {"kept", "as it should be", "nothing to do"} for r in rooms)
