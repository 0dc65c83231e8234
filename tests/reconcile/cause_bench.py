"""A pure simulated device to inject causes into, and the blind test over many of them: no broker, no clock."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from fleet.drivers.mqtt import codec
from fleet.model.cause import Cause, CauseKind
from fleet.model.state import Reported
from fleet.reconcile.causes import probable_cause, probable_causes
from simulators.device import Device
from simulators.faults import Faults
from simulators.panel import press
from simulators.population import Simulated, at_random, replacement
from tests.reconcile.cause_injection import FALSE_HINTS, HINTS, INJECTED, Injection, Step, draw

Json = dict[str, Any]
SEVERAL = 0.25
"""So many of the devices have more than one thing done to them between the two reports."""


@dataclass(frozen=True)
class Evidence:
    """All that the judge sees: what a device reported before, and what it reports now."""

    before: Reported
    now: Reported


@dataclass(frozen=True)
class Truth:
    """What was done in truth, in order, and what kind of hints the device gives; kept aside from the judge."""

    injected: tuple[Injection, ...]
    hint: str

    @property
    def kinds(self) -> frozenset[CauseKind]:
        """Every kind that is true."""
        return frozenset(kind for one in self.injected for kind in one.truth)


@dataclass(frozen=True)
class Verdict:
    """What the judge said, who knows nothing of the truth."""

    cause: Cause
    parts: tuple[Cause, ...]


class Bench:
    """One simulated device over its boots, replacement and all; reports are read as the MQTT driver reads them."""

    def __init__(self, device: Simulated, faults: Faults) -> None:
        self._simulated = device
        self._faults = faults
        self._boots = itertools.count(1)
        self._requests = itertools.count(1)
        self._open = ""
        self._now_ms = 10_000
        self._boot(device.kept)

    @property
    def state(self) -> Json:
        """As it would tell its state."""
        return self._device.state(self._now_ms)

    def report(self) -> Reported:
        """Its description, state and slots through the wire's codec."""
        name = self._simulated.identity.device
        description = codec.decode_description(name, _bytes(self._device.description()))
        convention = description.q_convention
        return Reported(
            description=description,
            state=codec.decode_state(name, _bytes(self.state), convention),
            slots=codec.decode_slots(name, _bytes(self._device.slots(self._now_ms)), convention),
        )

    def do(self, step: Step) -> None:
        """Carry out one step."""
        self._now_ms += 10_000
        match step.do:
            case "press":
                press(self._device.running, step.what)
            case "change":
                self._change(step.what)
            case "begin":
                self._begin(step.what)
            case "revert":
                self.ask("revert", {"change": self._open})
            case "power":
                self._boot(self._device.running.kept)
            case "fault":
                self._fault(step.what)

    def ask(self, action: str, body: Json, epoch: int = 0) -> None:
        """A request of another controller, which has to succeed."""
        request = {
            "v": 1,
            "id": f"r-{next(self._requests)}",
            "controller": "desk-1",
            "epoch": epoch or self._device.running.kept.epoch,
            "deadline_uptime_ms": self._now_ms + 1_000,
            "expect": {"boot_id": self._device.boot_id, "revision": self._device.running.revision},
            "action": action,
            "body": body,
        }
        reply = self._device.handle(request, self._now_ms)
        assert reply is not None
        assert reply["ok"], reply

    def _begin(self, work: Json, epoch: int = 0) -> None:
        self._open = f"theirs-{next(self._requests)}"
        self.ask("stage", {"change": self._open, "phase": 1, **work}, epoch)
        self.ask("commit", {"change": self._open, "phase": 1})

    def _change(self, asked: Json) -> None:
        work = {name: value for name, value in asked.items() if name != "epoch"}
        if not self._simulated.model.stages:
            self.ask("set", {"change": "theirs", **work}, asked.get("epoch", 0))
            return
        self._begin(work, asked.get("epoch", 0))
        self.ask("keep", {"change": self._open})

    def _fault(self, text: str) -> None:
        self._faults.set(text)
        if serial := self._faults.argument("replaced"):
            self._simulated = replacement(self._simulated, serial)
            self._faults.set("none:replaced")
            self._boot(self._simulated.kept)
        else:
            self._boot(self._device.running.kept)

    def _boot(self, kept: Any) -> None:
        self._now_ms = 2_000
        name = f"b-{self._simulated.identity.serial}-{next(self._boots)}"
        self._device = Device(self._simulated.model, self._simulated.identity, kept, name, self._faults)


