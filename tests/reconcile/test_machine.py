"""The change as a table: every (state, event) cell, straight runs, and each way to fail."""

from __future__ import annotations

from dataclasses import replace

import pytest
from samples_plans import FLAT, device_of, device_plan, plan_of

from fleet.model.change import ENDS, ChangeState
from fleet.model.plan import Phase, Plan
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Moment
from fleet.reconcile.machine import EVENTS, OWN_RULES, TABLE, left_behind, planned, step
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Commit,
    Done,
    Elapsed,
    Event,
    Failed,
    Forget,
    Heard,
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

    def __init__(self, *devices, goal=None, limits=None, trial_s=None):
        self.devices = {d.id: d for d in devices}
        self.limits, self.trial_s = limits, trial_s
        wanted = goal or Goal(live=DeviceSettings(outputs={1: LOUD}))
        self.plan = plan_of(*(device_plan(d, wanted) for d in devices))
        self.now = 100.0
        self.progress = self.fresh()
        self.log = []

    def fresh(self):
        return planned("c-1", self.plan, self.now, self.limits, trial_s=self.trial_s)

    def restart(self, left, *, going_back=False):
        """A new daemon finds the change as an earlier one left it."""
        self.log = []
        self.progress, effects = left_behind(self.fresh(), left, self.now, going_back=going_back)
        self.log += effects
        return effects

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
            case Prepare() if device.stages:
                device.stage(dict(part.work), part.expect)
            case Commit(phase=phase, expect=expect) if device.stages:
                device.commit(phase, expect)
            case Commit(phase=phase):
                device.do(part.work[phase], store=True)
            case Keep() if device.stages:
                device.keep()
            case Revert():
                device.revert()
            case WriteBack():
                if device.staged is not None:
                    device.revert()
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
    hall = pair(limits=limits, trial_s=120.0 if state is S.ON_TRIAL else None)
    if state is not S.PLANNED:
        hall.begin()
        WAYS[state](hall)
    return hall


def _failed(hall, until):
    """One cannot commit; then on as far as `until`."""
    hall.run(until=S.COMMITTING)
    hall.refuse("box-1")
    hall.run(until=until)


def _stuck(hall):
    _failed(hall, S.CHECKING)
    hall.elapse()
    hall.run(until=S.CHECKING)
    hall.elapse()


def _restarted(hall):
    hall.run(until=S.COMMITTING)
    hall.restart(S.COMMITTING)


