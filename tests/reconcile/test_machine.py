"""The change as a table: every (state, event) cell, straight runs, and each way to fail."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pure_device import Refusal
from samples_plans import FLAT, device_of, device_plan, plan_of

from fleet.model.change import ENDS, ChangeState
from fleet.model.plan import Phase, Plan
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Moment
from fleet.reconcile.machine import EVENTS, OWN_RULES, TABLE, interrupted, planned, step
from fleet.reconcile.progress import (
    Begin,
    Cancel,
    Commit,
    Done,
    Elapsed,
    Event,
    Failed,
    Forget,
    Keep,
    Limits,
    Prepare,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.reach import Goal
from fleet.reconcile.transitions import stay

S = ChangeState
WAITING = tuple(state for state in S if not state.ended and state is not S.PLANNED)
LOUD = OutputSettings(level_db=-3.0)


class Hall:
    """A change over real devices in memory; the test decides what each answers. `log` holds every effect."""

    def __init__(self, *devices, goal=None, limits=None):
        self.devices = {d.id: d for d in devices}
        wanted = goal or Goal(live=DeviceSettings(outputs={1: LOUD}))
        self.plan = plan_of(*(device_plan(d, wanted) for d in devices))
        self.progress = planned(self.plan, limits)
        self.log = []
        self.now = 100.0

    def feed(self, event):
        self.progress, effects = step(self.progress, event, self.now)
        self.log += effects
        return effects

    def begin(self):
        return self.feed(Begin())

    def answer(self, effect):
        """Let the device do what it was asked, and tell."""
        self.feed(self.carried_out(effect))

    def carried_out(self, effect):
        device = self.devices[effect.device]
        part = self.progress.device(effect.device)
        match effect:
            case Prepare():
                device.stage(dict(part.work), part.expect)
            case Commit(phase=phase, expect=expect):
                device.commit(phase, expect)
            case Keep():
                device.keep()
            case Revert():
                device.revert()
            case WriteBack():
                for phase in sorted(part.undo):
                    device.do(part.undo[phase], store=True)
        if isinstance(effect, Read):
            return ReadBack(device=effect.device, turn=effect.turn, reported=device.reported())
        return Done(device=effect.device, turn=effect.turn, moment=device.moment)

    def refuse(self, device, why="busy"):
        return self.feed(Failed(device=device, turn=self.progress.turn, why=why))

    def elapse(self):
        return self.feed(Elapsed(turn=self.progress.turn))

    def run(self, until=None):
        """Answer everything that is awaited until a state (or an end) is entered."""
        while self.progress.state is not until and not self.progress.state.ended:
            turn = self.progress.turn
            for effect in [e for e in self.log if getattr(e, "turn", -1) == turn]:
                if self.progress.turn == turn:
                    self.answer(effect)
        return self

    def said(self, kind):
        return [e.device for e in self.log if isinstance(e, kind)]


def pair(**other):
    return Hall(device_of("box-1"), device_of("box-2"), **other)


def three():
    return Hall(device_of("box-1"), device_of("box-2"), device_of("box-3"))


def hall_in(state, limits=None):
    """A change over two devices that has just entered a state."""
    hall = pair(limits=limits)
    if state is S.PLANNED:
        return hall
    hall.begin()
    if state in (S.STAGING, S.CANCELLED):
        if state is S.CANCELLED:
            hall.refuse("box-1")
        return hall
    if state in (S.COMMITTING, S.VERIFYING, S.KEEPING, S.KEPT):
        return hall.run(until=state)
    hall.run(until=S.COMMITTING)
    hall.refuse("box-1")
    if state is S.ROLLING_BACK:
        return hall
    if state is S.NEEDS_PERSON:
        hall.run(until=S.CHECKING)
        hall.elapse()
        return hall
    return hall.run(until=state)


def events_at(hall, device="box-1"):
    """One event of each kind, of this turn."""
    turn = hall.progress.turn
    return {
        Begin: Begin(),
        Done: Done(device=device, turn=turn, moment=Moment(boot_id="b-1", revision=7)),
        Failed: Failed(device=device, turn=turn, why="refused"),
        ReadBack: ReadBack(device=device, turn=turn, reported=hall.devices["box-1"].reported()),
        Elapsed: Elapsed(turn=turn),
        Cancel: Cancel(why="stop"),
    }


CELLS = [(state, event) for state in S for event in EVENTS]


def name_of(value):
    return value.name.lower() if isinstance(value, ChangeState) else value.__name__


# the table


def test_the_table_has_a_rule_for_every_cell_and_no_other():
    assert set(TABLE) == set(CELLS)
    assert set(OWN_RULES) <= set(CELLS)
    assert set(EVENTS) == set(Event.__args__)


MOVES = {
    (S.PLANNED, Begin): S.STAGING,
    (S.PLANNED, Cancel): S.CANCELLED,
    (S.STAGING, Failed): S.CANCELLED,
    (S.STAGING, Elapsed): S.CANCELLED,
    (S.STAGING, Cancel): S.CANCELLED,
    (S.COMMITTING, Failed): S.ROLLING_BACK,
    (S.COMMITTING, Elapsed): S.ROLLING_BACK,
    (S.COMMITTING, Cancel): S.ROLLING_BACK,
    (S.VERIFYING, Failed): S.ROLLING_BACK,
    (S.VERIFYING, Elapsed): S.ROLLING_BACK,
    (S.VERIFYING, Cancel): S.ROLLING_BACK,
    (S.KEEPING, Failed): S.ROLLING_BACK,
    (S.KEEPING, Elapsed): S.ROLLING_BACK,
    (S.KEEPING, Cancel): S.ROLLING_BACK,
    (S.ROLLING_BACK, Elapsed): S.CHECKING,
    (S.CHECKING, Elapsed): S.NEEDS_PERSON,
}
"""Every state that one event by itself changes while two devices are awaited; every other cell stays."""
ANSWERS = {
    (S.STAGING, Done),
    (S.COMMITTING, Done),
    (S.VERIFYING, ReadBack),
    (S.KEEPING, Done),
    (S.ROLLING_BACK, Done),
    (S.ROLLING_BACK, Failed),
    (S.CHECKING, ReadBack),
    (S.CHECKING, Failed),
}
"""Where an event is the answer of one of two devices: the state stays, the device is no longer awaited."""


@pytest.mark.parametrize(("state", "kind"), CELLS, ids=name_of)
def test_every_cell(state, kind):
    hall = hall_in(state)
    before = hall.progress
    assert before.state is state
    effects = hall.feed(events_at(hall)[kind])
    after = hall.progress
    assert after.state is MOVES.get((state, kind), state)
    if (state, kind) in ANSWERS:
        assert (after.waiting, effects) == (before.waiting - {"box-1"}, ())
    elif (state, kind) not in MOVES:
        assert TABLE[state, kind] is stay
        assert (after, effects) == (before, ())
    else:
        assert after.turn == before.turn + 1
        assert (after.deadline > hall.now) == (not after.state.ended)


@pytest.mark.parametrize("state", sorted(ENDS), ids=name_of)
@pytest.mark.parametrize("kind", EVENTS, ids=name_of)
def test_ends_never_move(state, kind):
    hall = hall_in(state)
    ended = hall.progress
    assert hall.feed(events_at(hall)[kind]) == ()
    assert hall.progress is ended


@pytest.mark.parametrize("state", WAITING, ids=name_of)
@pytest.mark.parametrize("kind", [Done, Failed, ReadBack, Elapsed], ids=name_of)
def test_events_of_an_older_turn_are_void(state, kind):
    hall = hall_in(state)
    before = hall.progress
    late = replace(events_at(hall)[kind], turn=before.turn - 1)
    assert hall.feed(late) == ()
    assert hall.progress is before


@pytest.mark.parametrize("state", WAITING, ids=name_of)
@pytest.mark.parametrize("kind", [Done, Failed, ReadBack], ids=name_of)
@pytest.mark.parametrize("device", ["box-1", "box-9"])
def test_the_answer_of_a_device_that_is_not_awaited_is_void(state, kind, device):
    hall = hall_in(state)
    hall.progress = replace(hall.progress, waiting=frozenset({"box-2"}))
    before = hall.progress
    assert hall.feed(events_at(hall, device)[kind]) == ()
    assert hall.progress is before


@pytest.mark.parametrize("state", WAITING, ids=name_of)
def test_every_state_that_waits_has_its_own_deadline(state):
    limits = Limits(staging_s=1, committing_s=2, verifying_s=3, keeping_s=4, rolling_back_s=5, checking_s=6, attempts=2)
    hall = hall_in(state, limits)
    assert hall.progress.deadline == hall.now + 1 + WAITING.index(state)


# straight runs


def test_a_straight_run_over_two_devices():
    hall = pair()
    hall.begin()
    assert hall.run().progress.state is S.KEPT
    boxes = ("box-1", "box-2")
    moments = {d: Moment(boot_id="b-1", revision=1) for d in boxes}
    assert hall.log == [
        *(Prepare(device=d, turn=1) for d in boxes),
        *(Commit(device=d, turn=2, phase=Phase.SET, expect=moments[d]) for d in boxes),
        *(Read(device=d, turn=3) for d in boxes),
        *(Keep(device=d, turn=4) for d in boxes),
    ]
    assert all(d.live.outputs[1].level_db == -3.0 for d in hall.devices.values())
    assert (hall.progress.culprits, hall.progress.stuck) == ({}, {})


def test_unmute_comes_after_a_read_back_and_is_read_back_too():
    goal = Goal(live=DeviceSettings(outputs={1: OutputSettings(level_db=-6.0, mute=False)}), recall=5)
    hall = Hall(device_of("box-1", slots={5: SlotContents(slot=5, outputs={1: FLAT})}), goal=goal)
    hall.begin()
    assert hall.run().progress.state is S.KEPT
    assert [e.phase.name if isinstance(e, Commit) else type(e).__name__ for e in hall.log] == [
        "Prepare",
        "MUTE",
        "RECALL",
        "SET",
        "Read",
        "UNMUTE",
        "Read",
        "Keep",
    ]


def test_each_commit_expects_the_moment_the_one_before_told():
    hall = pair(goal=Goal(live=DeviceSettings(outputs={1: OutputSettings(delay_ms=5.0)})))
    hall.begin()
    hall.run()
    commits = [(e.phase.name, e.expect.revision) for e in hall.log if isinstance(e, Commit) and e.device == "box-1"]
    assert commits == [("MUTE", 1), ("SET", 2), ("UNMUTE", 3)]


def test_a_phase_is_committed_only_where_there_is_work_for_it():
    clicks = device_plan(device_of("box-1"), delay_ms=5.0)
    quiet = device_plan(device_of("box-2"), level_db=-3.0)
    hall = pair()
    hall.plan = plan_of(clicks, quiet)
    hall.progress = planned(hall.plan)
    hall.begin()
    hall.run()
    assert [(e.phase.name, e.device) for e in hall.log if isinstance(e, Commit)] == [
        ("MUTE", "box-1"),
        ("SET", "box-1"),
        ("SET", "box-2"),
        ("UNMUTE", "box-1"),
    ]
    assert hall.said(Read) == ["box-1", "box-2"] * 2


def test_stored_slots_are_read_back_after_keep():
    goal = Goal(store=(SlotContents(slot=5, outputs={1: LOUD}),))
    hall = pair(goal=goal)
    hall.begin()
    assert hall.run().progress.state is S.KEPT
    assert [type(e).__name__ for e in hall.log if e.device == "box-1"] == ["Prepare", "Commit", "Read", "Keep", "Read"]


def test_nothing_to_do_is_kept_at_once():
    progress, effects = step(planned(Plan(kind="apply", rooms=(), scope="", devices=())), Begin(), 0.0)
    assert (progress.state, effects) == (S.KEPT, ())


# failures


@pytest.mark.parametrize("how", ["refused", "silent", "cancelled"])
def test_who_cannot_stage_stops_all_before_anything_sounds(how):
    hall = three()
    first, _, third = hall.begin()
    hall.answer(first)
    hall.answer(third)
    {"refused": lambda: hall.refuse("box-2"), "silent": hall.elapse, "cancelled": lambda: hall.feed(Cancel(why="x"))}[
        how
    ]()
    assert hall.progress.state is S.CANCELLED
    assert hall.said(Commit) == []
    assert hall.said(Forget) == ["box-1", "box-2", "box-3"]
    assert set(hall.progress.culprits) == ({""} if how == "cancelled" else {"box-2"})


@pytest.mark.parametrize("how", ["refused", "silent"])
def test_a_failed_commit_takes_all_back_and_each_is_checked_against_its_checkpoint(how):
    hall = three()
    hall.begin()
    hall.run(until=S.COMMITTING)
    for effect in [e for e in hall.log if isinstance(e, Commit) and e.device != "box-2"]:
        hall.answer(effect)
    hall.refuse("box-2", "wrong_revision") if how == "refused" else hall.elapse()
    assert hall.progress.state is S.ROLLING_BACK
    assert hall.said(Revert) == ["box-1", "box-2", "box-3"]
    assert hall.run().progress.state is S.ROLLED_BACK
    assert [e.device for e in hall.log if isinstance(e, Read) and e.patient] == ["box-1", "box-2", "box-3"]
    assert list(hall.progress.culprits) == ["box-2"]
    assert all(d.live.outputs[1].level_db == 0.0 for d in hall.devices.values())


def test_devices_that_were_never_touched_only_forget():
    hall = pair()
    hall.plan = plan_of(device_plan(device_of("box-1"), delay_ms=5.0), device_plan(device_of("box-2"), level_db=-3.0))
    hall.progress = planned(hall.plan)
    hall.begin()
    hall.run(until=S.COMMITTING)
    hall.refuse("box-1")
    assert (hall.said(Revert), hall.said(Forget)) == (["box-1"], ["box-2"])


def test_a_device_that_accepts_and_does_not_is_found_at_read_back_and_named():
    hall = pair()
    hall.begin()
    hall.run(until=S.COMMITTING)
    honest, liar = [e for e in hall.log if isinstance(e, Commit)]
    hall.answer(honest)
    hall.feed(Done(device=liar.device, turn=liar.turn, moment=Moment(boot_id="b-1", revision=2)))
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.progress.culprits == {"box-2": "reads back output 1: level is 0 dB, should be -3 dB"}
    assert hall.said(Keep) == []
    assert hall.devices["box-1"].live.outputs[1].level_db == 0.0


def test_a_keep_that_fails_on_one_of_three_writes_back_where_it_was_kept():
    hall = three()
    hall.begin()
    hall.run(until=S.KEEPING)
    first, _, _ = [e for e in hall.log if isinstance(e, Keep)]
    hall.answer(first)
    hall.refuse("box-2", "reverted")
    assert (hall.said(WriteBack), hall.said(Revert)) == (["box-1"], ["box-2", "box-3"])
    assert hall.run().progress.state is S.ROLLED_BACK
    assert list(hall.progress.culprits) == ["box-2"]
    assert all(d.live.outputs[1].level_db == 0.0 for d in hall.devices.values())


def test_a_device_without_staging_is_written_back():
    hall = Hall(device_of("box-1", stages=False), device_of("box-2"))
    hall.begin()
    hall.feed(Done(device="box-1", turn=1))
    hall.feed(Done(device="box-2", turn=1))
    hall.refuse("box-2")
    assert (hall.said(WriteBack), hall.said(Revert)) == (["box-1"], ["box-2"])


def rolled_back_once(failing="box-1"):
    """A change that went back, except for one device that did not revert."""
    hall = pair()
    hall.begin()
    hall.run(until=S.VERIFYING)
    hall.refuse("box-2", "silent")
    for effect in [e for e in hall.log if isinstance(e, Revert)]:
        if effect.device == failing:
            hall.refuse(failing, "busy")
        else:
            hall.answer(effect)
    assert hall.progress.state is S.CHECKING
    hall.run(until=S.ROLLING_BACK)
    return hall


def test_a_revert_that_fails_is_tried_again_by_writing_and_only_there():
    hall = rolled_back_once()
    assert (hall.progress.attempt, hall.said(WriteBack), hall.progress.stuck) == (2, ["box-1"], {})
    assert hall.run().progress.state is S.ROLLED_BACK
    assert all(d.live.outputs[1].level_db == 0.0 for d in hall.devices.values())


def test_everyone_who_did_not_go_back_is_tried_again_and_only_they():
    hall = three()
    hall.begin()
    hall.run(until=S.VERIFYING)
    hall.refuse("box-3", "silent")
    for effect in [e for e in hall.log if isinstance(e, Revert)]:
        if effect.device == "box-2":
            hall.answer(effect)
        else:
            hall.refuse(effect.device)
    hall.run(until=S.ROLLING_BACK)
    assert hall.said(WriteBack) == ["box-1", "box-3"]
    assert hall.run().progress.state is S.ROLLED_BACK


def test_who_does_not_go_back_the_second_time_either_needs_a_person_and_is_named():
    hall = rolled_back_once()
    hall.refuse("box-1", "busy")
    assert hall.run().progress.state is S.NEEDS_PERSON
    assert hall.progress.stuck == {"box-1": "output 1: level is -3 dB, should be 0 dB"}
    assert hall.progress.culprits == {"box-2": "silent"}


def test_who_cannot_be_read_after_going_back_needs_a_person():
    hall = pair()
    hall.begin()
    hall.run(until=S.VERIFYING)
    hall.refuse("box-1")
    hall.run(until=S.CHECKING)
    reads = [e for e in hall.log if isinstance(e, Read) and e.patient]
    hall.answer(reads[0])
    hall.elapse()
    assert hall.progress.state is S.NEEDS_PERSON
    assert list(hall.progress.stuck) == ["box-2"]


@pytest.mark.parametrize("state", [S.ROLLING_BACK, S.CHECKING], ids=name_of)
def test_a_rollback_cannot_be_stopped(state):
    hall = hall_in(state)
    assert hall.feed(Cancel(why="stop")) == ()
    assert hall.run().progress.state is S.ROLLED_BACK


def test_the_attempts_are_a_limit():
    hall = rolled_back_once()
    one = Hall(device_of("box-1"), limits=Limits(attempts=1))
    one.begin()
    one.run(until=S.VERIFYING)
    one.refuse("box-1")
    one.refuse("box-1")
    assert one.run().progress.state is S.NEEDS_PERSON
    assert one.progress.attempt == 1 < hall.progress.attempt


# a daemon that stopped


@pytest.mark.parametrize("until", [S.STAGING, S.COMMITTING, S.VERIFYING, S.KEEPING, S.ROLLING_BACK], ids=name_of)
def test_an_interrupted_change_goes_back_whole_wherever_it_was(until):
    hall = hall_in(until)
    hall.log = []
    hall.progress, effects = interrupted(hall.plan, hall.now)
    hall.log += effects
    assert {type(e) for e in effects} == {Revert}
    for effect in effects:
        try:
            hall.answer(effect)
        except Refusal:
            hall.refuse(effect.device)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert all(d.live.outputs[1].level_db == 0.0 for d in hall.devices.values())


def test_an_interrupted_keep_is_found_at_the_check_and_written_back():
    hall = hall_in(S.KEEPING)
    hall.devices["box-1"].keep()
    hall.progress, hall.log = interrupted(hall.plan, hall.now)
    hall.log = list(hall.log)
    hall.feed(Done(device="box-1", turn=hall.progress.turn))  # a revert of a kept change has nothing to revert
    hall.answer(hall.log[1])
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.said(WriteBack) == ["box-1"]
    assert hall.devices["box-1"].live.outputs[1].level_db == 0.0
