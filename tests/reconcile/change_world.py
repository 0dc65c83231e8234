"""A change in a world of its own: devices, network, daemons one after another, the time, and what must always hold."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from network import Box, Fault, Network
from pure_daemon import Disk, Killed, PureDaemon
from samples_plans import FLAT, able, device_of, plan_of

from fleet.model.change import ChangeState
from fleet.model.plan import DevicePlan, Phase, Plan
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.reconcile.machine import OWN_RULES, TABLE, step
from fleet.reconcile.progress import (
    Cancel,
    Commit,
    Done,
    Effect,
    Event,
    Failed,
    Forget,
    Keep,
    Limits,
    Progress,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.reach import Goal, reach
from fleet.reconcile.readback import deviations

S = ChangeState
LONG_S = 20_000.0
"""After so long every timer and deadline has passed."""
Transition = tuple[ChangeState, str, ChangeState]
DECLARED: frozenset[Transition] = frozenset(
    (state, event.__name__, to) for (state, event), cell in OWN_RULES.items() for to in cell.leads_to or (state,)
)
"""From the engine's table; a rule that only notes something leads to where it is."""


class Watch:
    """What must hold at every step, whatever the network does; takes down what was observed."""

    def __init__(self, plan: Plan, limits: Limits) -> None:
        self.keeping_ms = limits.keeping_s * 1000
        self.every = frozenset(p.device for p in plan.devices)
        self.observed: Counter[Transition] = Counter()
        self.resumed = False
        self.staged: set[str] = set()
        self.read: set[str] = set()
        """Devices that were read in the last turn of reading, and were as they have to be before anything sounds."""
        self.whole: set[str] = set()
        """Those of them that were wholly as wanted, and not about to return."""
        self.committed: set[str] = set()
        self.cancelled = False
        """A person has stopped it, and the daemon still lives that was told."""
        self.asked: Counter[str] = Counter()
        self.reports: dict[str, str] = {}
        self.verified: dict[str, str] = {}
        self.checked: dict[str, str] = {}
        """The request of the last report by which a device was found as wanted, or as before."""

    def started(self, *, resumed: bool) -> None:
        """A daemon starts; what it asks for is none of what one before it did."""
        self.resumed, self.cancelled = resumed, False
        self.asked = Counter()
        self.read, self.whole = set(), set()

    def looked(self, device: str, request: str) -> None:
        """The report to this request is about to be judged."""
        self.reports[device] = request

    def stepped(self, before: Progress, event: Event, after: Progress, effects: tuple[Effect, ...], now: float) -> None:
        """One step of the engine."""
        again, more = step(after, event, now)
        assert (replace(again, culprits=after.culprits), more) == (after, ()), "the same event twice does something"
        cell = TABLE[before.state, type(event)]
        assert after.state is before.state or after.state in cell.leads_to, (before.state, event, after.state)
        assert after.turn in {before.turn, before.turn + 1}
        assert after.turn == before.turn or after.state.ended or after.deadline >= now, "late from the beginning"
        if after.turn != before.turn or (before.state is S.RECOVERING and isinstance(event, Cancel)):
            self.observed[before.state, type(event).__name__, after.state] += 1
        self.cancelled |= isinstance(event, Cancel) and not before.state.ended
        self._event(before, event)
        self._effects(before, after, effects)

    def _event(self, before: Progress, event: Event) -> None:
        if not isinstance(event, Done | Failed | ReadBack) or event.turn != before.turn:
            return
        assert event.device in before.waiting, "a second answer in one turn"
        if before.state is S.STAGING and isinstance(event, Done):
            self.staged.add(event.device)
        if isinstance(event, ReadBack):
            self._report(before.state, before.device(event.device), event.reported)

    def _report(self, state: ChangeState, part: DevicePlan, reported: Reported) -> None:
        device, held = part.device, reported.state.change
        if state is S.CHECKING or not deviations(part.before, reported):
            self.checked[device] = self.reports[device]
        if not deviations(_before_it_sounds(part), reported):
            self.read.add(device)
        if deviations(replace(part.after, stored=()), reported):
            return
        self.verified[device] = self.reports[device]
        if held is None or held.reverts_in_ms is None or held.reverts_in_ms >= self.keeping_ms:
            self.whole.add(device)

    def _effects(self, before: Progress, after: Progress, effects: tuple[Effect, ...]) -> None:
        if after.turn != before.turn:
            self.asked = Counter()
        self.asked.update(e.device for e in effects if not isinstance(e, Forget))
        assert all(count <= 1 for count in self.asked.values()), "asked twice in one turn"
        assert len({e.device for e in effects}) == len(effects), "asked and told to forget"
        commits = [e for e in effects if isinstance(e, Commit)]
        if commits:
            self._may_commit(after, commits)
        if any(isinstance(e, Keep) for e in effects):
            assert after.state is S.KEEPING
            assert self.whole == self.every, "kept without a read-back of all"
        if after.turn != before.turn and after.state in {S.VERIFYING, S.RECOVERING}:
            self.read, self.whole = set(), set()
        if not self.resumed:
            assert all(e.device in self.committed for e in effects if isinstance(e, Revert | WriteBack))

    def _may_commit(self, after: Progress, commits: list[Commit]) -> None:
        assert not self.resumed, "committed by a daemon that found the change left behind"
        assert self.staged == self.every, "committed before all had staged"
        assert len({e.phase for e in commits}) == 1
        phase = commits[0].phase
        if phase is Phase.UNMUTE and after.schedule[0] is not Phase.UNMUTE:
            assert self.read == self.every, "unmuted without a read-back of all"
        self.read, self.whole = set(), set()
        self.committed |= {e.device for e in commits}


