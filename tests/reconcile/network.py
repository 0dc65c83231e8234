"""A network of devices in virtual time: every request, reply and word waits until it is said what becomes of it.

Nothing here is random: a scenario drawn from a seed and one drawn by hypothesis play with the same parts.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field, replace
from typing import Literal

from pure_device import PureDevice, Refusal

from fleet.model.plan import Phase, Work
from fleet.model.settings import OutputSettings
from fleet.model.state import Moment, OpenChange, Reported

STAGED_FOR_S = 60.0
Fault = Literal["", "busy", "does nothing", "does something else"]
"""What a device does wrong with one request; it claims to have done what it did not, or did otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A request of the wire contract. `deadline_s` is in the device's own uptime."""

    id: str
    device: str
    action: str
    change: str = ""
    phase: Phase | None = None
    work: Work | None = None
    expect: Moment | None = None
    alone_s: float | None = None
    deadline_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What a device answers: `code` where it refuses, `reported` to a get. `booted` tells its uptime."""

    id: str
    device: str
    moment: Moment
    booted: float
    code: str = ""
    reported: Reported | None = None


@dataclass
class Box:
    """A device with its protocol: remembers requests and how changes ended, and has deadlines of its own."""

    it: PureDevice
    timer: bool
    powered: bool = True
    booted: float = 0.0
    memory: dict[str, Reply] = field(default_factory=dict)
    endings: dict[str, str] = field(default_factory=dict)
    done: set[Phase] = field(default_factory=set)
    dies_at: float | None = None
    """When staged work of which nothing was committed is dropped."""
    reverts_at: float | None = None
    applied: Counter[str] = field(default_factory=Counter)
    """How often each request was carried out, over all boots; an abort may be, since it does nothing more."""

    @property
    def alarm(self) -> float | None:
        """When it does something by itself."""
        return (self.reverts_at if self.it.restore else self.dies_at) if self.powered else None

    def tick(self, now: float) -> bool:
        """Let time pass; true where the device ended a change by itself."""
        if self.alarm is None or now < self.alarm:
            return False
        self._end("reverted" if self.it.restore else "aborted")
        return True

    def reported(self, now: float) -> Reported:
        """What a get tells."""
        told = self.it.reported()
        if not self.it.open or self.reverts_at is None:
            return told
        held = OpenChange(id=self.it.open, phase=self.it.phase, reverts_in_ms=(self.reverts_at - now) * 1000)
        return replace(told, state=replace(told.state, change=held))

    def reboot(self, now: float) -> None:
        """Come up again, as it was before any open change; what it remembered of requests is gone."""
        self.it.reboot()
        self.memory, self.endings, self.done = {}, {}, set()
        self.dies_at = self.reverts_at = None
        self.booted = now

    def handle(self, request: Request, now: float, fault: Fault) -> Reply:
        """Carry a request out, unless it was before."""
        if request.id not in self.memory:
            self.memory[request.id] = self._answered(request, now, fault)
        return self.memory[request.id]

    def _answered(self, request: Request, now: float, fault: Fault) -> Reply:
        code, reported = "", None
        try:
            self._check_deadline(request, now)
            if request.action == "get":
                reported = self.reported(now)
            elif not self._repeats(request):
                self._check(request, fault)
                self.applied[request.id] += request.action != "abort"
                self._do(request, now, fault)
        except Refusal as refusal:
            code = str(refusal)
        return Reply(
            id=request.id,
            device=request.device,
            moment=self.it.moment,
            booted=self.booted,
            code=code,
            reported=reported,
        )

    def _check_deadline(self, request: Request, now: float) -> None:
        if request.deadline_s is not None and now - self.booted > request.deadline_s:
            raise Refusal("expired")

    def _repeats(self, request: Request) -> bool:
        ending = self.endings.get(request.change)
        return (request.action, ending) in {
            ("keep", "kept"),
            ("revert", "reverted"),
            ("revert", "aborted"),
            ("abort", "aborted"),
        }

    def _check(self, request: Request, fault: Fault) -> None:
        """The refusals of the wire contract, in its order."""
        action, ending = request.action, self.endings.get(request.change)
        if (action == "set") == self.it.stages or (request.alone_s is not None and not self.timer):
            raise Refusal("unsupported")
        if action not in {"abort", "set"} and self.it.open not in {"", request.change}:
            raise Refusal("change_open")
        if action != "set" and ending in {"aborted", "reverted"}:
            raise Refusal(ending)
        if action in {"commit", "keep", "revert"} and self.it.open != request.change:
            raise Refusal("unknown_change")
        if request.expect is not None and request.expect.boot_id != self.it.moment.boot_id:
            raise Refusal("wrong_boot")
        if request.expect is not None and request.expect != self.it.moment:
            raise Refusal("wrong_revision")
        if action == "commit" and (request.phase not in (self.it.staged or {}) or request.phase in self.done):
            raise Refusal("not_staged")
        if action == "abort" and (ending == "kept" or (self.it.open == request.change and self.it.restore)):
            raise Refusal("committed")
        if fault == "busy":
            raise Refusal("busy")

    def _do(self, request: Request, now: float, fault: Fault) -> None:
        match request.action:
            case "stage":
                self.it.stage({**(self.it.staged or {}), request.phase: request.work}, request.expect, request.change)
                self.dies_at = now + STAGED_FOR_S
            case "commit":
                self._commit(request, now, fault)
            case "keep":
                self.it.keep()
                self._end("kept", request.change)
            case "revert" if fault != "does nothing":
                self._end("reverted" if self.it.restore else "aborted")
            case "abort":
                if self.it.open == request.change:
                    self._end("aborted")
                self.endings[request.change] = "aborted"
            case "set":
                self.it.do(self._faulty(request.work, fault), store=True)

    def _commit(self, request: Request, now: float, fault: Fault) -> None:
        whole = self.it.staged
        self.it.staged = {request.phase: self._faulty(whole[request.phase], fault)}
        self.it.commit(request.phase, request.expect)
        self.it.staged = whole
        self.done.add(request.phase)
        if request.alone_s is not None:
            self.reverts_at = now + request.alone_s

    @staticmethod
    def _faulty(work: Work, fault: Fault) -> Work:
        if fault == "does nothing":
            return Work()
        if fault == "does something else" and work.settings is not None:
            moved = {n: OutputSettings(level_db=-23.0).over(s) for n, s in work.settings.outputs.items()}
            return replace(work, settings=replace(work.settings, outputs=moved))
        return work

    def _end(self, how: str, change: str = "") -> None:
        self.endings[change or self.it.open] = how
        if how != "kept":
            self.it.revert()
        self.done, self.dies_at, self.reverts_at = set(), None, None


class Network:
    """Boxes and what is on its way to and from them. Requests to one device keep their order, as on one connection."""

    def __init__(self, boxes: list[Box]) -> None:
        self.boxes = {box.it.id: box for box in boxes}
        self.inboxes: dict[str, deque[Request]] = {name: deque() for name in self.boxes}
        self.replies: list[Reply] = []
        self.told: list[tuple[str, str | None]] = []
        """Words of devices nobody asked for: which change each has open."""
        self.moves = 0
        self.lied = False
        """Some device has claimed what is not so."""
        self.disturbed: dict[str, int] = {}
        """At which move somebody last changed a device by hand."""
        self.looks: dict[str, int] = {}
        """At which move a device made up the report with this request id."""

    def send(self, request: Request) -> None:
        """Nothing is held for a device without power."""
        if self.boxes[request.device].powered:
            self.inboxes[request.device].append(request)

    def busy(self) -> list[str]:
        """Devices that have requests to work at."""
        return [name for name, inbox in self.inboxes.items() if inbox]

    def work(self, name: str, now: float, fault: Fault = "") -> None:
        """Let a device take its next request."""
        box = self.boxes[name]
        request = self.inboxes[name].popleft()
        self.tick(now)
        before = box.it.open
        self.lied |= fault.startswith("does")
        reply = box.handle(request, now, fault)
        assert box.applied[request.id] <= 1, f"{request} was carried out twice"
        self.moves += 1
        if request.action == "get":
            self.looks.setdefault(request.id, self.moves)
        self.replies.append(reply)
        if box.it.open != before:
            self._tell(name)

    def lose_request(self, name: str) -> None:
        """The next request never arrives."""
        self.inboxes[name].popleft()

    def double_request(self, name: str) -> None:
        """The next request will arrive once more, after all that is on its way."""
        self.inboxes[name].append(self.inboxes[name][0])

    def tick(self, now: float) -> None:
        """Let time pass for all devices."""
        for name, box in self.boxes.items():
            if box.tick(now):
                self._tell(name)

    def reboot(self, name: str, now: float) -> None:
        """A device restarts; what was on its way to it is lost."""
        self.tick(now)
        self.inboxes[name].clear()
        self.boxes[name].reboot(now)
        self._tell(name)

    def pull_plug(self, name: str) -> None:
        """A device loses power."""
        self.boxes[name].powered = False
        self.inboxes[name].clear()

    def put_back(self, name: str, now: float) -> None:
        """A device gets its power back."""
        self.boxes[name].powered = True
        self.reboot(name, now)

    def press(self, name: str, level_db: float | None) -> None:
        """Somebody turns a knob at the panel, or mutes there."""
        self.boxes[name].it.press(1, level_db)
        self.moves += 1
        self.disturbed[name] = self.moves
        self._tell(name)

    def alarms(self) -> list[float]:
        """When devices do something by themselves."""
        return [box.alarm for box in self.boxes.values() if box.alarm is not None]

    def _tell(self, name: str) -> None:
        self.told.append((name, self.boxes[name].it.open or None))