WAYS = {
    S.STAGING: lambda hall: None,
    S.CANCELLED: lambda hall: hall.feed(Cancel(why="stop")),
    **{s: lambda hall, s=s: hall.run(until=s) for s in (S.COMMITTING, S.VERIFYING, S.ON_TRIAL, S.KEEPING, S.KEPT)},
    **{s: lambda hall, s=s: _failed(hall, s) for s in (S.ROLLING_BACK, S.CHECKING, S.ROLLED_BACK)},
    S.NEEDS_PERSON: _stuck,
    S.RECOVERING: _restarted,
}
"""How a change comes from staging to each state."""


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
        Accept: Accept(),
        Heard: Heard(device=device, change=None),
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
    (S.PLANNED, Elapsed): S.CANCELLED,
    (S.PLANNED, Cancel): S.CANCELLED,
    (S.STAGING, Elapsed): S.CANCELLED,
    (S.STAGING, Cancel): S.CANCELLED,
    (S.COMMITTING, Failed): S.ROLLING_BACK,
    (S.COMMITTING, Elapsed): S.ROLLING_BACK,
    (S.COMMITTING, Cancel): S.ROLLING_BACK,
    (S.VERIFYING, Failed): S.ROLLING_BACK,
    (S.VERIFYING, Elapsed): S.ROLLING_BACK,
    (S.VERIFYING, Cancel): S.ROLLING_BACK,
    (S.ON_TRIAL, Accept): S.KEEPING,
    (S.ON_TRIAL, Heard): S.ROLLING_BACK,
    (S.ON_TRIAL, Elapsed): S.ROLLING_BACK,
    (S.ON_TRIAL, Cancel): S.ROLLING_BACK,
    (S.KEEPING, Failed): S.ROLLING_BACK,
    (S.KEEPING, Elapsed): S.ROLLING_BACK,
    (S.KEEPING, Cancel): S.ROLLING_BACK,
    (S.ROLLING_BACK, Elapsed): S.CHECKING,
    (S.CHECKING, Elapsed): S.ROLLING_BACK,
    (S.RECOVERING, Elapsed): S.ROLLING_BACK,
}
"""Every state that one event by itself changes while two devices are awaited; every other cell stays."""
ANSWERS = {
    (S.STAGING, Done),
    (S.STAGING, Failed),
    (S.COMMITTING, Done),
    (S.VERIFYING, ReadBack),
    (S.KEEPING, Done),
    (S.KEEPING, ReadBack),
    (S.ROLLING_BACK, Done),
    (S.ROLLING_BACK, Failed),
    (S.CHECKING, ReadBack),
    (S.CHECKING, Failed),
    (S.RECOVERING, ReadBack),
    (S.RECOVERING, Failed),
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
    elif (state, kind) == (S.RECOVERING, Cancel):
        assert (replace(after, culprits={}), after.culprits, effects) == (before, {"": "stop"}, ())
    elif (state, kind) not in MOVES:
        assert TABLE[state, kind].rule is stay
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
    seconds = {s: 1.0 + n for n, s in enumerate(WAITING)}
    limits = Limits(**{f"{s.value.replace(' ', '_')}_s": t for s, t in seconds.items() if s is not S.ON_TRIAL})
    hall = hall_in(state, limits)
    assert hall.progress.deadline == hall.now + (120.0 if state is S.ON_TRIAL else seconds[state])


def test_a_change_that_does_not_begin_in_time_is_called_off():
    hall = pair(limits=Limits(planned_s=3))
    assert hall.progress.deadline == hall.now + 3


# straight runs


def test_a_straight_run_over_two_devices():
    hall = pair()
    hall.begin()
    assert hall.run().progress.state is S.KEPT
    boxes = ("box-1", "box-2")
    moments = {d: Moment(boot_id="b-1", revision=1) for d in boxes}
    assert hall.log == [
        *(Prepare(device=d, turn=1) for d in boxes),
        *(Commit(device=d, turn=2, phase=Phase.SET, expect=moments[d], alone_s=60.0) for d in boxes),
        *(Read(device=d, turn=3) for d in boxes),
        *(Keep(device=d, turn=4) for d in boxes),
        *(Read(device=d, turn=5, patient=True) for d in boxes),
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
        "Read",
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
    hall.progress = hall.fresh()
    hall.begin()
    hall.run()
    assert [(e.phase.name, e.device) for e in hall.log if isinstance(e, Commit)] == [
        ("MUTE", "box-1"),
        ("SET", "box-1"),
        ("SET", "box-2"),
        ("UNMUTE", "box-1"),
    ]
    assert hall.said(Read) == ["box-1", "box-2"] * 3


def test_stored_slots_are_read_back_after_keep():
    goal = Goal(store=(SlotContents(slot=5, outputs={1: LOUD}),))
    hall = pair(goal=goal)
    hall.begin()
    assert hall.run().progress.state is S.KEPT
    assert [type(e).__name__ for e in hall.log if e.device == "box-1"] == ["Prepare", "Commit", "Read", "Keep", "Read"]


def test_who_says_that_it_keeps_and_does_not_takes_all_back():
    hall = pair()
    hall.begin()
    hall.run(until=S.KEEPING)
    honest, liar = [e for e in hall.log if isinstance(e, Keep)]
    hall.answer(honest)
    hall.feed(Done(device=liar.device, turn=liar.turn, moment=hall.devices["box-2"].moment))
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.progress.culprits == {"box-2": "said that it keeps, and has not"}
    assert all(d.live.outputs[1].level_db == 0.0 and not d.open for d in hall.devices.values())


def test_nothing_to_do_is_kept_at_once():
    progress, effects = step(planned("c-1", Plan(kind="apply", rooms=(), scope="", devices=()), 0.0), Begin(), 0.0)
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
    hall.progress = hall.fresh()
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
    assert hall.said(WriteBack) == ["box-2"]
    hall.elapse()
    hall.answer(next(e for e in reversed(hall.log) if isinstance(e, Read) and e.device == "box-1"))
    hall.elapse()
    assert hall.progress.state is S.NEEDS_PERSON
    assert list(hall.progress.stuck) == ["box-2"]


def test_everyone_who_fails_is_named_and_none_hides_another():
    hall = three()
    hall.begin()
    hall.refuse("box-1", "busy")
    hall.answer(hall.log[1])
    hall.refuse("box-3", "locked_slot")
    assert hall.progress.state is S.CANCELLED
    assert hall.progress.culprits == {"box-1": "busy", "box-3": "locked_slot"}
    hall = three()
    hall.begin()
    hall.run(until=S.COMMITTING)
    turn = hall.progress.turn
    hall.refuse("box-1", "busy")
    assert hall.progress.state is S.ROLLING_BACK
    hall.feed(Failed(device="box-2", turn=turn, why="silent"))
    assert hall.progress.culprits == {"box-1": "busy", "box-2": "silent"}


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


# a trial


def test_a_change_on_trial_waits_for_a_person_and_is_verified_again_before_it_is_kept():
    hall = hall_in(S.ON_TRIAL)
    assert (hall.progress.deadline, hall.said(Keep)) == (hall.now + 120.0, [])
    assert {e.alone_s for e in hall.log if isinstance(e, Commit)} == {180.0}
    hall.log = []
    hall.feed(Accept())
    assert hall.run().progress.state is S.KEPT
    assert [type(e) for e in hall.log] == [Read, Read, Keep, Keep, Read, Read]
    assert all(d.live.outputs[1].level_db == -3.0 and not d.open for d in hall.devices.values())


@pytest.mark.parametrize("how", ["nobody keeps it", "a person undoes it"])
def test_a_change_on_trial_goes_back_whole_unless_it_is_kept(how):
    hall = hall_in(S.ON_TRIAL)
    hall.elapse() if how == "nobody keeps it" else hall.feed(Cancel(why="undone by ines"))
    assert hall.run().progress.state is S.ROLLED_BACK
    assert list(hall.progress.culprits) == [""]
    assert all(d.live.outputs[1].level_db == 0.0 and not d.open for d in hall.devices.values())


@pytest.mark.parametrize("moved", ["panel", "reboot"])
def test_what_moved_during_the_trial_is_found_when_it_is_to_be_kept(moved):
    hall = hall_in(S.ON_TRIAL)
    hall.devices["box-2"].press(1, -17.0) if moved == "panel" else hall.devices["box-2"].reboot()
    hall.feed(Accept())
    hall.answer(next(e for e in reversed(hall.log) if isinstance(e, Read) and e.device == "box-2"))
    assert hall.progress.state is S.ROLLING_BACK
    assert list(hall.progress.culprits) == ["box-2"]
    assert hall.said(Keep) == []


def test_a_device_that_returns_by_itself_takes_the_others_with_it():
    hall = hall_in(S.ON_TRIAL)
    assert hall.feed(Heard(device="box-2", change="c-1")) == ()
    hall.devices["box-2"].reboot()
    hall.feed(Heard(device="box-2", change=None))
    assert hall.progress.state is S.ROLLING_BACK
    for effect in [e for e in hall.log if isinstance(e, Revert)]:
        if effect.device == "box-2":
            hall.feed(Done(device="box-2", turn=effect.turn))
        else:
            hall.answer(effect)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.progress.culprits == {"box-2": "went back by itself"}


def test_what_a_device_without_staging_tells_ends_no_trial():
    hall = Hall(device_of("box-1", stages=False), device_of("box-2"), trial_s=60.0)
    hall.begin()
    hall.run(until=S.ON_TRIAL)
    assert hall.feed(Heard(device="box-1", change=None)) == ()
    assert hall.progress.state is S.ON_TRIAL


def test_no_one_is_told_to_keep_who_would_go_back_a_moment_later():
    hall = hall_in(S.ON_TRIAL)
    hall.feed(Accept())
    read = next(e for e in reversed(hall.log) if isinstance(e, Read) and e.device == "box-1")
    reported = hall.devices["box-1"].reported()
    late = replace(reported.state, change=replace(reported.state.change, reverts_in_ms=4000.0))
    hall.feed(ReadBack(device="box-1", turn=read.turn, reported=replace(reported, state=late)))
    assert hall.progress.state is S.ROLLING_BACK
    assert hall.progress.culprits == {"box-1": "goes back by itself in 4 s, too soon to be kept safely"}


# a daemon that stopped


@pytest.mark.parametrize("until", [S.COMMITTING, S.ROLLING_BACK], ids=name_of)
def test_what_was_left_half_done_goes_back_whole(until):
    hall = hall_in(until)
    if until is S.COMMITTING:
        hall.answer(next(e for e in hall.log if isinstance(e, Commit)))
    hall.restart(until, going_back=until is S.ROLLING_BACK)
    assert hall.said(Read) == ["box-1", "box-2"]
    assert hall.run().progress.state is S.ROLLED_BACK
    assert all(d.live.outputs[1].level_db == 0.0 and not d.open for d in hall.devices.values())


def test_what_was_only_staged_is_dropped():
    hall = hall_in(S.STAGING)
    hall.answer(hall.log[0])
    hall.restart(S.STAGING)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert not any(d.open for d in hall.devices.values())


def test_what_was_staged_and_has_died_since_is_called_off():
    hall = hall_in(S.STAGING)
    hall.restart(S.STAGING)
    assert hall.run().progress.state is S.CANCELLED
    assert hall.said(Revert) == []


@pytest.mark.parametrize("until", [S.VERIFYING, S.KEEPING], ids=name_of)
def test_what_is_whole_everywhere_is_finished(until):
    hall = hall_in(until)
    if until is S.KEEPING:
        hall.answer(next(e for e in hall.log if isinstance(e, Keep)))
    hall.restart(until)
    assert hall.run().progress.state is S.KEPT
    assert hall.said(Keep) == (["box-2"] if until is S.KEEPING else ["box-1", "box-2"])
    assert all(d.live.outputs[1].level_db == -3.0 and not d.open for d in hall.devices.values())


def test_what_was_kept_everywhere_is_kept():
    hall = hall_in(S.KEEPING)
    hall.run()
    hall.restart(S.KEEPING)
    assert hall.run().progress.state is S.KEPT
    assert hall.said(Keep) == []


def test_one_that_kept_is_written_back_where_another_lost_it():
    hall = hall_in(S.KEEPING)
    hall.answer(next(e for e in hall.log if isinstance(e, Keep)))
    hall.devices["box-2"].reboot()
    hall.restart(S.KEEPING)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert (hall.said(WriteBack), hall.said(Revert)) == (["box-1"], [])
    assert all(d.live.outputs[1].level_db == 0.0 for d in hall.devices.values())


def test_who_is_neither_as_before_nor_as_wanted_is_left_alone_and_named():
    hall = hall_in(S.KEEPING)
    hall.run()
    hall.devices["box-1"].reboot()
    hall.devices["box-1"].press(1, -17.0)
    hall.restart(S.KEEPING)
    assert hall.run().progress.state is S.NEEDS_PERSON
    assert hall.said(WriteBack) == ["box-2"]
    assert hall.progress.stuck == {
        "box-1": "neither as before nor as wanted: output 1: level is -17 dB, should be 0 dB"
    }
    levels_db = {name: d.live.outputs[1].level_db for name, d in hall.devices.items()}
    assert levels_db == {"box-1": -17.0, "box-2": 0.0}


def test_a_device_without_staging_that_was_left_in_the_middle_is_written_back():
    goal = Goal(live=DeviceSettings(outputs={1: OutputSettings(delay_ms=5.0)}))
    hall = Hall(device_of("box-1", stages=False), goal=goal)
    hall.begin()
    hall.run(until=S.COMMITTING)
    hall.devices["box-1"].do(hall.plan.devices[0].work[Phase.MUTE], store=True)
    hall.restart(S.COMMITTING)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.said(WriteBack) == ["box-1"]
    reported = hall.devices["box-1"].reported()
    assert (reported.state.output(1).mute, reported.state.output(1).delay_ms) == (False, 0.0)


def test_a_store_that_differs_in_the_name_of_the_slot_alone_is_written_back_and_no_person_is_needed():
    goal = Goal(live=DeviceSettings(), store=(SlotContents(slot=6, name="house", outputs={1: FLAT}),))
    hall = Hall(device_of("box-1", stages=False), goal=goal)
    hall.begin()
    hall.run(until=S.COMMITTING)
    hall.devices["box-1"].do(hall.plan.devices[0].work[Phase.STORE], store=True)
    hall.restart(S.COMMITTING)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.said(WriteBack) == ["box-1"]
    assert hall.devices["box-1"].slots[6].name == "slot-6"


def test_who_stays_silent_is_tried_and_named():
    hall = hall_in(S.VERIFYING)
    hall.restart(S.VERIFYING)
    hall.answer(hall.log[0])
    hall.elapse()
    assert hall.progress.state is S.ROLLING_BACK
    assert hall.said(Revert) == ["box-1", "box-2"]
    hall.answer(next(e for e in hall.log if isinstance(e, Revert)))
    hall.elapse()
    hall.answer(next(e for e in reversed(hall.log) if isinstance(e, Read) and e.device == "box-1"))
    hall.elapse()
    assert hall.said(WriteBack) == ["box-2"]
    hall.elapse()
    hall.answer(next(e for e in reversed(hall.log) if isinstance(e, Read) and e.device == "box-1"))
    hall.elapse()
    assert hall.progress.state is S.NEEDS_PERSON
    assert list(hall.progress.stuck) == ["box-2"]


def test_a_trial_goes_on_for_what_is_left_of_it():
    hall = hall_in(S.ON_TRIAL)
    hall.trial_s = 45.0
    hall.restart(S.ON_TRIAL)
    hall.run(until=S.ON_TRIAL)
    assert hall.progress.deadline == hall.now + 45.0
    hall.feed(Accept())
    assert hall.run().progress.state is S.KEPT


@pytest.mark.parametrize(
    ("left", "trial_s"), [(S.ON_TRIAL, 0.0), (S.ON_TRIAL, -3600.0), (S.VERIFYING, 45.0), (S.COMMITTING, 45.0)]
)
def test_a_trial_that_is_over_or_had_not_begun_goes_back(left, trial_s):
    hall = hall_in(S.ON_TRIAL)
    hall.trial_s = trial_s
    hall.restart(left)
    assert hall.run().progress.state is S.ROLLED_BACK
    assert all(d.live.outputs[1].level_db == 0.0 and not d.open for d in hall.devices.values())


def test_a_trial_that_was_being_kept_is_kept():
    hall = hall_in(S.ON_TRIAL)
    hall.restart(S.KEEPING)
    assert hall.run().progress.state is S.KEPT


def test_what_was_going_back_goes_back_although_all_is_as_wanted():
    hall = hall_in(S.ON_TRIAL)
    hall.restart(S.ROLLING_BACK, going_back=True)
    assert hall.run().progress.state is S.ROLLED_BACK


def test_a_person_can_stop_what_a_restarted_daemon_reads():
    hall = hall_in(S.VERIFYING)
    hall.restart(S.VERIFYING)
    hall.feed(Cancel(why="stopped by ines"))
    assert hall.run().progress.state is S.ROLLED_BACK
    assert hall.progress.culprits == {"": "stopped by ines"}