def _before_it_sounds(part: DevicePlan):
    """Of what is wanted, all that is to be so before anything is unmuted: mutes and ramped levels come later."""
    outputs = {n: replace(s, mute=None, level_db=None) for n, s in part.after.live.outputs.items()}
    return replace(part.after, stored=(), live=replace(part.after.live, outputs=outputs))


class World:
    """Everything that can happen to a change, an act each. `now` is the time that passes; nothing happens by chance."""

    def __init__(
        self, boxes: list[Box], plan: Plan, limits: Limits, *, trial_s: float | None = None, patient: bool = True
    ) -> None:
        self.network = Network(boxes)
        self.disk = Disk(plan=plan, limits=limits, keep_within_s=trial_s)
        self.watch = Watch(plan, limits)
        self.was = {box.it.id: box.it.reported() for box in boxes}
        self.patient = patient
        self.now = 100.0
        self.daemon: PureDaemon | None = None

    def start(self, clock_moves_s: float = 0.0, *, dies_in: int | None = None, idle: bool = False) -> None:
        """Start a daemon; the wall clock may have been moved while there was none.

        It is killed after so many steps where `dies_in` says so; an idle one does not come to begin the change.
        """
        self.disk.clock_ahead_s += clock_moves_s
        self.daemon = PureDaemon(self.disk, self.network, self.watch, self.now, patient=self.patient)
        self.daemon.dies_in = dies_in
        if not idle:
            self._survive(self.daemon.start)

    def kill(self, after_steps: int = 0) -> None:
        """Kill the daemon: at once, or when it has done so many more steps of journaling, saving and sending."""
        if self.daemon is not None:
            self.daemon.dies_in = after_steps
            if after_steps == 0:
                self.daemon = None

    def take(self) -> None:
        """Let the daemon answer its next event."""
        if self.daemon is not None:
            self._survive(self.daemon.take)

    def can_take(self) -> bool:
        """True where an event waits, or the time of the state is up."""
        daemon = self.daemon
        return daemon is not None and not daemon.ended and bool(daemon.events or self.now >= daemon.progress.deadline)

    def work(self, name: str, fault: Fault = "") -> None:
        """Let a device take its next request."""
        self.network.work(name, self.now, fault)

    def answer(self, number: int, *, garbled: bool = False, again: bool = False) -> None:
        """Let the reply of this number arrive, in whatever order; it may arrive again later."""
        reply = self.network.replies[number] if again else self.network.replies.pop(number)
        if self.daemon is not None:
            self.daemon.now = self.now
            self.daemon.hear(reply, garbled=garbled)

    def tell(self, *, lost: bool = False) -> None:
        """Let the next word arrive that a device tells by itself."""
        word = self.network.told.pop(0)
        if self.daemon is not None and not lost:
            self.daemon.overhear(*word)

    def pass_time(self, seconds: float, *, stalled: bool = False) -> None:
        """Let time pass, for devices and the daemon; a stalled daemon notices only when it is over."""
        until = self.now + seconds
        while not stalled and self.daemon is not None:
            alarm = min((t for t in self.daemon.waits() if self.now < t <= until), default=None)
            if alarm is None:
                break
            self._move_to(alarm)
        self._move_to(until)

    def _move_to(self, then: float) -> None:
        self.now = then
        self.network.tick(then)
        if self.daemon is not None:
            self.daemon.wake(then)

    def next_alarm(self) -> float | None:
        """When somebody does something by themselves next."""
        alarms = self.network.alarms() + (self.daemon.alarms() if self.daemon is not None else [])
        return min(alarms, default=None)

    @property
    def state(self) -> ChangeState:
        """Where the change stands, as far as it is known."""
        return self.daemon.progress.state if self.daemon is not None else self.disk.state

    def over(self) -> bool:
        """True where the change has durably come to an end."""
        return self.disk.state.ended

    def make_well(self) -> None:
        """Power is back everywhere, nothing is lost any more, and a daemon runs."""
        for name, box in self.network.boxes.items():
            if not box.powered:
                self.network.put_back(name, self.now)
        if self.daemon is None:
            self.start()
        elif self.daemon.dies_in is not None:
            self.daemon.dies_in = None

    def settle(self) -> None:
        """Everything that is on its way arrives, time runs on, and the change has to end."""
        self.make_well()
        events = self.disk.events
        honest = not self.network.lied and not self.network.disturbed and self.daemon.progress.attempt == 0
        while not self.over():
            assert self.disk.events - events < 400, "it never ends"
            self.go_on()
        if events != self.disk.events and honest:
            assert self.disk.state is not S.NEEDS_PERSON, f"a person is needed for nothing: {self.disk.stuck}"
        while self.network.busy() or (self.daemon is not None and self.daemon.talks):
            self.go_on()
        self.network.tick(self.now + LONG_S)

    def go_on(self) -> None:
        """The next thing that happens on a good day."""
        network = self.network
        if self.can_take():
            self.take()
        elif network.busy():
            self.work(network.busy()[0])
        elif network.replies:
            self.answer(0)
        elif network.told:
            self.tell()
        else:
            alarm = self.next_alarm()
            assert alarm is not None, "nothing will ever happen"
            self.pass_time(max(alarm - self.now, 0.0))

    def _survive(self, act) -> None:
        assert self.daemon is not None
        self.daemon.now = self.now
        try:
            act()
        except Killed:
            self.daemon = None


