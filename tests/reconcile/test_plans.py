"""Plans of apply, recall, store and rollback. The cases are files a person can add to: see plans/README.md."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plan_cases import CASES, Case, kept, read, steps
from samples_plans import FLAT, HALL, carry_out, device_of, hall, outlook_of, position

from fleet.errors import Refused
from fleet.model.change import ChangeState
from fleet.model.plan import Phase, Plan
from fleet.model.settings import OutputSettings, SlotContents
from fleet.reconcile.compare import compare
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.readback import deviations
from fleet.reconcile.rollback import plan_rollback
from fleet.reconcile.scope import Scope, place, work_out
from fleet.reconcile.store_plans import plan_store


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_the_plan_of_a_case(path):
    case = read(path)
    told = case.told
    if "refused" in told:
        with pytest.raises(Refused) as refusal:
            case.plan()
        assert told["refused"] in str(refusal.value)
        return
    plan = case.plan()
    assert steps(plan) == told["steps"]
    assert {left.position: left.words for left in plan.left_out} == told.get("left_out", {})
    assert list(plan.notes) == told.get("notes", [])
    assert [hit.guard for hit in plan.guards] == told.get("guards", [])
    assert list(plan.louder) == told.get("louder", [])
    carry_out(plan, case.devices)
    assert differing(case, plan) == []
    assert all(deviations(part.after, case.outlook().reported[part.device]) == () for part in plan.devices)


def differing(case: Case, plan: Plan) -> list[str]:
    """What comparing finds once the plan is carried out, of what it was about."""
    if plan.kind == "rollback":
        return []
    outlook = case.outlook()
    out = {(left.room, left.position) for left in plan.left_out}
    scoped = work_out(case.venue, case.scope(), outlook.unreachable, leave_out_dead=plan.kind == "recall")
    places = {place(p) for p in scoped.positions} - out
    devices = sorted({p.device for p in scoped.positions if place(p) in places} & set(outlook.reported))
    found = compare([(outlook.wants[d], outlook.reported[d]) for d in devices])
    subject = "stored" if plan.kind == "store" else "live"
    return [d.words for d in found.differences if d.subject == subject and (d.room, d.position) in places]


def test_every_kind_of_plan_has_cases():
    assert {read(path).told["do"] for path in CASES} == {"apply", "recall", "store", "rollback"}


# the digest names a plan


def two_boxes():
    return [device_of("box-1"), device_of("box-2")]


def room(level_db=-6.0):
    wanted = OutputSettings(level_db=level_db)
    return hall(position("left", "box-1", fixed=wanted), position("right", "box-2", fixed=wanted))


def test_the_digest_is_the_same_for_the_same_look():
    first, again = (plan_apply(outlook_of([room()], two_boxes()), HALL) for _ in range(2))
    assert first.digest == again.digest
    assert len(first.digest) == 64


def test_the_digest_changes_with_a_moment_the_desired_version_the_work_and_the_scope():
    devices = two_boxes()
    plain = plan_apply(outlook_of([room()], devices), HALL)
    other_version = plan_apply(outlook_of([room()], devices, desired_sha256="1" * 64), HALL)
    other_work = plan_apply(outlook_of([room(level_db=-6.5)], devices), HALL)
    other_scope = plan_apply(outlook_of([room()], devices), replace(HALL, without=frozenset({"left"})))
    written_at_once = plan_apply(outlook_of([room()], devices, plainly=frozenset({"box-1"})), HALL)
    devices[0].revision += 1
    moved = plan_apply(outlook_of([room()], devices), HALL)
    plans = (plain, other_version, other_work, other_scope, written_at_once, moved)
    assert len({plan.digest for plan in plans}) == len(plans)


def test_the_digest_of_a_rollback_names_the_change_it_undoes():
    devices = two_boxes()
    record = kept(plan_apply(outlook_of([room()], devices), HALL))
    carry_out(record.plan, devices)
    back = plan_rollback(outlook_of([room()], devices), record)
    other = plan_rollback(outlook_of([room()], devices), replace(record, id="c-2"))
    assert (back.undoes, other.undoes) == ("c-1", "c-2")
    assert back.digest != other.digest


# apply


def test_apply_after_apply_is_empty():
    devices = two_boxes()
    carry_out(plan_apply(outlook_of([room()], devices), HALL), devices)
    assert plan_apply(outlook_of([room()], devices), HALL).empty()


def test_a_plan_is_sorted_and_tells_the_differences_it_removes():
    plan = plan_apply(outlook_of([room()], two_boxes()[::-1]), HALL)
    assert [part.device for part in plan.devices] == ["box-1", "box-2"]
    assert [(d.position, d.setting) for d in plan.differences] == [("left", "level_db"), ("right", "level_db")]


def test_a_device_that_cannot_be_what_is_desired_refuses_with_the_reason():
    wanted = OutputSettings(level_db=40.0)
    outlook = outlook_of([hall(position("left", "box-1", fixed=wanted))], [device_of()])
    with pytest.raises(Refused, match=r"left \(box-1\): .*level 40 dB is outside"):
        plan_apply(outlook, HALL)


def test_a_missing_device_can_be_left_out():
    outlook = outlook_of([room()], two_boxes(), unreachable={"box-2": "is silent"})
    plan = plan_apply(outlook, replace(HALL, without=frozenset({"right"})))
    assert [part.device for part in plan.devices] == ["box-1"]
    assert [left.position for left in plan.left_out] == ["right"]


def test_a_silent_life_safety_device_does_not_stand_in_the_way():
    rooms = [hall(position("horn", "box-9", life_safety=True), position("left", "box-1", fixed=FLAT))]
    outlook = outlook_of(rooms, [device_of(), device_of("box-9")], unreachable={"box-9": "is silent"})
    assert plan_apply(outlook, HALL).empty()


# recall and store


def house(device="box-1", **fixed):
    return position("left", device, fixed=OutputSettings(**fixed), slots={"*": 5})


def test_a_recall_of_what_is_right_does_nothing():
    device = device_of(active_slot=5)
    assert plan_recall(outlook_of([hall(house(level_db=0.0))], [device]), HALL).empty()


def test_a_device_without_staging_is_marked_in_its_part():
    plan = plan_recall(outlook_of([hall(house(level_db=0.0))], [device_of(stages=False)]), HALL)
    assert [part.stages for part in plan.devices] == [False]


def test_a_device_that_does_not_return_by_itself_is_marked_in_its_part():
    devices = two_boxes()
    there = outlook_of([room()], devices, timerless=frozenset({"box-2"}))
    plan = plan_apply(there, HALL)
    assert [part.timer for part in plan.devices] == [True, False]
    carry_out(plan, devices)
    back = plan_rollback(outlook_of([room()], devices, timerless=frozenset({"box-1"})), kept(plan))
    assert [part.timer for part in back.devices] == [False, True]


def test_a_recall_brings_the_room_back_after_a_store_by_itself():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    rooms = [hall(house(level_db=-6.0, eq=(), delay_ms=4.0))]
    carry_out(plan_store(outlook_of(rooms, [device]), HALL), [device])
    plan = plan_recall(outlook_of(rooms, [device]), HALL)
    (part,) = plan.devices
    assert Phase.SET not in part.work
    carry_out(plan, [device])
    assert plan_apply(outlook_of(rooms, [device]), HALL).empty()


def test_a_store_is_not_repeated():
    device = device_of()
    rooms = [hall(house(level_db=-6.0))]
    carry_out(plan_store(outlook_of(rooms, [device]), HALL), [device])
    assert plan_store(outlook_of(rooms, [device]), HALL).empty()


def test_a_store_keeps_what_the_slot_had_for_outputs_no_position_names():
    device = device_of("amp-1", "amp", slots={5: SlotContents(slot=5, outputs=dict.fromkeys((1, 2, 3), FLAT))})
    carry_out(plan_store(outlook_of([hall(house("amp-1", level_db=-6.0))], [device]), HALL), [device])
    held = device.slots[5].outputs
    assert (held[1].level_db, held[2], held[3]) == (-6.0, FLAT, FLAT)


# rollback


LEFT_SOMETHING = (ChangeState.KEPT, ChangeState.NEEDS_PERSON)


@pytest.mark.parametrize("state", [s for s in ChangeState if s not in LEFT_SOMETHING])
def test_only_a_change_that_left_something_behind_is_rolled_back(state):
    outlook = outlook_of([room()], two_boxes())
    record = replace(kept(plan_apply(outlook, HALL)), state=state)
    words = f"ended {state}: there is nothing to roll back" if state.ended else f"has not ended: it is {state}"
    with pytest.raises(Refused, match=words):
        plan_rollback(outlook, record)


def test_a_change_that_needs_a_person_is_rolled_back_from_wherever_its_devices_are():
    before, after, between = device_of("box-1"), device_of("box-2"), device_of("box-3")
    devices = [before, after, between]
    wanted = OutputSettings(level_db=-6.0, delay_ms=5.0)
    rooms = [hall(*(position(d.id.replace("box", "place"), d.id, fixed=wanted) for d in devices))]
    plan = plan_apply(outlook_of(rooms, devices), HALL)
    work = {part.device: part.work for part in plan.devices}
    for phase, todo in work["box-2"].items():
        after.do(todo, store=True)
        if phase is not Phase.UNMUTE:
            between.do(todo, store=True)
    record = replace(kept(plan), state=ChangeState.NEEDS_PERSON)
    back = plan_rollback(outlook_of(rooms, devices), record)
    assert [part.device for part in back.devices] == ["box-2", "box-3"]
    assert "box-3 is not as the change wanted it: output 1 is muted" in back.notes
    carry_out(back, devices)
    assert all(deviations(part.before, d.reported()) == () for part, d in zip(plan.devices, devices, strict=True))


def test_a_rollback_needs_every_device_of_the_change():
    devices = two_boxes()
    record = kept(plan_apply(outlook_of([room()], devices), HALL))
    for trouble in ({"unreachable": {"box-2": "is silent"}}, {"conflicting": {"box-2": "another serial"}}):
        with pytest.raises(Refused, match="box-2 cannot take part"):
            plan_rollback(outlook_of([room()], devices, **trouble), record)


def test_a_rollback_never_unmutes_what_others_muted_since():
    device = device_of()
    rooms = [hall(position("left", "box-1", fixed=OutputSettings(level_db=-6.0, delay_ms=5.0)))]
    record = kept(plan_apply(outlook_of(rooms, [device]), HALL))
    carry_out(record.plan, [device])
    device.causes[1] = {"alarm"}
    plan = plan_rollback(outlook_of(rooms, [device]), record)
    assert [phase for part in plan.devices for phase in part.work] == [Phase.SET]
    carry_out(plan, [device])
    assert device.causes[1] == {"alarm"}


def test_a_rollback_of_a_rollback_is_the_change_again():
    devices = two_boxes()
    record = kept(plan_apply(outlook_of([room()], devices), HALL))
    carry_out(record.plan, devices)
    back = plan_rollback(outlook_of([room()], devices), record)
    carry_out(back, devices)
    assert [d.live.outputs[1].level_db for d in devices] == [0.0, 0.0]
    again = plan_rollback(outlook_of([room()], devices), replace(kept(back), id="c-2"))
    carry_out(again, devices)
    assert [d.live.outputs[1].level_db for d in devices] == [-6.0, -6.0]


def test_a_rollback_of_a_store_brings_the_old_contents_back():
    device = device_of(slots={5: SlotContents(slot=5, name="old", outputs={1: replace(FLAT, level_db=-9.0)})})
    rooms = [hall(house(level_db=-6.0))]
    record = kept(plan_store(outlook_of(rooms, [device]), HALL))
    carry_out(record.plan, [device])
    carry_out(plan_rollback(outlook_of(rooms, [device]), record), [device])
    assert (device.slots[5].name, device.slots[5].outputs[1].level_db) == ("old", -9.0)


def test_a_scope_of_two_rooms_makes_one_plan():
    rooms = [room(), hall(position("counter", "box-3", room="bar", fixed=OutputSettings(level_db=-6.0)), name="bar")]
    plan = plan_apply(outlook_of(rooms, [*two_boxes(), device_of("box-3")]), Scope(rooms=("bar", "hall")))
    assert [part.positions for part in plan.devices] == [
        (("hall", "left"),),
        (("hall", "right"),),
        (("bar", "counter"),),
    ]
