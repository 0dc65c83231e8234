"""A daemon in virtual time: what is durable, what is said to the devices, and where it can be killed.

It performs the effects of the engine as `fleet.services.running`, `fleet.services.performing` and the MQTT driver do:
journal, save, send; one request at a time on each device, repeated under its id; a conversation for each effect.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from itertools import count
from typing import Any

from network import Network, Reply, Request
from pure_device import Refusal

from fleet.model.change import ChangeState
from fleet.model.plan import DevicePlan, Plan
from fleet.reconcile.machine import left_behind, planned, step
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Commit,
    Done,
    Effect,
    Elapsed,
    Event,
    Failed,
    Forget,
    Heard,
    Keep,
    Limits,
    Prepare,
    Progress,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.standing import back_name, open_change

CHANGE = "c-1"
REPEAT_AFTER_S, ATTEMPTS = 1.0, 3
PAUSE_S = 0.5
FAREWELL_S = 5.0
PASSING = {"busy", "store_too_soon"}
BACK_ALREADY = {"reverted", "unknown_change", "aborted"}
UNKNOWN = float("-inf")


class Killed(Exception):
    """The daemon is gone in the middle of what it did."""


class Unanswered(Exception):
    """A device was silent, or what it answered could not be read."""


TROUBLE = (Refusal, Unanswered)


@dataclass(kw_only=True)
class Disk:
    """What outlives a daemon: the plan, the journal, and the record of the change, saved apart from it."""

    plan: Plan
    keep_within_s: float | None = None
    limits: Limits = field(default_factory=Limits)
    journal: list[tuple[int, Effect]] = field(default_factory=list)
    """Each effect with the number of the daemon that was to perform it."""
    state: ChangeState = ChangeState.PLANNED
    culprits: Mapping[str, str] = field(default_factory=dict)
    stuck: Mapping[str, str] = field(default_factory=dict)
    gone_back: bool = False
    """It was durably decided once that everything goes back."""
    trial_until: float | None = None
    """By the wall clock."""
    clock_ahead_s: float = 0.0
    """How far the wall clock is ahead of the time that passes."""
    daemons: int = 0
    """How many were started so far."""
    events: int = 0


@dataclass(frozen=True)
class Ask:
    """What a conversation wants to say next."""

    device: str
    action: str
    more: dict[str, Any]


@dataclass
class Talk:
    """The conversation that performs one effect. It waits for its turn, for an answer, or for a time."""

    effect: Effect
    words: Generator[Any, Any, Event | None]
    ask: Ask | None = None
    request: Request | None = None
    sent: int = 0
    wake_at: float | None = None


class PureDaemon:
    """One daemon from its start to its end. `dies_in` counts the steps it still does before it is killed."""

    def __init__(self, disk: Disk, network: Network, watch: Any, now: float, *, patient: bool = True) -> None:
        self.disk, self.network, self.watch, self.now = disk, network, watch, now
        self.patient = patient
        """Without it a patient read gives up at the first trouble, as a driver with a fault of its own would."""
        self.dies_in: int | None = None
        self.events: deque[Event] = deque()
        self.talks: list[Talk] = []
        self.lines: defaultdict[str, deque[Talk]] = defaultdict(deque)
        self.booted: dict[str, float] = {}
        self.farewell_until: float | None = None
        disk.daemons += 1
        self.number = disk.daemons
        self._ids = count(1)
        self.progress = planned(CHANGE, disk.plan, now, disk.limits, trial_s=self._trial_s())
        self.watch.started(resumed=self.number > 1)

    def start(self) -> None:
        """Take up the change: begin it, drop it, or read the devices of one that was left behind."""
        if self.number == 1:
            self.feed(Begin())
        elif self.disk.state is ChangeState.PLANNED:
            self.feed(Cancel(why="the daemon stopped before it began"))
        elif not self.disk.state.ended:
            following, effects = left_behind(
                self.progress, self.disk.state, self.now, going_back=bool(self.disk.culprits)
            )
            self._carry_on(following, effects)

    @property
    def ended(self) -> bool:
        """True where the change has come to one of its ends, now or before this daemon."""
        return self.progress.state.ended or (self.number > 1 and self.disk.state.ended)

    def feed(self, event: Event) -> None:
        """One turn of the daemon's loop: an event, then the journal, the record and the devices, in this order."""
        self.disk.events += 1
        following, effects = step(self.progress, event, self.now)
        self.watch.stepped(self.progress, event, following, effects, self.now)
        self._carry_on(following, effects)

    def take(self) -> None:
        """The next event that waits, or the end of the state's time."""
        self.feed(self.events.popleft() if self.events else Elapsed(turn=self.progress.turn))

    def alarms(self) -> list[float]:
        """When the daemon does something by itself."""
        return self.waits() if self.ended else [*self.waits(), self.progress.deadline]

    def waits(self) -> list[float]:
        """When its conversations go on by themselves."""
        times = [t.wake_at for t in self.talks if t.wake_at is not None]
        if self.farewell_until is not None and self.talks:
            times.append(self.farewell_until)
        return times

    def wake(self, now: float) -> None:
        """Repeat what was not answered, give up what was repeated often enough, go on after a pause."""
        self.now = now
        if self.farewell_until is not None and now >= self.farewell_until:
            self._drop(lambda _talk: True)
        for talk in list(self.talks):
            if talk not in self.talks or talk.wake_at is None or talk.wake_at > now:
                continue
            if talk.request is None:
                self._go_on(talk, None)
            elif talk.sent < ATTEMPTS:
                self._publish(talk)
            else:
                self._leave_line(talk)
                self._go_on(talk, Unanswered("silent"))

    def hear(self, reply: Reply, *, garbled: bool = False) -> None:
        """A reply: late and doubled ones find nobody who waits."""
        talk = next((t for t in self.talks if t.request is not None and t.request.id == reply.id), None)
        if talk is None:
            return
        self._leave_line(talk)
        if garbled:
            self._go_on(talk, Unanswered("nonsense"))
            return
        self.booted[reply.device] = reply.booted
        self._go_on(talk, Refusal(reply.code) if reply.code else reply)

    def overhear(self, device: str, change: str | None) -> None:
        """What a device told unasked matters during the trial only."""
        if self.progress.state is ChangeState.ON_TRIAL:
            self.events.append(Heard(device=device, change=change))

    def accept(self) -> None:
        """A person keeps the change."""
        self.events.append(Accept())

    def cancel(self) -> None:
        """A person stops the change."""
        self.events.append(Cancel(why="a person"))

    def _trial_s(self) -> float | None:
        within_s, until = self.disk.keep_within_s, self.disk.trial_until
        if within_s is None or until is None:
            return within_s
        return min(within_s, until - (self.now + self.disk.clock_ahead_s))

    def _carry_on(self, following: Progress, effects: tuple[Effect, ...]) -> None:
        before, self.progress = self.progress, following
        self._may_die()
        self.disk.journal += [(self.number, effect) for effect in effects]
        self._may_die()
        if following.state is not before.state and following.state is not ChangeState.RECOVERING:
            self._save(following)
        self._may_die()
        if following.state.ended and not before.state.ended:
            self._drop(lambda talk: not isinstance(talk.effect, Forget))
            self.farewell_until = self.now + FAREWELL_S
        for effect in effects:
            self._perform(effect)
            self._may_die()

    def _save(self, progress: Progress) -> None:
        disk = self.disk
        disk.state, disk.culprits, disk.stuck = progress.state, progress.culprits, progress.stuck
        disk.gone_back |= bool(progress.culprits)
        if progress.state is ChangeState.ON_TRIAL and disk.trial_until is None:
            disk.trial_until = disk.clock_ahead_s + progress.deadline

    def _may_die(self) -> None:
        if self.dies_in is not None:
            self.dies_in -= 1
            if self.dies_in < 0:
                raise Killed

    # conversations

    def _perform(self, effect: Effect) -> None:
        assert (self.number, effect) in self.disk.journal, "sent before it was journaled"
        talk = Talk(effect, self._words(effect, self.progress.device(effect.device)))
        self.talks.append(talk)
        self._go_on(talk, None)

    def _go_on(self, talk: Talk, answer: Reply | Exception | None) -> None:
        talk.request, talk.ask, talk.wake_at, talk.sent = None, None, None, 0
        try:
            wish = talk.words.throw(answer) if isinstance(answer, Exception) else talk.words.send(answer)
        except StopIteration as over:
            self.talks.remove(talk)
            if over.value is not None:
                self.events.append(over.value)
            return
        if isinstance(wish, Ask) and not isinstance(talk.effect, Forget) and talk.effect.turn != self.progress.turn:
            talk.words.close()  # the change has gone on: nothing further is said
            self.talks.remove(talk)
        elif isinstance(wish, Ask):
            talk.ask = wish
            self.lines[wish.device].append(talk)
            self._serve(wish.device)
        else:
            talk.wake_at = self.now + wish

    def _serve(self, device: str) -> None:
        """Whoever is first in the line of a device says its request, if it has not yet."""
        line = self.lines[device]
        if line and line[0].request is None:
            talk = line[0]
            assert talk.ask is not None
            deadline_s = None
            if talk.ask.action != "get":
                deadline_s = self.now - self.booted[device] + REPEAT_AFTER_S * ATTEMPTS
            talk.request = Request(
                id=f"r-{self.number}-{next(self._ids)}",
                device=device,
                action=talk.ask.action,
                deadline_s=deadline_s,
                **talk.ask.more,
            )
            self._publish(talk)

    def _publish(self, talk: Talk) -> None:
        assert talk.request is not None
        waiting = [t.request for t in self.talks if t.request is not None and t.request.device == talk.request.device]
        assert waiting == [talk.request], "two requests in flight to one device"
        talk.sent += 1
        talk.wake_at = self.now + REPEAT_AFTER_S
        self.network.send(talk.request)

    def _leave_line(self, talk: Talk) -> None:
        assert talk.ask is not None
        self.lines[talk.ask.device].remove(talk)
        talk.request = None
        self._serve(talk.ask.device)

    def _drop(self, which: Any) -> None:
        for talk in [t for t in self.talks if which(t)]:
            self.talks.remove(talk)
            if talk.ask is not None:
                self.lines[talk.ask.device].remove(talk)
        for device in list(self.lines):
            self._serve(device)

    # what is said for each effect

    def _words(self, effect: Effect, part: DevicePlan) -> Generator[Any, Any, Event | None]:
        try:
            answer = yield from self._said(effect, part)
        except TROUBLE as trouble:
            if isinstance(effect, Forget):
                return None
            return Failed(device=effect.device, turn=effect.turn, why=str(trouble))
        if isinstance(effect, Forget):
            return None
        if isinstance(effect, Read):
            self.watch.looked(effect.device, answer.id)
            return ReadBack(device=effect.device, turn=effect.turn, reported=answer.reported)
        return Done(device=effect.device, turn=effect.turn, moment=answer.moment if answer is not None else None)

    def _said(self, effect: Effect, part: DevicePlan) -> Generator[Any, Any, Reply | None]:
        device, answer = effect.device, None
        match effect:
            case Prepare():
                yield from self._prepare(part, CHANGE, part.work, part.expect)
            case Commit():
                if effect.after_s:
                    yield effect.after_s
                answer = yield from self._commit(part, CHANGE, effect.phase, part.work, effect.expect, effect.alone_s)
            case Read():
                answer = yield from self._read(device, patient=effect.patient and self.patient)
            case Keep():
                answer = yield from self._keep(part, CHANGE)
            case Revert():
                yield from self._revert(device, CHANGE)
            case WriteBack():
                answer = yield from self._write_back(part, effect)
            case Forget() if part.stages:
                yield from self._ask(device, "abort", change=CHANGE)
        return answer

    def _prepare(self, part, change, work, expect):
        """Work of a device that cannot stage is held here, and gone with the daemon."""
        if part.stages:
            for phase, each in sorted(work.items()):
                yield from self._patiently(part.device, "stage", change=change, phase=phase, work=each, expect=expect)

    def _commit(self, part, change, phase, work, expect, alone_s):
        if not part.stages:
            return (yield from self._ask(part.device, "set", work=work[phase], expect=expect))
        timer_s = alone_s if self.network.boxes[part.device].timer else None
        return (yield from self._ask(part.device, "commit", change=change, phase=phase, expect=expect, alone_s=timer_s))

    def _keep(self, part, change):
        """A device that cannot stage has kept already."""
        if not part.stages:
            return None
        return (yield from self._patiently(part.device, "keep", change=change))

    def _revert(self, device, change):
        try:
            yield from self._ask(device, "revert", change=change)
        except Refusal as refusal:
            if str(refusal) == "change_open":
                reply = yield from self._ask(device, "get")
                held = open_change(CHANGE, reply.reported)
                if held is None:
                    raise
                yield from self._ask(device, "revert", change=held)
            elif str(refusal) not in BACK_ALREADY:
                raise

    def _write_back(self, part, effect):
        if part.stages:
            yield from self._revert(part.device, CHANGE)
        answer = yield from self._ask(part.device, "get")
        if (held := open_change(CHANGE, answer.reported)) is not None:
            yield from self._ask(part.device, "revert", change=held)
            answer = yield from self._ask(part.device, "get")
        moment = answer.moment
        change = back_name(CHANGE, f"{self.number}-{effect.turn}")
        try:
            yield from self._prepare(part, change, part.undo, moment)
            for phase in sorted(part.undo):
                reply = yield from self._commit(part, change, phase, part.undo, moment, effect.alone_s)
                moment = reply.moment
            return (yield from self._keep(part, change))
        except TROUBLE:
            if part.stages:
                yield from self._revert(part.device, change)
            raise

    def _read(self, device, *, patient):
        while True:
            try:
                return (yield from self._ask(device, "get"))
            except TROUBLE:
                if not patient:
                    raise
                yield PAUSE_S

    def _patiently(self, device, action, **more):
        while True:
            try:
                return (yield from self._ask(device, action, **more))
            except Refusal as refusal:
                if str(refusal) not in PASSING:
                    raise
                yield PAUSE_S

    def _ask(self, device, action, **more):
        """A daemon that does not know a device's clock reads it first; one that was wrong about it asks again."""
        if action != "get" and device not in self.booted:
            yield Ask(device, "get", {})
        try:
            return (yield Ask(device, action, more))
        except Refusal as refusal:
            if str(refusal) != "expired":
                raise
        return (yield Ask(device, action, more))