def judge(world: World) -> int:
    """Wholly new, wholly old, or named, and nothing left open. The number of devices that could be judged strictly."""
    network, state, stuck = world.network, world.disk.state, world.disk.stuck
    assert bool(stuck) == (state is S.NEEDS_PERSON)
    assert (state is S.KEPT) == (not world.disk.culprits)
    if state is S.KEPT:
        assert not world.watch.cancelled, "kept although a person had stopped it"
        assert not world.disk.gone_back, "kept although it was going back"
    strictly = 0
    for part in world.disk.plan.devices:
        box = network.boxes[part.device]
        assert not box.it.open or part.device in stuck, f"{part.device} was left open"
        if not _still_as_seen(world, part.device):
            continue  # moved by hand after our last look: nothing we could know
        strictly += 1
        now = box.it.reported()
        is_new, is_old = not deviations(part.after, now), not deviations(part.before, now)
        if state is S.KEPT:
            assert is_new, f"{part.device} is not new: {deviations(part.after, now)}"
        elif state is S.NEEDS_PERSON:
            assert is_old or part.device in stuck, f"{part.device} is not named"
        else:
            assert is_old, f"{part.device} is not old: {deviations(part.before, now)}"
        if state is S.CANCELLED and not world.network.disturbed:
            assert now.state.live == world.was[part.device].state.live
    return strictly


def _still_as_seen(world: World, device: str) -> bool:
    """Whether nobody moved the device since the report by which it was judged."""
    looks = world.watch.verified if world.disk.state is S.KEPT else world.watch.checked
    seen = world.network.looks.get(looks.get(device, ""), 0)
    return world.network.disturbed.get(device, -1) < seen if device in world.network.disturbed else True


# what a change is over


def some_box(chance, name: str) -> Box:
    """A device of any model, with or without staging and timer, at any level."""
    model = chance.choice(["full", "full", "amp", "bare", "closed"])
    numbers = range(1, 4 if model == "amp" else 2)
    live = {n: able(model, OutputSettings(level_db=float(chance.randrange(-40, 0))), n) for n in numbers}
    causes = {1: {chance.choice(["panel", "controller", "alarm"])}} if chance.random() < 0.3 else {}
    stages = chance.random() < 0.7
    device = device_of(name, model, live=live, causes=causes, stages=stages)
    return Box(it=device, timer=stages and chance.random() < 0.6)


def some_goal(chance, device) -> Goal:
    """Any mixture of level, mute, delay, recall and store."""
    model_outputs = device.live.outputs
    wanted = OutputSettings(
        level_db=float(chance.randrange(-40, 0)),
        mute=chance.choice([None, False, False, True]),
        delay_ms=chance.choice([None, 5.0]) if model_outputs[1].delay_ms is not None else None,
    )
    slots = device.description.slots
    can_store = slots.count and slots.readable_inactive
    outputs = dict.fromkeys(model_outputs, FLAT)
    return Goal(
        live=DeviceSettings(outputs={1: wanted}),
        recall=5 if slots.count and chance.random() < 0.4 else None,
        hold=frozenset(model_outputs) - {1},
        store=(SlotContents(slot=6, name="house", outputs=outputs),) if can_store and chance.random() < 0.3 else (),
    )


def some_world(chance, *, patient: bool = True) -> World:
    """One to four devices, and a change over those of them that have something to do; on trial or not."""
    boxes = [some_box(chance, f"box-{n}") for n in range(1, chance.randrange(2, 6))]
    plan = plan_of(*(p for p in (_part(b, some_goal(chance, b.it)) for b in boxes) if p is not None))
    trial_s = chance.choice([None, None, 12.0, 60.0, 300.0])
    limits = Limits(alone_s=chance.choice([60.0, 60.0, 60.0, 10.5]))
    if chance.random() < 0.1:  # as where many devices wait for their turn to be asked
        limits = replace(limits, committing_s=2.0, verifying_s=2.0, keeping_s=2.0, rolling_back_s=3.0)
    return World(boxes, plan, limits, trial_s=trial_s, patient=patient)


def _part(box: Box, goal: Goal) -> DevicePlan | None:
    part = reach(box.it.reported(), goal, (), stages=box.it.stages)
    return part and replace(part, timer=box.timer)