def cases(count: int, seed: int) -> tuple[list[Evidence], list[Truth]]:
    """So many devices, each with something done to it: the evidence for the judge, and the truth aside."""
    chance = Random(seed)
    population = list(at_random(count, seed))
    evidence: list[Evidence] = []
    truths: list[Truth] = []
    for number, device in enumerate(population):
        hint = chance.choices(HINTS, (3, 2, 1))[0]
        while (found := _case(chance, device, INJECTED[number % len(INJECTED)], hint)) is None:
            device = chance.choice(population)  # noqa: PLW2901 - not every kind can be done to every device
        evidence.append(found[0])
        truths.append(found[1])
    order = list(range(count))
    chance.shuffle(order)
    return [evidence[n] for n in order], [truths[n] for n in order]


def judged(evidence: Sequence[Evidence]) -> list[Verdict]:
    """The judge's part: reports alone."""
    return [Verdict(probable_cause(e.before, e.now), probable_causes(e.before, e.now)) for e in evidence]


def faults_of(chance: Random, hint: str) -> Faults:
    """The faults of a device with such hints."""
    texts = {"told": [], "none": ["no_hint"], "false": [f"false_hint:{chance.choice(FALSE_HINTS)}"]}
    return Faults(texts[hint])


def _case(chance: Random, device: Simulated, kind: CauseKind, hint: str) -> tuple[Evidence, Truth] | None:
    live = device.kept.live
    if device.model.panel_lock and chance.random() < 0.3:
        live = replace(live, panel_locked=True)
    # It has run before, so that its next boot is a power-up.
    kept = replace(device.kept, live=live, boot_count=chance.randint(1, 40))
    bench = Bench(replace(device, kept=kept), faults_of(chance, hint))
    for _ in range(chance.randint(0, 2)):
        _past(chance, bench, device)
    first = draw(chance, kind, device.model, bench.state)
    if first is None:
        return None
    for step in first.before:
        bench.do(step)
    before = bench.report()
    if not _done(chance, bench, first):
        return None
    injected = [first]
    while injected[-1].kind != "replaced" and len(injected) < 3 and chance.random() < SEVERAL:
        more = draw(chance, chance.choice(INJECTED), device.model, bench.state)
        if more is None or more.before:
            continue
        if not _done(chance, bench, more):
            return None
        # What was done to a box that is no longer there is not to be found.
        injected = [more] if more.kind == "replaced" else [*injected, more]
    now = bench.report()
    if not differ(before, now):
        return None
    return Evidence(before, now), Truth(tuple(injected), hint)


def _past(chance: Random, bench: Bench, device: Simulated) -> None:
    """Something that happened before the first report."""
    kind: CauseKind = chance.choice(("edited", "recalled", "controller", "external mute"))
    one = draw(chance, kind, device.model, bench.state)
    for step in one.steps if one else ():
        bench.do(step)


def _done(chance: Random, bench: Bench, one: Injection) -> bool:
    """Do it; whether anything is different by it."""
    before = bench.report()
    for step in _with_epoch(chance, one, bench.state):
        bench.do(step)
    return shows(one.kind, before, bench.report())


def _with_epoch(chance: Random, one: Injection, state: Json) -> Iterator[Step]:
    """Some other controllers have taken over with a higher epoch, others share ours."""
    for step in one.steps:
        if step.do == "change" and chance.random() < 0.3:
            yield Step("change", {**step.what, "epoch": state["epoch"] + 1})
        else:
            yield step


def shows(kind: CauseKind, before: Reported, now: Reported) -> bool:
    """Whether what was done changed anything: storing what a slot holds already overwrites nothing."""
    if kind == "slots":
        return before.state.slots_sha256 != now.state.slots_sha256
    return differ(before, now)


def differ(before: Reported, now: Reported) -> bool:
    """Whether anything is to be explained: settings, mutes, slots or identity, and not counters alone."""

    def told(one: Reported) -> object:
        state = one.state
        slots = state.slots_sha256
        return one.description, state.serial, state.boot_id, state.active_slot, state.live, state.mute_causes, slots

    return told(before) != told(now)


def _bytes(message: Json) -> bytes:
    return json.dumps(message).encode()
